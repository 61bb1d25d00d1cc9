/* What a board image that runs as a process of this computer shares with the engine: fixed widths, both sides.
   The first page of a shared file; the image maps it and every listed area at the board's own addresses. */
#ifndef PF_BOARD_SERVED_H
#define PF_BOARD_SERVED_H
#include <stdint.h>

enum { PF_SERVED_FILE = 3, PF_SERVED_IN = 4, PF_SERVED_OUT = 5, PF_SERVED_AREAS = 12, PF_SERVED_AT = 256 };
#define PF_SERVED_PAGE 0xb00f0000u

struct pf_served_area {
    uint32_t address, size, page; /* page: number of the file's page where it starts */
};

struct pf_served {
    uint32_t entry, argument[4], stack_top, fpscr, areas;
    struct pf_served_area area[PF_SERVED_AREAS];
};
#endif
