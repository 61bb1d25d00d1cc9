/* Passes over a block that are written in vectors: a plain loop waits for each comparison. */
#include <string.h>
#include "engine_parts.h"
#if defined(__AVX__)
#include <immintrin.h> /* here alone: reading it takes longer than compiling most files */
#endif

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

/* Least, most and the number of NaNs. Adding zero makes -0 and +0 one value, so that the result does not depend on how a hunt was cut. */
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

/* Whether all errors (y - r) / r, or y - r, surely lie in [low, high]. No division: y - r is compared with
   low r and high r, both drawn in by more than a product can round, so that "yes" is never wrong. "No" only
   means that the caller has to look. r below 2^-500, negative or not a number is "no". */
int pf_errors_within(const double *y, const double *r, long n, int relative, double low, double high)
{
    const double tiny = 0x1p-500;
    if (relative) {
        high -= __builtin_fabs(high) * 0x1p-50 + (high == 0.0 ? 0.0 : 0x1p-400);
        low += __builtin_fabs(low) * 0x1p-50 + (low == 0.0 ? 0.0 : 0x1p-400);
    }
    if (!(low <= high))
        return 0;
    lanes lows = {low, low, low, low}, highs = {high, high, high, high}, least = {tiny, tiny, tiny, tiny};
    whole_lanes good = {-1, -1, -1, -1};
    long i = 0;
    if (relative)
        for (; i + 4 <= n; i += 4) {
            lanes a, b;
            memcpy(&a, y + i, sizeof a);
            memcpy(&b, r + i, sizeof b);
            lanes d = a - b;
            good &= (d <= highs * b) & (d >= lows * b) & (b >= least);
        }
    else
        for (; i + 4 <= n; i += 4) {
            lanes a, b;
            memcpy(&a, y + i, sizeof a);
            memcpy(&b, r + i, sizeof b);
            lanes d = a - b;
            good &= (d <= highs) & (d >= lows);
        }
    int all = (good[0] & good[1] & good[2] & good[3]) != 0;
    for (; i < n; i++) {
        double d = y[i] - r[i], scale = relative ? r[i] : 1.0;
        all &= d <= high * scale && d >= low * scale && scale >= tiny;
    }
    return all;
}

/* Whether each of the n - 1 steps of y, times sign, is at least the given one; not when one is no number. */
int pf_steps_reach(const double *y, long n, double sign, double least)
{
    const double *upper = sign > 0 ? y + 1 : y, *lower = sign > 0 ? y : y + 1;
    lanes floor = {least, least, least, least};
    whole_lanes good = {-1, -1, -1, -1};
    long i = 0;
    for (; i + 4 <= n - 1; i += 4) {
        lanes a, b;
        memcpy(&a, upper + i, sizeof a);
        memcpy(&b, lower + i, sizeof b);
        good &= a - b >= floor;
    }
    int all = (good[0] & good[1] & good[2] & good[3]) != 0;
    for (; i < n - 1; i++)
        all &= upper[i] - lower[i] >= least;
    return all;
}

typedef float narrow_lanes __attribute__((vector_size(32)));
typedef int32_t narrow_whole __attribute__((vector_size(32)));
typedef float half_lanes __attribute__((vector_size(16)));

static narrow_whole pick_narrow(narrow_whole mask, narrow_whole a, narrow_whole b)
{
    return (a & mask) | (b & ~mask);
}

/* Widens a block of binary32 and gives its ends; "no" when one of them is zero, subnormal or not finite. */
int pf_widen_normal(const float *from, double *y, long n, double *least, double *most)
{
    narrow_whole sizes = {-1, -1, -1, -1, -1, -1, -1, -1}, small = sizes & 0x7fffffff, large = sizes & 0;
    narrow_lanes low = {0}, high;
    long i = 0;
    low += __builtin_inff();
    high = -low;
    sizes &= 0x7fffffff;
    for (; i + 8 <= n; i += 8) {
        narrow_lanes v;
        half_lanes parts[2];
        memcpy(&v, from + i, sizeof v);
        memcpy(parts, &v, sizeof v);
        lanes first = __builtin_convertvector(parts[0], lanes), second = __builtin_convertvector(parts[1], lanes);
        memcpy(y + i, &first, sizeof first);
        memcpy(y + i + 4, &second, sizeof second);
        narrow_whole m = (narrow_whole)v & sizes;
        small = pick_narrow(m < small, m, small);
        large = pick_narrow(m > large, m, large);
#if defined(__AVX__)
        low = (narrow_lanes)_mm256_min_ps((__m256)v, (__m256)low);
        high = (narrow_lanes)_mm256_max_ps((__m256)v, (__m256)high);
#else
        low = (narrow_lanes)pick_narrow(v < low, (narrow_whole)v, (narrow_whole)low);
        high = (narrow_lanes)pick_narrow(v > high, (narrow_whole)v, (narrow_whole)high);
#endif
    }
    int32_t smallest = 0x7fffffff, largest = 0;
    float down = __builtin_inff(), up = -down;
    for (int k = 0; k < 8; k++) {
        smallest = small[k] < smallest ? small[k] : smallest;
        largest = large[k] > largest ? large[k] : largest;
        down = low[k] < down ? low[k] : down;
        up = high[k] > up ? high[k] : up;
    }
    for (; i < n; i++) {
        int32_t m;
        memcpy(&m, from + i, 4);
        m &= 0x7fffffff;
        y[i] = (double)from[i];
        smallest = m < smallest ? m : smallest;
        largest = m > largest ? m : largest;
        down = from[i] < down ? from[i] : down;
        up = from[i] > up ? from[i] : up;
    }
    *least = (double)down;
    *most = (double)up;
    return smallest >= 0x800000 && largest < 0x7f800000;
}
