/* The emulated board as the engine meets it: plain declarations, read by the compiler and by cffi. */

/* One generated loop in the image: entry and end of its code, widths in bytes of what it carries. */
struct pf_board_slot {
    uint32_t entry, end;
    int32_t inputs, output_width;
    int32_t width[8];
};

/* Lives in shared memory. stopped: 0 no, 1 the emulator refused, 2 no answer in time, 3 unaligned access,
   4 an instruction the core lacks. error: the emulator's own number. registers: as they stood then. */
struct pf_board_notes {
    int64_t stopped, error, exception, program_counter, address, size;
    int64_t registers[16];
    int64_t mode_before, mode_after;
    int64_t event_at, library_event_at;
    int64_t lowest_stack, entry_stack;
};

/* A place whose address must be aligned when it runs: register + offset, to a multiple of align. */
struct pf_board_place {
    uint32_t address;
    int32_t base, index, shift, offset, align;
};

struct pf_board {
    void *uc, *emu_start, *emu_stop, *reg_read, *reg_write;
    unsigned char *block, *stack;
    volatile uint32_t *progress;
    uint32_t block_address, progress_address, stack_low, stack_top, return_address;
    uint32_t fpscr, own_low, own_high, text_low, text_high, tables_low, tables_high;
    int32_t fpu, watch, counting, places;
    double limit_seconds;
    const struct pf_board_place *place;
    /* Per halfword of the text: cost in half cycles, and what a taken branch adds. */
    const unsigned char *least, *most, *taken_least, *taken_most;
    unsigned char *executed, *touched; /* per halfword of the text; per word of the constants */
    uint32_t *counts; /* per ordinal: instructions, least and most half cycles */
    struct pf_board_notes *notes;
    struct pf_board_slot slot[9];
    /* The image as a process instead of the emulator: program that runs it, its file, the shared file; or NULL. */
    char *runner, *image;
    int32_t served_file, spare;
};

void pf_board_use(struct pf_board *board);
pf_loop pf_board_loop(int slot);
void *pf_board_hook(int kind); /* 0 block, 1 instruction, 2 exception, 3 alignment, 4 lacking, 5 access, 6 table */
int64_t pf_board_size(void);
