/* What the engine's own files share. Flag bits follow the x86 order everywhere. */
#ifndef PF_ENGINE_PARTS_H
#define PF_ENGINE_PARTS_H
#include <stdint.h>
#include <stddef.h>
#include "engine_long.h"
#include "engine_script.h"
#include "engine.h"

/* Four arrays of doubles fit the first-level cache. running.py has the same number. */
enum { PF_BLOCK = 1024 };
/* So many blocks are run in one call where a call is handed to another process; board_served.py, board_places.py. */
enum { PF_MOST_AHEAD = 8, PF_AHEAD = PF_MOST_AHEAD * PF_BLOCK };
/* Rooms with a page that nobody may touch before the first and behind each; call_rooms.py has the same numbers. */
enum { PF_ROOMS = 8, PF_ROOM = 65536, PF_PAGE = 4096 };
enum { PF_F32, PF_F64, PF_I8, PF_U8, PF_I16, PF_U16, PF_I32, PF_U32, PF_I64, PF_U64 };
enum { PF_ACCURATE = 1, PF_ORDER, PF_OCTAVE, PF_INVERSE, PF_DETERMINISTIC, PF_RANGE, PF_SAME, PF_PAIR, PF_POLES };
enum { PF_OWN, PF_REPEAT, PF_PARTNER, PF_BACK, PF_HALVING, PF_OTHER, PF_SECOND };

#if defined(__x86_64__)
#include <xmmintrin.h>
#define PF_MODE_DEFAULT 0x1f80u
#define PF_MODE_FLUSH 0x8040u
static inline unsigned pf_get(void) { return _mm_getcsr(); }
static inline void pf_set(unsigned mode) { _mm_setcsr(mode); }
static inline unsigned pf_flags_of(unsigned state) { return state & 0x1fu; }
static inline unsigned pf_mode_of(unsigned state) { return state & ~0x3fu; }
#elif defined(__aarch64__)
#define PF_MODE_DEFAULT 0u
#define PF_MODE_FLUSH (1u << 24)
/* Mode in FPCR, flags in FPSR (IOC 0, DZC 1, OFC 2, UFC 3, IXC 4, IDC 7), joined in one word. */
static inline unsigned pf_get(void)
{
    uint64_t mode, flags;
    __asm__ volatile("mrs %0, fpcr\n\tmrs %1, fpsr" : "=r"(mode), "=r"(flags));
    return (unsigned)(mode & 0x07ffff00u) | (unsigned)(flags & 0x9fu);
}
static inline void pf_set(unsigned state)
{
    uint64_t mode = state & 0x07ffff00u, flags = 0;
    __asm__ volatile("msr fpcr, %0\n\tmsr fpsr, %1" ::"r"(mode), "r"(flags));
}
static inline unsigned pf_flags_of(unsigned s)
{
    return (s & 1u) | ((s >> 6) & 2u) | ((s & 2u) << 1) | ((s & 4u) << 1) | ((s & 8u) << 1);
}
static inline unsigned pf_mode_of(unsigned state) { return state & 0x07ffff00u; }
#else
#error "preflash runs the host build on x86-64 and AArch64 only"
#endif

struct pf_block {
    long n;
    int64_t ordinal;
    int nonfinite;
    int flat;  /* all results have the same bits, a finite number; of y only the ends are filled */
    int whole; /* value and y are filled */
    const void *raw[8];
    double *value[8];
    void *output;
    double *y;
    double least, most;
};

extern const int pf_width[10];
/* Fresh memory: a byte, or from 256 on words of 32 bits that hold value - 255. */
void pf_fresh(void *at, int64_t fill, int64_t size);
/* value may be NULL for a single input. */
void pf_fill(const struct pf_job *job, int64_t ordinal, long n, unsigned char *const *raw, double *const *value);
void pf_to_double(const void *raw, int type, double scale, double *y, long n);
void pf_gather(const void *from, int width, const int32_t *index, void *to, long n);
int pf_mirrored(const void *from, const void *back, int width, long n);
extern int pf_mode_changed; /* whether the last pf_call left another mode behind */
unsigned pf_call(const struct pf_job *job, pf_loop loop, const void *const *inputs, void *output, long n,
                 int phase, int64_t base);
void pf_judge(const struct pf_job *job, int number, struct pf_found *found, const double *y,
              const double *reference, long n, int64_t ordinal, const int32_t *index);
void pf_order(const struct pf_test *test, struct pf_found *found, const struct pf_block *block,
              double before, int have_before, int64_t row);
void pf_octave(const struct pf_job *job, int number, struct pf_found *found, const struct pf_block *block);
void pf_poles(const struct pf_job *job, int number, struct pf_found *found, const struct pf_block *block);
void pf_keep_open(const struct pf_job *job, int number, struct pf_found *found, int64_t at);
void pf_inverse(const struct pf_job *job, int number, struct pf_found *found, const struct pf_block *block);
void pf_same(const struct pf_job *job, int number, struct pf_found *found, const struct pf_block *block);
void pf_repeat(const struct pf_job *job, struct pf_found *found, const struct pf_block *block);
void pf_extremes(const double *e, long n, double *least, double *most, int64_t *unordered);
int64_t pf_place(const double *e, long n, double wanted, int64_t ordinal, const int32_t *index);
int pf_errors_within(const double *y, const double *r, long n, int relative, double low, double high);
int pf_steps_reach(const double *y, long n, double sign, double least);
int pf_widen_normal(const float *from, double *y, long n, double *least, double *most);
void pf_reverse(const void *from, int width, void *to, long n);
void pf_fail(struct pf_found *found, int64_t at);
void pf_count(struct pf_counter *c, const void *values, int type, double scale, int64_t n, double about, double armed);
void pf_mark_process(void);
void pf_errors_of(int metric, const double *y, const double *r, double *e, long n);
int pf_may_be_flat(const struct pf_job *job);
int pf_flatten(const struct pf_job *job, struct pf_block *block);
void pf_test_range(const struct pf_job *job, int number, struct pf_found *found, const struct pf_block *block);
int pf_test_flat(const struct pf_job *job, int number, struct pf_found *found, struct pf_block *block,
                 double before, int have_before);
extern struct pf_job *pf_present_job; /* the one that this forked child runs */
void pf_narrow_finish(void);
struct pf_board;
uint32_t pf_served_call(const struct pf_board *board, uint32_t entry, const uint32_t *arguments, volatile long *progress);
void pf_served_finish(void);
void pf_sweep(struct pf_job *job);
void pf_time(struct pf_job *job);
void pf_time_machine(struct pf_job *job);
void pf_scripts(struct pf_job *job);
extern int pf_allocated;
void pf_note_allocation(void);
int pf_board_go(uint32_t entry, const uint32_t *arguments, uint32_t stack, volatile long *progress, int64_t start,
                uint32_t *flags);
#endif
