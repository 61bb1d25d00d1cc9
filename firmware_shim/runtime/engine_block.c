/* Filling a block of inputs, widening outputs, and the one place where the firmware is called. */
#include <errno.h>
#include <string.h>
#include "engine_parts.h"
#include "engine_calls.h"

int pf_mode_changed;

void pf_fresh(void *at, int64_t fill, int64_t size)
{
    unsigned char *to = at;
    if (fill < 256) {
        memset(at, (int)fill, (size_t)size);
        return;
    }
    for (int64_t k = 0; k < size; k++)
        to[k] = k % 4 == 0 ? (unsigned char)(fill - 255) : 0;
}

const int pf_width[10] = {4, 8, 1, 1, 2, 2, 4, 4, 8, 8};

/* Ordinals of binary32 run through the line of reals: -0 is -1, +0 is 0. */
static void fill_floats(int64_t first, long n, uint32_t *bits)
{
    if (first >= 0) {
        uint32_t base = (uint32_t)first;
        for (long i = 0; i < n; i++)
            bits[i] = base + (uint32_t)i;
        return;
    }
    for (long i = 0; i < n; i++) {
        int64_t k = first + i;
        bits[i] = k >= 0 ? (uint32_t)k : (0x80000000u | (uint32_t)(-1 - k));
    }
}

static void narrow(const int64_t *from, int type, unsigned char *to, long n)
{
#define STORE(T) { T *p = (T *)to; for (long i = 0; i < n; i++) p[i] = (T)from[i]; } break
    switch (type) {
    case PF_F32: STORE(float);
    case PF_F64: STORE(double);
    case PF_I8: case PF_U8: STORE(uint8_t);
    case PF_I16: case PF_U16: STORE(uint16_t);
    case PF_I32: case PF_U32: STORE(uint32_t);
    default: STORE(uint64_t);
    }
#undef STORE
}

void pf_to_double(const void *raw, int type, double scale, double *y, long n)
{
#define WIDEN(T) { const T *p = raw; for (long i = 0; i < n; i++) y[i] = (double)p[i] * scale; } break
    switch (type) {
    case PF_F32: WIDEN(float);
    case PF_F64: WIDEN(double);
    case PF_I8: WIDEN(int8_t);
    case PF_U8: WIDEN(uint8_t);
    case PF_I16: WIDEN(int16_t);
    case PF_U16: WIDEN(uint16_t);
    case PF_I32: WIDEN(int32_t);
    case PF_U32: WIDEN(uint32_t);
    case PF_I64: WIDEN(int64_t);
    default: WIDEN(uint64_t);
    }
#undef WIDEN
}

/* One loop per width: a call of memcpy per element would cost more than the firmware. */
void pf_gather(const void *from, int width, const int32_t *index, void *to, long n)
{
#define GATHER(T) { const T *a = from; T *b = to; for (long i = 0; i < n; i++) b[i] = a[index[i]]; } break
    switch (width) {
    case 1: GATHER(uint8_t);
    case 2: GATHER(uint16_t);
    case 4: GATHER(uint32_t);
    default: GATHER(uint64_t);
    }
#undef GATHER
}

void pf_reverse(const void *from, int width, void *to, long n)
{
#define REVERSE(T) { const T *a = from; T *b = to; for (long i = 0; i < n; i++) b[i] = a[n - 1 - i]; } break
    switch (width) {
    case 1: REVERSE(uint8_t);
    case 2: REVERSE(uint16_t);
    case 4: REVERSE(uint32_t);
    default: REVERSE(uint64_t);
    }
#undef REVERSE
}

/* Whether b holds the bits of a in reverse order. */
int pf_mirrored(const void *from, const void *back, int width, long n)
{
    int64_t different = 0;
#define MIRROR(T) { const T *a = from, *b = back; for (long i = 0; i < n; i++) different += a[i] != b[n - 1 - i]; } break
    switch (width) {
    case 1: MIRROR(uint8_t);
    case 2: MIRROR(uint16_t);
    case 4: MIRROR(uint32_t);
    default: MIRROR(uint64_t);
    }
#undef MIRROR
    return different == 0;
}

static void fill_one(const struct pf_input *in, int64_t first, long n, unsigned char *raw, double *value)
{
    if (in->grid == 2) {
        int width = pf_width[in->type];
        memcpy(raw, (const unsigned char *)in->raw + first * width, (size_t)(n * width));
    } else if (in->grid == 0 && in->type == PF_F32) {
        fill_floats(in->first + first, n, (uint32_t *)raw);
    } else if (in->grid == 0) {
        uint32_t bits[PF_BLOCK];
        fill_floats(in->first + first, n, bits);
        pf_to_double(bits, PF_F32, 1.0, (double *)raw, n);
    } else {
        int64_t whole[PF_BLOCK];
        for (long i = 0; i < n; i++)
            whole[i] = in->first + in->step * (first + i);
        narrow(whole, in->type, raw, n);
    }
    if (value)
        pf_to_double(raw, in->type, in->scale, value, n);
}

/* The first element again and again. */
static void spread(void *to, int width, long n)
{
#define SPREAD(T) { T *all = to; const T one = all[0]; for (long i = 1; i < n; i++) all[i] = one; } break
    switch (width) {
    case 1: SPREAD(uint8_t);
    case 2: SPREAD(uint16_t);
    case 4: SPREAD(uint32_t);
    default: SPREAD(uint64_t);
    }
#undef SPREAD
}

/* Several inputs: the ordinal counts through the product of the grids, the last input fastest. */
void pf_fill(const struct pf_job *job, int64_t ordinal, long n, unsigned char *const *raw, double *const *value)
{
    int64_t stride[8];
    int64_t product = 1;
    for (int k = job->inputs - 1; k >= 0; k--) {
        stride[k] = product;
        if (!job->zip)
            product *= job->input[k].count;
    }
    for (int k = 0; k < job->inputs; k++) {
        const struct pf_input *in = &job->input[k];
        int width = pf_width[in->type];
        if (job->zip || job->inputs == 1) {
            fill_one(in, ordinal, n, raw[k], value ? value[k] : NULL);
            continue;
        }
        for (long at = 0; at < n;) {
            int64_t place = ordinal + at;
            int64_t index = place / stride[k] % in->count;
            int64_t run = stride[k] == 1 ? in->count - index : stride[k] - place % stride[k];
            if (run > n - at)
                run = n - at;
            fill_one(in, index, stride[k] == 1 ? run : 1, raw[k] + at * width, value ? value[k] + at : NULL);
            if (stride[k] != 1) {
                spread(raw[k] + at * width, width, run);
                for (long i = 1; value && i < run; i++)
                    value[k][at + i] = value[k][at];
            }
            at += run;
        }
    }
}

/* Runs the firmware in the mode the sheet asks for, with clean status flags, and gives the flags it
   raised. A changed mode is noted, and our own is set again before anything else computes. */
unsigned pf_call(const struct pf_job *job, pf_loop loop, const void *const *inputs, void *output, long n,
                 int phase, int64_t base)
{
    struct pf_shared *shared = job->shared;
    unsigned wanted = PF_MODE_DEFAULT | (job->flush_to_zero ? PF_MODE_FLUSH : 0u);
    shared->phase = phase;
    shared->position[1] = base;
    shared->position[0] = 0;
    shared->entered++;
    pf_calls_enter(job, phase);
    errno = 0; /* what a call before this block left there is no input */
    pf_set(wanted);
    loop(inputs, output, n, shared->position);
    unsigned after = pf_get();
    pf_set(PF_MODE_DEFAULT);
    pf_mode_changed = pf_mode_of(after) != wanted;
    if (pf_mode_changed && shared->mode_changed_at < 0) {
        shared->mode_changed_at = base;
        shared->mode_before = wanted;
        shared->mode_after = pf_mode_of(after);
    }
    return pf_flags_of(after);
}
