/* Claims that compare the routine with itself: order, octaves and other pairs, inverses, repetition. */
#include <math.h>
#include <string.h>
#include "engine_parts.h"

/* row is the number of consecutive ordinals over which the last input rises; the first of each row has no
   step. A step from or to NaN or between infinities is no step: it is skipped, and counted as such. */
void pf_order(const struct pf_test *test, struct pf_found *found, const struct pf_block *block,
              double before, int have_before, int64_t row)
{
    double step[PF_BLOCK];
    const double *y = block->y;
    long n = block->n, from = have_before ? 0 : 1;
    double sign = test->sign, least, most;
    int64_t unordered, starts = 0;
    if (row == 0 && found->least_at >= 0 && n > 1) {
        double floor = test->strict ? 0x1p-1074 : -test->high, first = have_before ? sign * (y[0] - before) : floor;
        floor = found->least > floor ? found->least : floor;
        if ((!have_before || first >= floor) && pf_steps_reach(y, n, sign, floor)) {
            found->judged += n - from;
            return;
        }
    }
    if (have_before)
        step[0] = sign * (y[0] - before);
    for (long i = 1; i < n; i++)
        step[i] = sign * (y[i] - y[i - 1]);
    if (row > 0)
        for (long i = (long)((row - block->ordinal % row) % row); i < n; i += row) {
            starts += i >= from;
            step[i] = __builtin_nan("");
        }
    if (n <= from)
        return;
    pf_extremes(step + from, n - from, &least, &most, &unordered);
    found->judged += n - from - unordered;
    found->skipped += unordered - starts;
    if (least < found->least) {
        found->least = least;
        found->least_at = pf_place(step + from, n - from, least, block->ordinal + from, NULL);
    }
    if (test->strict ? least > 0.0 : least >= -test->high)
        return;
    for (long i = from; i < n; i++)
        if (test->strict ? step[i] <= 0.0 : step[i] < -test->high)
            pf_fail(found, block->ordinal + i);
}

/* Partners an octave up. Only those that lie on the grid exactly count: the sum of input and octave may not
   round, or a step of the routine between two neighbours would pass for a wrong octave. */
static long partners(const struct pf_job *job, const struct pf_test *test, const struct pf_block *block, double *w,
                     unsigned char *valid)
{
    const struct pf_input *in = &job->input[0];
    const double *v = block->value[0], *y = block->y;
    double step = test->step, top = test->second_high, low = test->kind == PF_PAIR ? test->second_low : -__builtin_inf();
    long n = block->n, count = 0;
    if (test->kind == PF_PAIR && test->strict) {
        /* Mirrored: v and w add up to step. Only a sum that does not round makes a pair. */
        for (long i = 0; i < n; i++) {
            w[i] = in->type == PF_F32 || in->grid == 0 ? (double)(float)(step - v[i]) : step - v[i];
            valid[i] = (unsigned char)((w[i] <= top) & (w[i] >= low) & (step - w[i] == v[i]) & (y[i] - y[i] == 0.0));
            count += valid[i];
        }
        return count;
    }
    if (in->type == PF_F32 || in->grid == 0)
        for (long i = 0; i < n; i++)
            w[i] = (double)(float)(v[i] + step);
    else if (in->type != PF_F64)
        for (long i = 0; i < n; i++)
            w[i] = __builtin_rint((v[i] + step) / in->scale) * in->scale;
    else
        for (long i = 0; i < n; i++)
            w[i] = v[i] + step;
    for (long i = 0; i < n; i++)
        valid[i] = (unsigned char)((w[i] <= top) & (w[i] >= low) & (w[i] - step == v[i]) & (y[i] - y[i] == 0.0));
    for (long i = 0; i < n; i++)
        count += valid[i];
    return count;
}

void pf_octave(const struct pf_job *job, int number, struct pf_found *found, const struct pf_block *block)
{
    const struct pf_test *test = &job->test[number];
    const struct pf_input *in = &job->input[0];
    unsigned char raw[PF_BLOCK * 8], output[PF_BLOCK * 8];
    double w[PF_BLOCK], y2[PF_BLOCK], twice[PF_BLOCK];
    unsigned char valid[PF_BLOCK];
    int32_t index[PF_BLOCK];
    long n = partners(job, test, block, w, valid), calls = 0;
    found->skipped += block->n - n;
    if (n == 0)
        return;
    for (long i = 0; i < block->n; i++)
        if (valid[i]) {
            index[calls] = (int32_t)i;
            twice[calls] = test->kind == PF_PAIR ? test->sign * block->y[i] + test->second_scale : 2.0 * block->y[i];
            w[calls++] = w[i];
        }
    if (in->type == PF_F32) {
        float *narrow = (float *)raw;
        for (long i = 0; i < calls; i++)
            narrow[i] = (float)w[i];
    } else if (in->type == PF_F64) {
        memcpy(raw, w, (size_t)calls * 8);
    } else {
        for (long i = 0; i < calls; i++) {
            int64_t code = (int64_t)(w[i] / in->scale);
            memcpy(raw + (long)pf_width[in->type] * i, &code, (size_t)pf_width[in->type]);
        }
    }
    const void *inputs[1] = {raw};
    pf_call(job, job->loop, inputs, output, calls, PF_PARTNER, block->ordinal);
    pf_to_double(output, job->output_type, job->output_scale, y2, calls);
    pf_judge(job, number, found, y2, twice, n, block->ordinal, index);
}

void pf_inverse(const struct pf_job *job, int number, struct pf_found *found, const struct pf_block *block)
{
    const struct pf_test *test = &job->test[number];
    unsigned char raw[PF_BLOCK * 8], output[PF_BLOCK * 8];
    double x[PF_BLOCK], z[PF_BLOCK];
    int32_t index[PF_BLOCK];
    long n = 0;
    for (long i = 0; i < block->n; i++)
        if (block->y[i] >= test->second_low && block->y[i] <= test->second_high) {
            x[n] = block->value[0][i];
            index[n++] = (int32_t)i;
        }
    found->skipped += block->n - n;
    if (n == 0)
        return;
    pf_gather(block->output, pf_width[job->output_type], index, raw, n);
    const void *inputs[1] = {raw};
    pf_call(job, test->second, inputs, output, n, PF_BACK, block->ordinal);
    pf_to_double(output, test->second_type, test->second_scale, z, n);
    pf_judge(job, number, found, z, x, n, block->ordinal, index);
}

/* Both poles of z^2 + a1 z + a2 lie inside the circle where |a2| < 1 and |a1| - a2 < 1 (E. I. Jury, Theory and Application of
   the z-Transform Method, 1964); within r of 0 where those of z -> r z do. The larger of the two sides decides; what lies
   within what its own rounding can be is left open. */
void pf_poles(const struct pf_job *job, int number, struct pf_found *found, const struct pf_block *block)
{
    const struct pf_test *test = &job->test[number];
    unsigned char output[PF_BLOCK * 8];
    double z[PF_BLOCK], r = test->second_low;
    pf_call(job, test->second, block->raw, output, block->n, PF_SECOND, block->ordinal);
    pf_to_double(output, test->second_type, test->second_scale, z, block->n);
    for (long i = 0; i < block->n; i++) {
        const int64_t at = block->ordinal + i;
        const double p = test->sign > 0 ? block->y[i] : z[i], q = test->sign > 0 ? z[i] : block->y[i];
        double a1 = p, a2 = q, size = fabs(p) + fabs(q), doubt, most, under, pole;
        if (test->step == 1) {
            a1 = -p;
            a2 = -q;
        } else if (test->step == 2) {
            a1 = p * p + p * q - 2.0;
            a2 = 1.0 - p * q;
            size = 2.0 + p * p + fabs(p * q);
        }
        a1 /= r;
        a2 /= r * r;
        most = fmax(fabs(a2), fabs(a1) - a2);
        under = a1 * a1 - 4.0 * a2;
        pole = under < 0.0 ? sqrt(a2) : (fabs(a1) + sqrt(under)) / 2.0; /* how near it comes is told by the larger pole */
        doubt = 0x1p-48 * (1.0 + size) * (1.0 + 1.0 / (r * r));
        found->judged++;
        if (!isfinite(p) || !isfinite(q) || !isfinite(size))
            most = pole = INFINITY;
        if (pole < found->least) {
            found->least = pole;
            found->least_at = at;
        }
        if (pole > found->most) {
            found->most = pole;
            found->most_at = at;
        }
        if (most == INFINITY || most - doubt > 1.0)
            pf_fail(found, at);
        else if (!(most + doubt < 1.0))
            pf_keep_open(job, number, found, at);
    }
}

/* The same inputs again, last first: what came before must not matter. */
void pf_repeat(const struct pf_job *job, struct pf_found *found, const struct pf_block *block)
{
    unsigned char back[8][PF_BLOCK * 8], output[PF_BLOCK * 8];
    const void *inputs[8];
    long n = block->n;
    int width = pf_width[job->output_type];
    for (int k = 0; k < job->inputs; k++) {
        pf_reverse(block->raw[k], pf_width[job->input[k].type], back[k], n);
        inputs[k] = back[k];
    }
    pf_call(job, job->loop, inputs, output, n, PF_REPEAT, block->ordinal);
    found->judged += n;
    const unsigned char *first = block->output;
    if (pf_mirrored(first, output, width, n))
        return;
    for (long i = 0; i < n; i++) {
        const unsigned char *a = first + i * width, *b = output + (n - 1 - i) * width;
        if (memcmp(a, b, (size_t)width) == 0)
            continue;
        double ya, yb;
        pf_to_double(a, job->output_type, 1.0, &ya, 1);
        pf_to_double(b, job->output_type, 1.0, &yb, 1);
        if (ya != ya && yb != yb)
            continue;
        pf_fail(found, block->ordinal + i);
    }
}
