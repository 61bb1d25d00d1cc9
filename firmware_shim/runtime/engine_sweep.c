/* One job: segments of consecutive ordinals, block by block. */
#define _GNU_SOURCE
#include <string.h>
#include <unistd.h>
#include <sys/mman.h>
#include "engine_parts.h"
#include "engine_calls.h"
#include "refusals.h"

static unsigned char raw_store[8][PF_AHEAD * 8], output_store[PF_AHEAD * 8], spare_store[PF_AHEAD * 8];
static double value_store[8][PF_AHEAD], y_store[PF_BLOCK], reference_store[PF_BLOCK];
static volatile unsigned char *process_mark;
static unsigned char region_copy[1 << 16];

/* Results that are not all normal numbers of binary32. */
static void look_closer(struct pf_result *r, struct pf_block *b, int type)
{
    int64_t nans = 0, infinities = 0, subnormals = 0, unordered;
    pf_extremes(b->y, b->n, &b->least, &b->most, &unordered);
    if (type == PF_F32) {
        const uint32_t *u = b->output;
        int32_t odd = 0;
        for (long i = 0; i < b->n; i++) {
            uint32_t m = u[i] & 0x7fffffffu;
            odd += (m >= 0x7f800000u) | ((m - 1u) < 0x7fffffu);
        }
        if (!odd)
            return;
    } else if (type != PF_F64) {
        return;
    }
    for (long i = 0; i < b->n; i++) {
        int is_nan, is_infinite, is_subnormal;
        if (type == PF_F32) {
            uint32_t m = ((const uint32_t *)b->output)[i] & 0x7fffffffu;
            is_nan = m > 0x7f800000u;
            is_infinite = m == 0x7f800000u;
            is_subnormal = m != 0 && m < 0x800000u;
        } else {
            uint64_t m = ((const uint64_t *)b->output)[i] & 0x7fffffffffffffffu;
            is_nan = m > 0x7ff0000000000000u;
            is_infinite = m == 0x7ff0000000000000u;
            is_subnormal = m != 0 && m < 0x10000000000000u;
        }
        if (is_nan && nans++ == 0 && r->first_nan < 0)
            r->first_nan = b->ordinal + i;
        if (is_infinite && infinities++ == 0 && r->first_infinity < 0)
            r->first_infinity = b->ordinal + i;
        if (is_subnormal && subnormals++ == 0 && r->first_subnormal < 0)
            r->first_subnormal = b->ordinal + i;
    }
    r->nans += nans;
    r->infinities += infinities;
    r->subnormals += subnormals;
    b->nonfinite = nans + infinities > 0;
}

static void note_extremes(struct pf_result *r, struct pf_block *b)
{
    if (b->least < r->least_output) {
        r->least_output = b->least;
        r->least_output_at = pf_place(b->y, b->n, b->least, b->ordinal, NULL);
    }
    if (b->most > r->most_output) {
        r->most_output = b->most;
        r->most_output_at = pf_place(b->y, b->n, b->most, b->ordinal, NULL);
    }
}

/* The block's extremes are known already; only a block that leaves the range is looked at again. */
void pf_test_range(const struct pf_job *job, int t, struct pf_found *found, const struct pf_block *b)
{
    const struct pf_test *test = &job->test[t];
    if (b->least < test->low || b->most > test->high) {
        memset(reference_store, 0, (size_t)b->n * sizeof *reference_store);
        pf_judge(job, t, found, b->y, reference_store, b->n, b->ordinal, NULL);
        return;
    }
    found->judged += b->n;
    if (b->least < found->least) {
        found->least = b->least;
        found->least_at = pf_place(b->y, b->n, b->least, b->ordinal, NULL);
    }
    if (b->most > found->most) {
        found->most = b->most;
        found->most_at = pf_place(b->y, b->n, b->most, b->ordinal, NULL);
    }
}

static unsigned call_part(const struct pf_job *job, const struct pf_block *b, long from, long n)
{
    const void *inputs[8];
    for (int k = 0; k < job->inputs; k++)
        inputs[k] = (const unsigned char *)b->raw[k] + from * pf_width[job->input[k].type];
    return pf_call(job, job->loop, inputs, spare_store, n, PF_HALVING, b->ordinal + from);
}

static void restore_regions(const struct pf_job *job, int64_t total)
{
    if (total == 0 || total > (int64_t)sizeof region_copy)
        return;
    const unsigned char *copy = region_copy;
    for (int64_t k = 0; k < job->regions; k++) {
        memcpy(job->region[k].start, copy, (size_t)job->region[k].size);
        copy += job->region[k].size;
    }
}

static void pin_flags(const struct pf_job *job, struct pf_result *r, const struct pf_block *b, unsigned flags,
                      int64_t total)
{
    for (int kind = 0; kind < 5; kind++) {
        unsigned bit = 1u << kind;
        if (!(flags & bit))
            continue;
        r->flagged_blocks[kind]++;
        if (r->first_flag[kind] >= 0)
            continue;
        long from = 0, n = b->n;
        restore_regions(job, total);
        while (n > 1) {
            long half = n / 2;
            if (call_part(job, b, from, half) & bit) {
                n = half;
            } else {
                from += half;
                n -= half;
            }
        }
        if (call_part(job, b, from, 1) & bit)
            r->first_flag[kind] = b->ordinal + from;
        else if (r->flag_not_reproduced[kind] < 0)
            r->flag_not_reproduced[kind] = b->ordinal;
    }
}

/* The first input of the block that leaves another floating-point mode behind. */
static void pin_mode(const struct pf_job *job, const struct pf_block *b, int64_t total)
{
    long from = 0, n = b->n;
    restore_regions(job, total);
    while (n > 1) {
        long half = n / 2;
        call_part(job, b, from, half);
        if (pf_mode_changed) {
            n = half;
        } else {
            from += half;
            n -= half;
        }
    }
    job->shared->mode_changed_at = b->ordinal + from;
}

static int64_t copy_regions(const struct pf_job *job)
{
    int64_t total = 0;
    for (int64_t k = 0; k < job->regions; k++)
        total += job->region[k].size;
    if (total > (int64_t)sizeof region_copy)
        return total;
    unsigned char *copy = region_copy;
    for (int64_t k = 0; k < job->regions; k++) {
        memcpy(copy, job->region[k].start, (size_t)job->region[k].size);
        copy += job->region[k].size;
    }
    return total;
}

static void compare_regions(const struct pf_job *job, int64_t total, int64_t ordinal)
{
    if (total == 0 || total > (int64_t)sizeof region_copy || job->shared->written_at >= 0)
        return;
    const unsigned char *copy = region_copy;
    for (int64_t k = 0; k < job->regions; k++) {
        const unsigned char *now = job->region[k].start;
        if (memcmp(now, copy, (size_t)job->region[k].size) != 0) {
            int64_t i = 0;
            while (now[i] == copy[i])
                i++;
            job->shared->written_at = ordinal;
            job->shared->written_address = (int64_t)(uintptr_t)(now + i);
            return;
        }
        copy += job->region[k].size;
    }
}

/* Results that are not finite fail at once; the others are judged with their own places. */
static void judge_finite(const struct pf_job *job, int t, struct pf_found *found, const struct pf_block *b)
{
    double y[PF_BLOCK], reference[PF_BLOCK];
    int32_t index[PF_BLOCK];
    long n = 0;
    for (long i = 0; i < b->n; i++) {
        if (b->y[i] - b->y[i] != 0.0) {
            found->judged++;
            pf_fail(found, b->ordinal + i);
            continue;
        }
        y[n] = b->y[i];
        reference[n] = reference_store[i];
        index[n++] = (int32_t)i;
    }
    pf_judge(job, t, found, y, reference, n, b->ordinal, index);
}

/* What a block that may be flat went without so far. */
static void make_whole(const struct pf_job *job, struct pf_block *b)
{
    if (b->whole)
        return;
    pf_to_double(b->raw[0], job->input[0].type, job->input[0].scale, b->value[0], b->n);
    if (b->flat)
        pf_to_double(b->output, job->output_type, job->output_scale, b->y, b->n);
    b->whole = 1;
}

/* step: one whole block in so many is repeated, spread by a hash; what is shorter always is. */
static int is_repeated(const struct pf_test *test, const struct pf_block *b)
{
    uint64_t spread = (uint64_t)(b->ordinal / PF_BLOCK) * 0x9e3779b97f4a7c15u >> 32;
    return test->step <= 1.0 || b->n < PF_BLOCK || spread % (uint64_t)test->step == 0;
}

static void run_tests(const struct pf_job *job, struct pf_result *r, struct pf_block *b, double before,
                      int have_before, int64_t row)
{
    const double *values[8];
    for (int k = 0; k < job->inputs; k++)
        values[k] = b->value[k];
    for (int t = 0; t < job->tests; t++) {
        const struct pf_test *test = &job->test[t];
        struct pf_found *found = &r->found[t];
        if (test->kind == PF_DETERMINISTIC && !is_repeated(test, b))
            continue;
        if (b->flat && pf_test_flat(job, t, found, b, before, have_before))
            continue;
        make_whole(job, b);
        if (test->kind == PF_ACCURATE || test->kind == PF_RANGE) {
            if (test->kind == PF_RANGE && !b->nonfinite) {
                pf_test_range(job, t, found, b);
                continue;
            }
            if (test->kind == PF_RANGE)
                memset(reference_store, 0, (size_t)b->n * sizeof *reference_store);
            else
                test->screen(values, reference_store, b->n);
            if (!b->nonfinite)
                pf_judge(job, t, found, b->y, reference_store, b->n, b->ordinal, NULL);
            else
                judge_finite(job, t, found, b);
        } else if (test->kind == PF_ORDER) {
            pf_order(test, found, b, before, have_before, row);
        } else if (test->kind == PF_OCTAVE || test->kind == PF_PAIR) {
            pf_octave(job, t, found, b);
        } else if (test->kind == PF_INVERSE) {
            pf_inverse(job, t, found, b);
        } else if (test->kind == PF_POLES) {
            pf_poles(job, t, found, b);
        } else if (test->kind == PF_DETERMINISTIC) {
            pf_repeat(job, found, b);
        } else if (test->kind == PF_SAME) {
            pf_same(job, t, found, b);
        }
    }
}

static void keep_each(const struct pf_job *job, const struct pf_block *b)
{
    int width = pf_width[job->output_type];
    if (job->keep_outputs)
        memcpy(job->keep_outputs + b->ordinal * width, b->output, (size_t)(b->n * width));
    if (job->keep_flags_on)
        for (long i = 0; i < b->n; i++)
            job->keep_flags[b->ordinal + i] = (unsigned char)call_part(job, b, i, 1);
}

/* A page that the kernel clears in every forked process: a firmware that forks is seen at no cost. */
void pf_mark_process(void)
{
    static unsigned char here = 1;
    process_mark = mmap(NULL, 4096, PROT_READ | PROT_WRITE, MAP_PRIVATE | MAP_ANONYMOUS, -1, 0);
    if (process_mark == MAP_FAILED || madvise((void *)process_mark, 4096, MADV_WIPEONFORK) != 0)
        process_mark = &here;
    *process_mark = 1;
}

/* The part of a call's inputs and results from one on, at most a block of them. */
static struct pf_block part_of(const struct pf_job *job, const struct pf_block *call, long from)
{
    struct pf_block part = *call;
    part.n = call->n - from < PF_BLOCK ? call->n - from : PF_BLOCK;
    part.ordinal += from;
    part.output = (unsigned char *)call->output + from * pf_width[job->output_type];
    for (int k = 0; k < job->inputs; k++) {
        part.raw[k] = (const unsigned char *)call->raw[k] + from * pf_width[job->input[k].type];
        part.value[k] = call->value[k] + from;
    }
    return part;
}

static void fill(const struct pf_job *job, const struct pf_block *call, int with_values)
{
    for (long from = 0; from < call->n; from += PF_BLOCK) {
        unsigned char *raw[8];
        struct pf_block part = part_of(job, call, from);
        for (int k = 0; k < job->inputs; k++)
            raw[k] = raw_store[k] + from * pf_width[job->input[k].type];
        pf_fill(job, part.ordinal, part.n, raw, with_values ? part.value : NULL);
    }
}

/* Runs the routine over a call's inputs and looks at what it did beside its results; the flags that it raised. */
static unsigned run_call(const struct pf_job *job, struct pf_block *call, int64_t *total)
{
    *total = copy_regions(job);
    pf_calls_before(job);
    unsigned flags = pf_call(job, job->loop, call->raw, call->output, call->n, PF_OWN, call->ordinal);
    int changed = pf_mode_changed && job->shared->mode_changed_at == call->ordinal;
    compare_regions(job, *total, call->ordinal);
    if (changed)
        pin_mode(job, call, *total);
    pf_calls_after(job, call, spare_store);
    if (!*process_mark) {
        job->shared->forked_at = PF_STARTED_SOMEWHERE;
        _exit(99);
    }
    return flags;
}

/* before: the result before this block's first, where have_before says that there is one; then the block's last. */
static void judge_block(const struct pf_job *job, struct pf_result *r, struct pf_block *block, int may_be_flat,
                        double *before, int have_before, int64_t row)
{
    block->flat = may_be_flat && pf_flatten(job, block);
    int plain = block->flat || (job->output_type == PF_F32 && job->output_scale == 1.0 &&
                                pf_widen_normal(block->output, block->y, block->n, &block->least, &block->most));
    if (!plain)
        pf_to_double(block->output, job->output_type, job->output_scale, block->y, block->n);
    if (may_be_flat && !block->flat)
        make_whole(job, block);
    if (!plain)
        look_closer(r, block, job->output_type);
    note_extremes(r, block);
    run_tests(job, r, block, *before, have_before, row);
    keep_each(job, block);
    if (!have_before)
        r->first_output = block->y[0];
    *before = r->last_output = block->y[block->n - 1];
}

/* Two builds side by side and nothing else: each call's results are compared as they are. */
static int is_bare(const struct pf_job *job)
{
    return job->tests == 1 && job->test[0].kind == PF_SAME && job->test[0].strict && !job->keep_outputs &&
           !job->keep_flags_on;
}

void pf_sweep(struct pf_job *job)
{
    int may_be_flat = pf_may_be_flat(job), bare = is_bare(job);
    long most = (long)job->ahead * PF_BLOCK;
    int64_t row = job->inputs > 1 && !job->zip ? job->input[job->inputs - 1].count : 0, total;
    struct pf_block call = {.output = output_store, .y = y_store, .whole = !may_be_flat};
    for (int k = 0; k < 8; k++) {
        call.raw[k] = raw_store[k];
        call.value[k] = value_store[k];
    }
    pf_calls_begin(job);
    for (int64_t s = 0; s < job->segments; s++) {
        const struct pf_segment *segment = &job->segment[s];
        struct pf_result *r = &job->result[s];
        double before = 0.0;
        job->shared->segment = s;
        for (int64_t at = 0; at < segment->count; at += call.n) {
            int64_t left = segment->count - at;
            call.n = left < most ? (long)left : most;
            call.ordinal = segment->start + at;
            fill(job, &call, !may_be_flat && !bare);
            unsigned flags = run_call(job, &call, &total) & (unsigned)segment->flag_mask;
            if (flags)
                pin_flags(job, r, &call, flags, total);
            for (long from = 0; from < call.n; from += PF_BLOCK) {
                struct pf_block block = part_of(job, &call, from);
                if (bare)
                    pf_same(job, 0, &r->found[0], &block);
                else
                    judge_block(job, r, &block, may_be_flat, &before, at + from > 0, row);
                r->done = at + from + block.n;
            }
        }
    }
    job->shared->done = 1;
}
