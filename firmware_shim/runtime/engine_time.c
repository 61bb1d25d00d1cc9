/* What one call takes on this computer beside a fixed loop of this engine: turn by turn, so that both meet the same
   clock rate and the same neighbours. */
#define _GNU_SOURCE
#include <time.h>
#include "engine_parts.h"
#include "engine_calls.h"

#define TURN_NS 5e5
#define CHAIN_STEPS 100000
#define MOST_REPEATS 100000

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
    double once = calls_ns(job, inputs, n, 1) * (double)n, wanted = TURN_NS / (once > 1.0 ? once : 1.0);
    long repeats = wanted < 1.0 ? 1 : wanted > MOST_REPEATS ? MOST_REPEATS : (long)wanted;
    for (int64_t k = 0; k < job->time_rounds; k++) {
        job->times[2 * k] = calls_ns(job, inputs, n, repeats);
        double began = used_ns();
        kept = chain(kept, CHAIN_STEPS);
        job->times[2 * k + 1] = (used_ns() - began) / CHAIN_STEPS;
    }
    job->result[0].done = n;
    job->shared->done = 1;
}
