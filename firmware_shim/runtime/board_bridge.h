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
    /* For interruptions: copies of the processor's state; its mask registers (0: it has none of that kind) and status;
       an instruction that opens the exclusive monitor, 0 where nothing uses it. */
    void *context_alloc, *context_save, *context_restore;
    int32_t mask_register[3], status_register;
    uint32_t clear_exclusive, spare_too;
    /* For the costs of machines: per script, the place in counts of its first sample, and of its init, after which its
       events follow in turn; the last place of all takes what nobody asks for. */
    const int64_t *sample_place, *event_place;
    int64_t last_place;
};

/* One machine in the image: entries of its generated functions; where each instance's state and each buffer
   (inputs, then outputs) lies on the board and in this process. */
struct pf_board_machine {
    uint32_t init, destroy, event, run;
    uint32_t state_address[2], buffer_address[16];
    unsigned char *state[2], *buffer[16];
    int64_t state_size, buffer_bytes;
    int32_t inputs, outputs, guard_begin, double_register;
    int32_t width[16];
};

void pf_board_use(struct pf_board *board);
void pf_board_play(struct pf_board *board, struct pf_board_machine *played, struct pf_machine *machine,
                   volatile long *position);
int64_t pf_board_ask(struct pf_board *board, uint32_t entry);
int64_t pf_board_machine_size(void);
pf_loop pf_board_loop(int slot);
void *pf_board_hook(int kind); /* 0 block, 1 instruction, 2 exception, 3 alignment, 4 lacking, 5 access, 6 table,
                                  7 allocation, 8 refused access, 9 instruction, to interrupt it */
void pf_count_from(int64_t place);
void pf_note_stack(void);
int64_t pf_board_size(void);
void *pf_interrupt_hook(void);
int pf_interrupt_serve(int *more);
void pf_interrupt_use(struct pf_board *board, struct pf_board_machine *played);
void pf_interrupted(struct pf_job *job);
int64_t pf_interruption_size(void);
int64_t pf_torn_size(void);
