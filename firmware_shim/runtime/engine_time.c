/* What one call takes on this computer beside a fixed loop of this engine: turn by turn, so that both meet the same
   clock rate and the same neighbours. */
#define _GNU_SOURCE
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>
#include "engine_parts.h"
#include "engine_calls.h"
#include "engine_instances.h"

#define TURN_NS 5e5
#define CHAIN_STEPS 100000
#define MOST_REPEATS 100000
#define BLOCK_SAMPLES 64
#define MOST_SCRIPTS 8

static unsigned char raw_store[8][PF_BLOCK * 8], output_store[PF_BLOCK * 8];
static double value_store[8][PF_BLOCK];
static volatile float kept;

static double used_ns(void)
{
    struct timespec t;
    clock_gettime(CLOCK_THREAD_CPUTIME_ID, &t);
    return 1e9 * (double)t.tv_sec + (double)t.tv_nsec;
}

/* Each multiplication and addition waits for the one before it: nothing of it can be done at once or left away. */
__attribute__((noinline)) static float chain(float x, long steps)
{
    for (long i = 0; i < steps; i++)
        x = x * 0.999f + 0.001f;
    return x;
}

static double calls_ns(const struct pf_job *job, const void *const *inputs, long n, long repeats)
{
    double began = used_ns();
    for (long k = 0; k < repeats; k++)
        pf_call(job, job->loop, inputs, output_store, n, PF_OWN, 0);
    return (used_ns() - began) / ((double)repeats * (double)n);
}

static double chain_ns(void)
{
    double began = used_ns();
    kept = chain(kept, CHAIN_STEPS);
    return (used_ns() - began) / CHAIN_STEPS;
}

static long repeats_for(double once_ns)
{
    double wanted = TURN_NS / (once_ns > 1.0 ? once_ns : 1.0);
    return wanted < 1.0 ? 1 : wanted > MOST_REPEATS ? MOST_REPEATS : (long)wanted;
}

/* Pairs of nanoseconds go to job->times: of one call, of one step of the chain. */
void pf_time(struct pf_job *job)
{
    long n = job->segment[0].count < PF_BLOCK ? (long)job->segment[0].count : PF_BLOCK;
    unsigned char *raw[8];
    double *value[8];
    const void *inputs[8];
    for (int k = 0; k < 8; k++) {
        inputs[k] = raw[k] = raw_store[k];
        value[k] = value_store[k];
    }
    pf_fill(job, 0, n, raw, value);
    pf_calls_begin(job);
    calls_ns(job, inputs, n, 1); /* the first run fetches code and tables */
    long repeats = repeats_for(calls_ns(job, inputs, n, 1) * (double)n);
    for (int64_t k = 0; k < job->time_rounds; k++) {
        job->times[2 * k] = calls_ns(job, inputs, n, repeats);
        job->times[2 * k + 1] = chain_ns();
    }
    job->result[0].done = n;
    job->shared->done = 1;
}

/* One script from its first sample to its last on a state that goes on from what it was: events, then what lies between. */
static void play(struct pf_job *job, const struct pf_machine *m, const struct pf_script *s, void *state)
{
    volatile long *progress = job->shared->position;
    int64_t next = 0, longest = m->block ? BLOCK_SAMPLES : s->samples;
    job->shared->entered++;
    for (int64_t at = 0; at < s->samples;) {
        const void *in[8];
        void *out[8];
        for (; next < s->events && s->event[next].sample <= at; next++)
            m->event(state, (long)s->event[next].which, s->event[next].argument);
        int64_t end = pf_stretch_end(s, next, at, longest, s->samples);
        for (int64_t k = 0; k < m->inputs; k++)
            in[k] = (const unsigned char *)s->stream[k] + at * pf_width[m->input_type[k]];
        for (int64_t k = 0; k < m->outputs; k++)
            out[k] = (unsigned char *)s->output[k] + at * pf_width[m->output_type[k]];
        progress[1] = (long)(((int64_t)job->shared->segment << 40) + at);
        m->run(state, in, out, (long)(end - at), progress);
        at = end;
    }
}

static double scripts_ns(struct pf_job *job, void *const *state, long repeats)
{
    const struct pf_machine *m = job->machine;
    double samples = 0, began = used_ns();
    for (long round = 0; round < repeats; round++)
        for (int64_t k = 0; k < m->scripts; k++) {
            job->shared->segment = k;
            play(job, m, &m->script[k], state[k]);
            samples += (double)m->script[k].samples;
        }
    return (used_ns() - began) / samples;
}

/* The same of a machine: nanoseconds of one sample, events included, over all scripts of the job, each on its own state. */
void pf_time_machine(struct pf_job *job)
{
    const struct pf_machine *m = job->machine;
    void *state[MOST_SCRIPTS];
    double samples = 0;
    if (m->scripts > MOST_SCRIPTS)
        _exit(97);
    pf_set(PF_MODE_DEFAULT | (job->flush_to_zero ? PF_MODE_FLUSH : 0u));
    for (int64_t k = 0; k < m->scripts; k++) {
        size_t align = m->state_align > 16 ? (size_t)m->state_align : 16;
        size_t size = ((size_t)m->state_size + align) / align * align;
        state[k] = aligned_alloc(align, size);
        if (state[k] == NULL)
            _exit(97);
        memset(state[k], 0, size);
        job->shared->segment = k;
        m->init(state[k], m->script[k].rate_hz);
        samples += (double)m->script[k].samples;
    }
    scripts_ns(job, state, 1);
    long repeats = repeats_for(scripts_ns(job, state, 1) * samples);
    for (int64_t k = 0; k < job->time_rounds; k++) {
        job->times[2 * k] = scripts_ns(job, state, repeats);
        job->times[2 * k + 1] = chain_ns();
    }
    job->shared->done = 1;
}
