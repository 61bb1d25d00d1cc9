/* Long runs: every sample of a day is computed by the author's code; periods are compared block by block. */
#define _GNU_SOURCE
#include <string.h>
#include <time.h>
#include "engine_instances.h"

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
static void period(const struct pf_job *job, const struct pf_machine *m, struct instance *one, void *const *outputs,
                   int64_t number)
{
    struct pf_script *s = &m->script[0];
    int64_t at = 0, next = 0, cut = 0;
    while (at < s->samples) {
        next = pf_fire_due(job, m, s, one, next, at);
        int64_t length = m->block ? s->cut[cut < s->cuts ? cut : s->cuts - 1] : LONGEST_BLOCK;
        cut++;
        if (length > LONGEST_BLOCK)
            length = LONGEST_BLOCK;
        int64_t end = pf_stretch_end(s, next, at, length, s->samples);
        note_fresh(m->longer, pf_call_run(job, m, s, one, at, end - at, outputs), number, at);
        at = end;
    }
    for (int kind = 0; kind < 5; kind++)
        if (s->first_flag[kind] >= 0)
            note_fresh(m->longer, 1u << kind, number, s->first_flag[kind]);
}

static double value_of(int type, double scale, const unsigned char *from, int64_t i)
{
    double y;
    pf_to_double(from + i * pf_width[type], type, scale, &y, 1);
    return y;
}

/* Whether two periods differ by more than the limit: bits first, values only where bits differ. */
static int differs(const struct pf_machine *m, void *const *first, void *const *now, int64_t number)
{
    struct pf_long *l = m->longer;
    const struct pf_script *s = &m->script[0];
    for (int64_t k = 0; k < m->outputs; k++) {
        int type = m->output_type[k], width = pf_width[type];
        const unsigned char *a = first[k], *b = now[k];
        if (memcmp(a, b, (size_t)(s->samples * width)) == 0)
            continue;
        for (int64_t i = 0; i < s->samples; i++) {
            if (memcmp(a + i * width, b + i * width, (size_t)width) == 0)
                continue;
            double x = value_of(type, l->scale[k], a, i), y = value_of(type, l->scale[k], b, i);
            double apart = __builtin_fabs(y - x);
            if ((x != x && y != y) || (l->limit[k] > 0.0 && apart <= l->limit[k])) {
                l->worst = apart > l->worst ? apart : l->worst;
                continue;
            }
            l->period = number;
            l->sample = i;
            l->output = k;
            l->got = y;
            l->wanted = x;
            return 1;
        }
    }
    return 0;
}

void pf_long_run(struct pf_job *job)
{
    const struct pf_machine *m = job->machine;
    struct pf_script *s = &m->script[0];
    struct pf_long *l = m->longer;
    struct instance one;
    double began = seconds_now();
    pf_prepare_instance(m, &one);
    pf_start_instance(job, m, s, &one, 1);
    for (int64_t number = 0; number < l->periods; number++) {
        int first = number == l->settle;
        period(job, m, &one, first ? s->output : s->again, number);
        l->done = number + 1;
        l->told[0] = l->done * s->samples;
        if (number > l->settle && differs(m, s->output, s->again, number))
            break;
        if (l->told[1] || seconds_now() - began > l->wall_seconds)
            break;
    }
    s->done = s->samples;
    m->destroy(one.state.at);
    job->shared->done = 1;
}
