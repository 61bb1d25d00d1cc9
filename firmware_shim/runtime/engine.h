/* The sweep engine: plain declarations, compiled by the C compiler and read verbatim by cffi. */

typedef void (*pf_loop)(const void *const *inputs, void *output, long n, volatile long *progress);
typedef void (*pf_screen)(const double *const *inputs, double *result, long n);

/* One input of the routine. Grids: 0 = binary32 ordinals (first is an ordinal), 1 = integers
   first + step*i, 2 = explicit raw values. The value is raw * scale (float types: the value itself). */
struct pf_input {
    int32_t type, grid;
    int64_t first, step, count;
    double scale;
    const void *raw;
};

/* A run of consecutive ordinals; only the flags in flag_mask count as events there. */
struct pf_segment {
    int64_t start, count;
    int64_t flag_mask;
};

/* kind: 1 accurate, 2 order, 3 octave, 4 inverse, 5 deterministic, 6 range of the result,
   7 same as the second loop (another build's): bits where high < 0, else at most high ULP or steps apart; strict: nothing
   else is looked at but what the routine writes,
   8 pair: the result at input + step (strict: at step - input) against sign times this result plus second_scale; partners in
   [second_low, second_high], 9 poles: this result and the second loop's, coefficients as step says, give a filter whose poles
   lie within second_low of 0 (sign: +1 where this result is the first of the two).
   metric: 0 absolute, 1 relative, 2 ULP of binary32. Limits are inclusive; errors within margin of a
   limit stay open. order: sign +1 rising, -1 falling; strict. octave: step in the input's unit.
   inverse: the second loop, its input range [second_low, second_high] and output scale. */
struct pf_test {
    int32_t kind, metric, strict, second_type;
    double low, high, margin, sign, step;
    double second_low, second_high, second_scale;
    double band; /* accurate: within it of the first input a decision may fall either way; 0 for none */
    pf_screen screen;
    pf_loop second;
    int32_t second_inputs[8]; /* same: types of the other loop's inputs */
    int32_t monotone; /* accurate: whether the reference keeps to one direction over the whole domain */
    int32_t second_flushed; /* same: the other run has subnormals the other way, and metric counts */
};

struct pf_found {
    int64_t judged, failing, open, skipped, first_failing, last_failing;
    double least;
    int64_t least_at;
    double most;
    int64_t most_at;
};

struct pf_result {
    int64_t done;
    double first_output, last_output;
    double least_output;
    int64_t least_output_at;
    double most_output;
    int64_t most_output_at;
    int64_t nans, first_nan, infinities, first_infinity, subnormals, first_subnormal;
    int64_t flagged_blocks[5], first_flag[5], flag_not_reproduced[5];
    struct pf_found found[8];
};

struct pf_open {
    int64_t test, at;
};

/* Lives in memory shared between the worker and the forked child that runs the firmware. */
struct pf_shared {
    long position[2]; /* index in the block; ordinal of the block's first input */
    int64_t phase;    /* follows position: generated loops read it there; 0 own inputs, 1 repeat, 2 octave partner, 3 inverse, 4 halving, 5 another build, 6 second coefficient */
    int64_t rooms;    /* follows phase: where the variables of a call may stand, 0 for nowhere; see PF_ROOMS */
    int64_t done, segment, opens;
    int64_t signal, fault_address, program_counter, stack_pointer;
    int64_t mode_changed_at, mode_before, mode_after;
    int64_t written_at, written_address, forked_at; /* forked_at: see refusals.h */
    int64_t library_counter; /* address of an event outside the firmware's own code, 0 for none */
    struct pf_heap_fault heap; /* of functions */
    int64_t entered; /* calls of the firmware's loops so far; within one of them the index only grows */
};

struct pf_region {
    unsigned char *start;
    int64_t size;
};

/* A declared 32-bit word of a peripheral at a fixed address. */
struct pf_word {
    int64_t address, value;
};

struct pf_job {
    int32_t inputs, zip, tests, output_type, flush_to_zero, keep_flags_on;
    int64_t segments, open_capacity, regions, memory_limit_bytes, trap_kinds, code_low, code_high;
    double output_scale;
    pf_loop loop;
    const struct pf_input *input;
    const struct pf_segment *segment;
    const struct pf_test *test;
    const struct pf_region *region;
    struct pf_result *result;
    struct pf_open *open;
    struct pf_shared *shared;
    unsigned char *keep_outputs;
    unsigned char *keep_flags;
    int32_t output_file, may_start; /* may_start: the loop itself runs a program beside the engine */
    const struct pf_machine *machine; /* scripts to run instead of segments, or NULL */
    const struct pf_word *word;
    int64_t words, watches;
    int64_t time_rounds; /* of a job that is timed, not judged; 0 for all others */
    double *times;
    int64_t ahead; /* blocks that the routine runs in one call, at least 1 */
    const int64_t *watch; /* of functions: as in struct pf_machine */
    pf_machine_paint paint;
};

int pf_start(struct pf_job *job);
void pf_keep_to_itself(void);
int64_t pf_job_size(void);
int64_t pf_script_size(void);
int64_t pf_machine_size(void);
int64_t pf_result_size(void);
int64_t pf_shared_size(void);
unsigned pf_mode(void);
