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

void pf_keep_open(const struct pf_job *job, int number, struct pf_found *found, int64_t at)
{
    found->open++;
    if (job->shared->opens < job->open_capacity) {
        struct pf_open *slot = &job->open[job->shared->opens++];
        slot->test = number;
        slot->at = at;
    }
}

void pf_errors_of(int metric, const double *y, const double *r, double *e, long n)
{
    if (metric == 0)
        errors_absolute(y, r, e, n);
    else if (metric == 1)
        errors_relative(y, r, e, n);
    else
        errors_ulp(y, r, e, n);
}

/* Near a decision of the reference both sides are right: an error outside the limit is replaced by that against
   the reference a band further up or down, where that one is within. */
static void other_sides(const struct pf_job *job, const struct pf_test *test, struct pf_found *found, const double *y,
                        double *e, long n, int64_t ordinal, const int32_t *index)
{
    static unsigned char raw_store[8][8];
    static double value_store[8];
    unsigned char *raw[8];
    double *value[8];
    const double *inputs[8];
    for (int k = 0; k < 8; k++) {
        raw[k] = raw_store[k];
        inputs[k] = value[k] = &value_store[k];
    }
    for (long i = 0; i < n; i++) {
        if (e[i] <= test->high && e[i] >= test->low)
            continue;
        pf_fill(job, ordinal + (index ? index[i] : i), 1, raw, value);
        double middle = value_store[0];
        for (int side = -1; side <= 1; side += 2) {
            double reference, error;
            value_store[0] = middle + side * test->band;
            test->screen(inputs, &reference, 1);
            pf_errors_of(test->metric, &y[i], &reference, &error, 1);
            if (error <= test->high && error >= test->low) {
                e[i] = error;
                found->skipped++;
                break;
            }
        }
    }
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
    double m = test->margin;
    if (test->metric < 2 && found->least_at >= 0) {
        double low = found->least > test->low + m ? found->least : test->low + m;
        double high = found->most < test->high - m ? found->most : test->high - m;
        if (pf_errors_within(y, reference, n, test->metric == 1, low, high)) {
            found->judged += n;
            return;
        }
    }
    pf_errors_of(test->metric, y, reference, e, n);
    if (test->band > 0.0)
        other_sides(job, test, found, y, e, n, ordinal, index);
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
    if (!unordered && least >= test->low + m && most <= test->high - m)
        return;
    for (long i = 0; i < n; i++) {
        int64_t at = ordinal + (index ? index[i] : i);
        int clear_fail = e[i] > test->high + m || e[i] < test->low - m;
        if (clear_fail && !(test->metric == 2 && near_power_of_two(reference[i])))
            pf_fail(found, at);
        else if (clear_fail || !(e[i] <= test->high - m && e[i] >= test->low + m))
            pf_keep_open(job, number, found, at);
    }
}
