/* The other build's loop on the same inputs, and how far the two results are apart. */
#include <string.h>
#include "engine_parts.h"

/* Distance of two floats in steps of binary32 or binary64, NaNs equal to each other. */
static int64_t line_of(int64_t bits, int64_t least) { return bits < 0 ? least - bits : bits; }

static double steps_apart(const struct pf_test *test, int type, const unsigned char *a, const unsigned char *b)
{
    if (type == PF_F32) {
        int32_t x, y;
        memcpy(&x, a, 4);
        memcpy(&y, b, 4);
        int nan_x = (x & 0x7fffffff) > 0x7f800000, nan_y = (y & 0x7fffffff) > 0x7f800000;
        int end_x = (x & 0x7fffffff) == 0x7f800000, end_y = (y & 0x7fffffff) == 0x7f800000;
        if (nan_x || nan_y)
            return nan_x && nan_y ? 0.0 : __builtin_inf();
        if (x != y && (end_x || end_y))
            return __builtin_inf();
        if (x == y)
            return 0.0;
        double apart = __builtin_fabs((double)(line_of(x, INT32_MIN) - line_of(y, INT32_MIN)));
        return apart == 0.0 && test->high < 0.0 ? 0.5 : apart;
    }
    int64_t x, y;
    memcpy(&x, a, 8);
    memcpy(&y, b, 8);
    const int64_t size = 0x7fffffffffffffff, top = 0x7ff0000000000000;
    int nan_x = (x & size) > top, nan_y = (y & size) > top;
    if (nan_x || nan_y)
        return nan_x && nan_y ? 0.0 : __builtin_inf();
    if (x == y)
        return 0.0;
    if ((x & size) == top || (y & size) == top)
        return __builtin_inf();
    double apart = __builtin_fabs((double)(line_of(x, INT64_MIN) - line_of(y, INT64_MIN)));
    return apart == 0.0 && test->high < 0.0 ? 0.5 : apart;
}

/* Distance of two results in their unit. */
static double values_apart(int type, const unsigned char *a, const unsigned char *b, double scale)
{
    double x, y;
    pf_to_double(a, type, scale, &x, 1);
    pf_to_double(b, type, scale, &y, 1);
    if (x == y || (x != x && y != y))
        return 0.0;
    double apart = __builtin_fabs(x - y);
    return apart == apart ? apart : __builtin_inf();
}

static int64_t whole_of(int type, const void *from, long i)
{
    switch (type) {
    case PF_I8: return ((const int8_t *)from)[i];
    case PF_U8: return ((const uint8_t *)from)[i];
    case PF_I16: return ((const int16_t *)from)[i];
    case PF_U16: return ((const uint16_t *)from)[i];
    case PF_I32: return ((const int32_t *)from)[i];
    case PF_U32: return ((const uint32_t *)from)[i];
    default: return ((const int64_t *)from)[i];
    }
}

/* The other build's loop on the same inputs; integers may be wider there (long). */
void pf_same(const struct pf_job *job, int number, struct pf_found *found, const struct pf_block *b)
{
    static unsigned char wide[8][PF_BLOCK * 8], other[PF_BLOCK * 8];
    const struct pf_test *test = &job->test[number];
    const void *inputs[8];
    int64_t changed = job->shared->mode_changed_at;
    for (int k = 0; k < job->inputs; k++) {
        int from = job->input[k].type, to = test->second_inputs[k];
        inputs[k] = b->raw[k];
        if (pf_width[from] == pf_width[to])
            continue;
        for (long i = 0; i < b->n; i++) {
            int64_t value = whole_of(from, b->raw[k], i);
            memcpy(wide[k] + i * pf_width[to], &value, (size_t)pf_width[to]);
        }
        inputs[k] = wide[k];
    }
    struct pf_job turned = *job;
    turned.flush_to_zero = test->second_flushed ? !job->flush_to_zero : job->flush_to_zero;
    pf_call(&turned, test->second, inputs, other, b->n, PF_OTHER, b->ordinal);
    job->shared->mode_changed_at = changed;
    int type = job->output_type, width = pf_width[type];
    long from = 0;
    if (type == test->second_type && memcmp(b->output, other, (size_t)(b->n * width)) == 0) {
        from = b->n;
        if (found->most < 0.0) {
            found->most = 0.0;
            found->most_at = b->ordinal;
        }
    }
    for (long i = from; i < b->n; i++) {
        double apart;
        if (test->second_flushed && test->metric == 0) {
            apart = values_apart(type, (const unsigned char *)b->output + i * width, other + i * width, job->output_scale);
        } else if (type == PF_F32 || type == PF_F64) {
            apart = steps_apart(test, type, (const unsigned char *)b->output + i * width, other + i * width);
        } else {
            int64_t x = whole_of(type, b->output, i), y = whole_of(test->second_type, other, i);
            apart = x == y ? 0.0 : __builtin_fabs((double)x - (double)y);
            apart = x != y && apart == 0.0 ? 1.0 : apart;
        }
        if (apart > found->most) {
            found->most = apart;
            found->most_at = b->ordinal + i;
        }
        if (apart > (test->high < 0.0 ? 0.0 : test->high))
            pf_fail(found, b->ordinal + i);
    }
    found->judged += b->n;
    if (found->least > 0.0) {
        found->least = 0.0;
        found->least_at = b->ordinal;
    }
}
