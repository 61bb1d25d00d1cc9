/* Scripts of machines: plain declarations, compiled by the C compiler and read verbatim by cffi. */

typedef void (*pf_machine_init)(void *state, double rate_hz);
typedef void (*pf_machine_end)(void *state);
typedef void (*pf_machine_event)(void *state, long which, const void *const *arguments);
typedef void (*pf_machine_run)(void *state, const void *const *inputs, void *const *outputs, long n,
                               volatile long *progress);

struct pf_happening {
    int64_t sample;
    int64_t which;
    const void *argument[4];
};

/* What counting has seen so far: samples, those that were not finite, crossings, places of the first and last. */
struct pf_counter {
    int64_t samples, odd, crossings, is_armed;
    double first, place, before, least, most;
};

/* What went wrong with a heap: kind 0 nothing, 1 full, 2 freed twice, 3 written beside a block, 4 freed and never taken,
   5 taken and not given back (of functions); its sample or input; bytes of the block. */
struct pf_heap_fault {
    int64_t kind, at, bytes;
};

/* first_flag: sample per kind, -1 for none. again: outputs after a second init, or NULL. */
struct pf_script {
    double rate_hz;
    int64_t samples, events, cuts, fill;
    const struct pf_happening *event;
    const int64_t *cut;
    const void *stream[8];
    void *output[8];
    void *again[8];
    int64_t done, first_flag[5], mode_changed_at, late_allocation;
    struct pf_heap_fault heap;
    int64_t touched_at, touched_byte; /* beside another: sample by which one instance's state was written by the other, and where */
    /* row > 0: outputs are counted, not kept; after every `row` samples the counter of output `counted` is noted. Inputs
       then hold `row` samples that come again and again. */
    int64_t row, counted;
    double about, armed, scale;
    struct pf_counter *rows;
};

/* A stretch of samples of one script that is interrupted by one event (`which`, with its arguments). */
struct pf_moment {
    int64_t script, sample, samples, which;
    const void *argument[4];
};

/* done: 1, or -1 where the machine has taken memory from the heap; instructions: of the stretch; tried: interruptions; masked: instructions before which interrupts are masked; left_masked:
   so they are at its end; matters: the setter changes what comes out. Of the first failing interruption: the number and
   the address of the instruction before which it came, the one before it, where nothing fits any more, and the values there. */
struct pf_torn {
    int64_t done, instructions, tried, masked, left_masked, matters, failing, point, address, previous, sample, output;
    double got, before, after;
};

struct pf_interruption {
    int64_t moments, following, most_points;
    double limit, scale[8];
    const struct pf_moment *moment;
    struct pf_torn *torn; /* per moment */
};

typedef void (*pf_machine_paint)(void *at, long size, int value);

struct pf_machine {
    pf_machine_init init;
    pf_machine_end destroy;
    pf_machine_event event;
    pf_machine_run run;
    int64_t state_size, state_align, inputs, outputs, first, scripts;
    int32_t input_type[8], output_type[8];
    int32_t block, guard_begin, twin, reinit;
    int32_t allocates; /* some memory from the heap is not put back: flags are then noted per stretch only */
    int32_t every_allocation_told; /* so that this holds only for scripts that did allocate */
    struct pf_script *script;
    int64_t watches;
    struct pf_long *longer; /* the first script as a long run instead, or NULL */
    struct pf_interruption *interruption; /* stretches that are interrupted, instead of whole scripts, or NULL */
    const int64_t *watch; /* per watched call: address of the library's pointer to it, number of the watcher */
    pf_machine_paint paint; /* of the strict build: tells it what of the heap may be touched, or NULL */
};
