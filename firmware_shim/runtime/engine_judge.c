/* Errors against the screen. Values within the margin of a limit stay open for the exact reference. */
#include <string.h>
#include "engine_parts.h"

void pf_fail(struct pf_found *found, int64_t at)
{
    found->failing++;
    if (found->first_failing < 0 || at < found->first_failing)
        found->first_failing = at;
    if (at > found->last_failing)
        found->last_failing = at;
}

static void errors_absolute(const double *y, const double *r, double *e, long n)
{
    for (long i = 0; i < n; i++)
        e[i] = y[i] - r[i];
}

static void errors_relative(const double *y, const double *r, double *e, long n)
{
    for (long i = 0; i < n; i++)
        e[i] = (y[i] - r[i]) / r[i];
}

/* ulp(x) = 2^(max(e, -126) - 23) for x in [2^e, 2^(e+1)). */
static void errors_ulp(const double *y, const double *r, double *e, long n)
{
    for (long i = 0; i < n; i++) {
        uint64_t bits, scale;
        memcpy(&bits, &r[i], 8);
        uint64_t exponent = (bits >> 52) & 0x7ffu;
        exponent = exponent < 897u ? 897u : exponent;
        scale = (uint64_t)(2046u - exponent + 23u) << 52;
        double factor;
        memcpy(&factor, &scale, 8);
        e[i] = (y[i] - r[i]) * factor;
    }
}

/* The screen may stand on the other side of a power of two than the truth. */
static int near_power_of_two(double r)
{
    uint64_t bits;
    memcpy(&bits, &r, 8);
    uint64_t part = bits & 0xfffffffffffffu;
    return part < 4096u || part > 0xfffffffffffffu - 4096u;
}

static void keep_open(const struct pf_job *job, int number, struct pf_found *found, int64_t at)
{
    found->open++;
    if (job->shared->opens < job->open_capacity) {
        struct pf_open *slot = &job->open[job->shared->opens++];
        slot->test = number;
        slot->at = at;
    }
}

typedef double lanes __attribute__((vector_size(32)));
typedef int64_t whole_lanes __attribute__((vector_size(32)));

/* a where a < b (a > b), else b: NaN in a never wins. One instruction where the machine has it. */
#if defined(__AVX__)
static lanes lower(lanes a, lanes b) { return (lanes)_mm256_min_pd((__m256d)a, (__m256d)b); }
static lanes higher(lanes a, lanes b) { return (lanes)_mm256_max_pd((__m256d)a, (__m256d)b); }
#else
static lanes pick(whole_lanes mask, lanes a, lanes b)
{
    return (lanes)(((whole_lanes)a & mask) | ((whole_lanes)b & ~mask));
}
static lanes lower(lanes a, lanes b) { return pick(a < b, a, b); }
static lanes higher(lanes a, lanes b) { return pick(a > b, a, b); }
#endif

/* Least, most and the number of NaNs. Written in vectors: a plain loop waits for each comparison. Adding
   zero makes -0 and +0 one value, so that the result does not depend on how a hunt was cut. */
void pf_extremes(const double *e, long n, double *least, double *most, int64_t *unordered)
{
    const double top = __builtin_inf();
    lanes low[4], high[4];
    whole_lanes bad = {0, 0, 0, 0};
    long i = 0;
    for (int k = 0; k < 4; k++) {
        low[k] = (lanes){top, top, top, top};
        high[k] = -low[k];
    }
    for (; i + 16 <= n; i += 16)
        for (int k = 0; k < 4; k++) {
            lanes v;
            memcpy(&v, e + i + 4 * k, sizeof v);
            low[k] = lower(v, low[k]);
            high[k] = higher(v, high[k]);
            bad += v != v;
        }
    double down = top, up = -top;
    int64_t count = -(bad[0] + bad[1] + bad[2] + bad[3]);
    for (int k = 0; k < 16; k++) {
        double l = low[k / 4][k % 4], h = high[k / 4][k % 4];
        down = l < down ? l : down;
        up = h > up ? h : up;
    }
    for (; i < n; i++) {
        down = e[i] < down ? e[i] : down;
        up = e[i] > up ? e[i] : up;
        count += e[i] != e[i];
    }
    *least = down + 0.0;
    *most = up + 0.0;
    *unordered = count;
}

int64_t pf_place(const double *e, long n, double wanted, int64_t ordinal, const int32_t *index)
{
    /* A rising routine has its most in the last place of every block: skip in vectors what cannot be it. */
    long from = 0;
    for (; from + 64 <= n; from += 64) {
        int64_t any = 0;
        for (int k = 0; k < 64; k++)
            any |= e[from + k] == wanted;
        if (any)
            break;
    }
    for (long i = from; i < n; i++)
        if (e[i] == wanted)
            return ordinal + (index ? index[i] : i);
    return ordinal;
}

void pf_judge(const struct pf_job *job, int number, struct pf_found *found, const double *y,
              const double *reference, long n, int64_t ordinal, const int32_t *index)
{
    const struct pf_test *test = &job->test[number];
    double e[PF_BLOCK];
    double least, most;
    int64_t unordered;
    if (n <= 0)
        return;
    if (test->metric == 0)
        errors_absolute(y, reference, e, n);
    else if (test->metric == 1)
        errors_relative(y, reference, e, n);
    else
        errors_ulp(y, reference, e, n);
    pf_extremes(e, n, &least, &most, &unordered);
    found->judged += n;
    if (least < found->least) {
        found->least = least;
        found->least_at = pf_place(e, n, least, ordinal, index);
    }
    if (most > found->most) {
        found->most = most;
        found->most_at = pf_place(e, n, most, ordinal, index);
    }
    double m = test->margin;
    if (!unordered && least >= test->low + m && most <= test->high - m)
        return;
    for (long i = 0; i < n; i++) {
        int64_t at = ordinal + (index ? index[i] : i);
        int clear_fail = e[i] > test->high + m || e[i] < test->low - m;
        if (clear_fail && !(test->metric == 2 && near_power_of_two(reference[i])))
            pf_fail(found, at);
        else if (clear_fail || !(e[i] <= test->high - m && e[i] >= test->low + m))
            keep_open(job, number, found, at);
    }
}
