/* What the engine and the 32-bit process that runs the firmware share: fixed widths only, the same layout in both. */
#ifndef PF_NARROW_H
#define PF_NARROW_H
#include <stdint.h>

enum { PF_NARROW_BLOCK = 1024, PF_NARROW_INPUTS = 8, PF_NARROW_NAME = 192,
       PF_NARROW_WORDS = 64 };
/* Descriptors in the 32-bit process: the memory, where requests come from, where answers go. */
enum { PF_NARROW_MEMORY = 3, PF_NARROW_IN = 4, PF_NARROW_OUT = 5 };

struct pf_narrow_memory {
    char name[PF_NARROW_NAME]; /* of the loop to run */
    uint32_t n, mode, mode_after, known;
    volatile int32_t position[4]; /* as the loops write it: index, base, phase */
    int32_t signal, forked;
    uint32_t fault_address, program_counter, stack_pointer, words;
    struct { uint32_t address, value; } word[PF_NARROW_WORDS]; /* declared peripheral words */
    unsigned char input[PF_NARROW_INPUTS][PF_NARROW_BLOCK * 8], output[PF_NARROW_BLOCK * 8];
};
#endif
