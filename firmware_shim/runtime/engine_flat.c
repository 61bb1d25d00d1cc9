/* Blocks whose results all have the same bits: most floats from 0 to 5 V lie so near to zero that the routine
   gives one number over many thousands of them. A reference that keeps to one direction has its largest and
   smallest error at the ends of such a block, so two inputs tell what a thousand would. */
#include <string.h>
#include "engine_parts.h"

/* Consecutive ordinals of one input are in order; a list of raw values need not be. */
int pf_may_be_flat(const struct pf_job *job)
{
    return job->inputs == 1 && job->input[0].grid != 2 && (job->output_type == PF_F32 || job->output_type == PF_F64);
}

static int has_one_result(const void *output, int width, long n)
{
    return n > 2 && memcmp(output, (const unsigned char *)output + width, (size_t)(n - 1) * (size_t)width) == 0;
}

/* Sets y at the ends and the extremes; "no" for a result that is zero, subnormal or not finite. */
int pf_flatten(const struct pf_job *job, struct pf_block *b)
{
    double y;
    if (!has_one_result(b->output, pf_width[job->output_type], b->n))
        return 0;
    if (job->output_type == PF_F32) {
        uint32_t bits;
        float narrow;
        memcpy(&bits, b->output, 4);
        bits &= 0x7fffffffu;
        if (bits < 0x800000u || bits >= 0x7f800000u)
            return 0;
        memcpy(&narrow, b->output, 4);
        y = (double)narrow;
    } else {
        uint64_t bits;
        memcpy(&bits, b->output, 8);
        bits &= 0x7fffffffffffffffu;
        if (bits < 0x10000000000000u || bits >= 0x7ff0000000000000u)
            return 0;
        memcpy(&y, b->output, 8);
    }
    y *= job->output_scale;
    b->y[0] = b->y[1] = b->y[b->n - 1] = b->least = b->most = y;
    return 1;
}

static void ends_of(const struct pf_job *job, const struct pf_block *b, double *value)
{
    const struct pf_input *in = &job->input[0];
    int width = pf_width[in->type];
    const unsigned char *raw = b->raw[0];
    pf_to_double(raw, in->type, in->scale, &value[0], 1);
    pf_to_double(raw + (b->n - 1) * width, in->type, in->scale, &value[1], 1);
}

/* The errors in between lie between those at the ends, so these decide where both are clear of the limits. */
static int judge_ends(const struct pf_job *job, const struct pf_test *test, struct pf_found *found,
                      const struct pf_block *b)
{
    double value[2], reference[2], y[2] = {b->y[0], b->y[0]}, e[2], m = test->margin;
    const double *inputs[1] = {value};
    if (!test->monotone || test->metric > 1 || test->band > 0.0)
        return 0;
    ends_of(job, b, value);
    test->screen(inputs, reference, 2);
    if (test->metric == 1 && !(reference[0] * reference[1] > 0.0))
        return 0; /* a quotient runs off where the reference crosses zero */
    pf_errors_of(test->metric, y, reference, e, 2);
    for (int k = 0; k < 2; k++)
        if (!(e[k] <= test->high - m && e[k] >= test->low + m))
            return 0;
    found->judged += b->n;
    for (int k = 0; k < 2; k++) {
        int64_t at = k ? b->ordinal + b->n - 1 : b->ordinal;
        if (e[k] < found->least) {
            found->least = e[k] + 0.0;
            found->least_at = at;
        }
        if (e[k] > found->most) {
            found->most = e[k] + 0.0;
            found->most_at = at;
        }
    }
    return 1;
}

static int order_of_ends(const struct pf_test *test, struct pf_found *found, struct pf_block *b, double before,
                         int have_before)
{
    struct pf_block pair = *b;
    if (test->strict)
        return 0;
    pair.n = 2;
    pf_order(test, found, &pair, before, have_before, 0);
    found->judged += b->n - 2;
    return 1;
}

/* Runs one test on a flat block; "no" when it has to be looked at value by value. */
int pf_test_flat(const struct pf_job *job, int number, struct pf_found *found, struct pf_block *b, double before,
                 int have_before)
{
    const struct pf_test *test = &job->test[number];
    double value[2];
    switch (test->kind) {
    case PF_ACCURATE:
        return judge_ends(job, test, found, b);
    case PF_ORDER:
        return order_of_ends(test, found, b, before, have_before);
    case PF_RANGE:
        return b->least >= test->low && b->most <= test->high && (pf_test_range(job, number, found, b), 1);
    case PF_DETERMINISTIC:
        pf_repeat(job, found, b);
        return 1;
    case PF_OCTAVE:
        /* Inputs so small that the sum rounds to the octave itself have no partner on the grid. */
        ends_of(job, b, value);
        if (job->input[0].type != PF_F32 || job->input[0].grid != 0 || !(value[0] > 0.0 && value[1] < test->step * 0x1p-25))
            return 0;
        found->skipped += b->n;
        return 1;
    default:
        return 0;
    }
}
