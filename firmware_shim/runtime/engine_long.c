/* Long runs: every sample of a day is computed by the author's code; periods are compared block by block. */
#define _GNU_SOURCE
#include <float.h>
#include <string.h>
#include <time.h>
#include "engine_long_parts.h"

static double seconds_now(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static void note_fresh(struct pf_long *l, unsigned flags, int64_t period, int64_t sample)
{
    for (int kind = 0; kind < 5; kind++)
        if ((flags & (1u << kind)) && l->flag_period[kind] < 0) {
            l->flag_period[kind] = period;
            l->flag_sample[kind] = sample;
        }
}

/* One period. Flags belong to the stretch in which they rise: at most 4096 samples. */
static void make_period(const struct pf_job *job, const struct pf_machine *m, struct instance *one, void *const *outputs,
                        int64_t number)
{
    struct pf_script *s = &m->script[0];
    struct pf_long *l = m->longer;
    int64_t at = 0, next = 0, cut = 0;
    while (at < s->samples) {
        next = pf_fire_due(job, m, s, one, next, at);
        int64_t length = m->block ? s->cut[cut < s->cuts ? cut : s->cuts - 1] : LONGEST_BLOCK;
        cut++;
        if (length > LONGEST_BLOCK)
            length = LONGEST_BLOCK;
        int64_t end = pf_stretch_end(s, next, at, length, s->samples);
        note_fresh(l, pf_call_run(job, m, s, one, at, end - at, outputs), number, at);
        at = end;
    }
    for (int kind = 0; kind < 5; kind++)
        if (s->first_flag[kind] >= 0)
            note_fresh(l, 1u << kind, number, s->first_flag[kind]);
    pf_heap_check(&one->heap, &s->heap, s->samples - 1);
    if (s->late_allocation >= 0 && l->late_period < 0) {
        l->late_period = number;
        l->late_sample = s->late_allocation;
    }
}

static int same_bits(const struct pf_machine *m, int64_t k, void *const *a, void *const *b)
{
    return memcmp(a[k], b[k], (size_t)(m->script[0].samples * pf_width[m->output_type[k]])) == 0;
}

static int wrong(struct pf_long *l, int64_t number, int64_t output, int64_t sample, double got, double wanted, int reference)
{
    l->period = number;
    l->sample = sample;
    l->output = output;
    l->got = got;
    l->wanted = wanted;
    l->by_reference = reference;
    return 1;
}

/* Largest distance; its bits order like the numbers, and a NaN comes out above all. */
static double apart(const double *x, const double *y, long n)
{
    int64_t most = 0;
    for (long i = 0; i < n; i++) {
        double d = __builtin_fabs(y[i] - x[i]);
        int64_t bits;
        memcpy(&bits, &d, sizeof bits);
        most = bits > most ? bits : most;
    }
    double found;
    memcpy(&found, &most, sizeof found);
    return found;
}

static void doubles(const struct pf_machine *m, int64_t k, void *const *from, int64_t at, double *y, long n)
{
    int type = m->output_type[k];
    pf_to_double((const unsigned char *)from[k] + at * pf_width[type], type, m->longer->scale[k], y, n);
}

/* Whether an output is off the base period by more than the limit. Between categories nothing is near. */
static int beyond_limit(const struct pf_machine *m, int64_t k, void *const *base, void *const *now, int64_t number, double limit)
{
    struct pf_long *l = m->longer;
    double x[PF_BLOCK], y[PF_BLOCK];
    for (int64_t at = 0; at < m->script[0].samples; at += PF_BLOCK) {
        long n = m->script[0].samples - at < PF_BLOCK ? (long)(m->script[0].samples - at) : PF_BLOCK;
        doubles(m, k, base, at, x, n);
        doubles(m, k, now, at, y, n);
        double most = apart(x, y, n);
        if (most <= limit) {
            l->said.worst = most > l->said.worst ? most : l->said.worst;
            continue;
        }
        for (long i = 0; i < n; i++) {
            double d = __builtin_fabs(y[i] - x[i]);
            if (x[i] == y[i] || (x[i] != x[i] && y[i] != y[i]))
                continue;
            if (!(d <= limit))
                return wrong(l, number, k, at + i, y[i], x[i], 0);
            l->said.worst = d > l->said.worst ? d : l->said.worst;
        }
    }
    return 0;
}

/* Whether an output leaves what its reference lets be right. */
static int beyond_reference(const struct pf_machine *m, int64_t k, void *const *now, int64_t number)
{
    struct pf_long *l = m->longer;
    double y[PF_BLOCK];
    for (int64_t at = 0; at < m->script[0].samples; at += PF_BLOCK) {
        long n = m->script[0].samples - at < PF_BLOCK ? (long)(m->script[0].samples - at) : PF_BLOCK;
        const double *sl = l->sure_low[k] + at, *sh = l->sure_high[k] + at;
        const double *ol = l->out_low[k] + at, *oh = l->out_high[k] + at;
        int64_t not_sure = 0;
        doubles(m, k, now, at, y, n);
        for (long i = 0; i < n; i++)
            not_sure += !((y[i] >= sl[i]) & (y[i] <= sh[i]));
        for (long i = 0; i < n && not_sure; i++) {
            if ((y[i] >= sl[i]) & (y[i] <= sh[i]))
                continue;
            if (!(y[i] >= ol[i] && y[i] <= oh[i]))
                return wrong(l, number, k, at + i, y[i], (ol[i] + oh[i]) / 2, 1);
            if (l->said.open++ == 0) {
                l->said.open_period = number;
                l->said.open_sample = at + i;
            }
        }
    }
    return 0;
}

/* Whether a period is wrong. What repeats must go on so; what does not is judged by the reference, or only measured. */
static int judged(const struct pf_machine *m, void *const *base, void *const *now, int64_t number, int *base_is_right)
{
    struct pf_long *l = m->longer;
    int other = 0;
    for (int64_t k = 0; k < m->outputs; k++) {
        int same = now == base || same_bits(m, k, base, now), reference = l->sure_low[k] != NULL;
        other |= !same;
        if (reference && number >= l->judged_from && !(same && base_is_right[k])) {
            if (beyond_reference(m, k, now, number))
                return 1;
            base_is_right[k] |= same;
        }
        if (same)
            continue;
        double limit = l->limit[k] >= 0.0 ? l->limit[k] : l->repeats[k] && !reference ? 0.0 : DBL_MAX;
        if (beyond_limit(m, k, base, now, number, limit))
            return 1;
    }
    if (other && l->said.others++ == 0)
        l->said.first_other = number;
    return 0;
}

/* Whether the period just made is the one that later ones are compared with. */
static int is_base(const struct pf_machine *m, void *const *before, void *const *now, int64_t number)
{
    struct pf_long *l = m->longer;
    int all = 1, given = 1;
    if (number == 0)
        return 0;
    for (int64_t k = 0; k < m->outputs; k++) {
        l->repeats[k] = same_bits(m, k, before, now);
        all &= l->repeats[k] != 0;
        given &= l->limit[k] > 0.0;
    }
    return all || given || number >= l->settle_most;
}

/* What was exactly asked for and is not there: two periods alike. */
static int never_alike(const struct pf_machine *m, void *const *before, void *const *now, int64_t number)
{
    for (int64_t k = 0; k < m->outputs; k++)
        if (m->longer->limit[k] == 0.0 && !m->longer->repeats[k] && beyond_limit(m, k, before, now, number, 0.0))
            return 1;
    return 0;
}

static void remember_state(const struct pf_job *job, const struct pf_machine *m, const struct instance *one, unsigned char *to)
{
    memcpy(to, one->state.at, (size_t)m->state_size);
    pf_copy_script_regions(job, to + m->state_size);
}

void pf_long_run(struct pf_job *job)
{
    const struct pf_machine *m = job->machine;
    struct pf_script *s = &m->script[0];
    struct pf_long *l = m->longer;
    struct instance one;
    void *const *rows[2] = {s->output, s->again};
    void *const *base = NULL;
    int base_is_right[8] = {0};
    double began = seconds_now();
    struct long_memory kept = {job, m, &one, pf_plain_memory(pf_regions_size(job)).at, 0};
    pf_copy_script_regions(job, kept.loaded);
    pf_watch_allocations(job, m);
    pf_prepare_instance(m, &one, 0);
    pf_start_instance(job, m, s, &one, 1);
    pf_watch_script(s);
    for (int64_t number = 0; number < l->periods || kept.checking; number++) {
        /* Two rows in turn until one of them is the base; then the other one. */
        int row = base == NULL ? (int)(number & 1) : base == rows[0];
        void *const *now = rows[row];
        make_period(job, m, &one, now, number);
        unsigned char *last = l->state_before;
        l->state_before = l->state_now;
        l->state_now = last;
        remember_state(job, m, &one, l->state_now);
        l->done = number + 1;
        l->told[0] = l->done * s->samples;
        if (base != NULL && judged(m, base, now, number, base_is_right))
            break;
        if (base == NULL && is_base(m, rows[!row], now, number)) {
            base = now;
            l->base = number;
            memcpy(l->state_base, l->state_now, (size_t)(m->state_size + l->region_size));
            if (never_alike(m, rows[!row], now, number) || judged(m, base, now, number, base_is_right))
                break;
            pf_keep_first(&kept);
            number = l->done - 1; /* taken up: further on */
            if (l->start == PF_TAKEN_UP) {
                l->told[0] = l->done * s->samples;
                remember_state(job, m, &one, l->state_now);
            }
        } else if (base != NULL) {
            pf_keep(&kept, 0);
            if (pf_is_repeated(&kept))
                number = l->done - 1;
        }
        if (l->told[1] || l->start == PF_NOT_REPEATED || (l->done >= l->least && seconds_now() - began > l->wall_seconds))
            break;
    }
    if (l->period < 0 && base != NULL)
        pf_keep(&kept, 1);
    pf_watch_script(NULL);
    l->seconds = seconds_now() - began;
    s->done = s->samples;
    pf_end_instance(m, s, &one);
    job->shared->done = 1;
}
