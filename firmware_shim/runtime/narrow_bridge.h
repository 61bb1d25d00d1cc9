/* A 32-bit program of the firmware as the engine meets it: plain declarations, read by the compiler and by cffi. */

/* One loop of the program: its symbol, the widths in bytes of what it carries. */
struct pf_narrow_slot {
    char name[192];
    int32_t inputs, output_width;
    int32_t width[8];
};

struct pf_narrow {
    char path[4096];
    struct pf_narrow_slot slot[9];
};

void pf_narrow_use(struct pf_narrow *program);
pf_loop pf_narrow_loop(int slot);
int64_t pf_narrow_size(void);
