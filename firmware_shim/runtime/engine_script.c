/* Runs event scripts on a machine. Buffers and state stand against guard pages; the state is copied before
   each stretch, so that a status flag can be pinned to the sample that raises it. */
#define _GNU_SOURCE
#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>
#include <sys/mman.h>
#include "engine_parts.h"
#include "engine_instances.h"
#include "board_bridge.h"

int pf_allocated; /* in this script, or before all scripts */
static int allocated_before;
static struct memory region_start;

/* size bytes that end at (or begin after) a page that nobody may touch. */
static struct memory guarded(int64_t size, int64_t align, int begin)
{
    int64_t room = (size + PAGE - 1) / PAGE * PAGE + (size == 0 ? PAGE : 0);
    unsigned char *base = mmap(NULL, (size_t)(room + 2 * PAGE), PROT_NONE, MAP_PRIVATE | MAP_ANONYMOUS, -1, 0);
    struct memory found = {NULL, size};
    if (base == MAP_FAILED || mprotect(base + PAGE, (size_t)room, PROT_READ | PROT_WRITE) != 0)
        _exit(97);
    found.at = base + PAGE;
    if (!begin)
        found.at += (room - size) / align * align;
    return found;
}

struct memory pf_plain_memory(int64_t size)
{
    struct memory found = {malloc((size_t)(size > 0 ? size : 1)), size};
    if (found.at == NULL)
        _exit(97);
    return found;
}

int64_t pf_regions_size(const struct pf_job *job)
{
    int64_t total = 0;
    for (int64_t k = 0; k < job->regions; k++)
        total += job->region[k].size;
    return total;
}

void pf_copy_script_regions(const struct pf_job *job, unsigned char *to)
{
    for (int64_t k = 0; k < job->regions; k++) {
        memcpy(to, job->region[k].start, (size_t)job->region[k].size);
        to += job->region[k].size;
    }
}

void pf_restore_script_regions(const struct pf_job *job, const unsigned char *from)
{
    for (int64_t k = 0; k < job->regions; k++) {
        memcpy(job->region[k].start, from, (size_t)job->region[k].size);
        from += job->region[k].size;
    }
}

void pf_prepare_instance(const struct pf_machine *m, struct instance *one, int number)
{
    one->heap.at = NULL;
    one->heap.used = 0;
    if (m->watches > 0)
        pf_heap_prepare(&one->heap, number);
    one->state = guarded(m->state_size, m->state_align, m->guard_begin);
    for (int64_t k = 0; k < m->inputs && m->block; k++)
        one->in[k] = guarded(LONGEST_BLOCK * pf_width[m->input_type[k]], 1, m->guard_begin);
    for (int64_t k = 0; k < m->outputs && m->block; k++)
        one->out[k] = guarded(LONGEST_BLOCK * pf_width[m->output_type[k]], 1, m->guard_begin);
}

static unsigned enter(const struct pf_job *job)
{
    unsigned wanted = PF_MODE_DEFAULT | (job->flush_to_zero ? PF_MODE_FLUSH : 0u);
#if defined(__x86_64__)
    pf_set(wanted & ~((unsigned)job->trap_kinds << 7)); /* what is unmasked stops at its instruction */
#else
    pf_set(wanted);
#endif
    return wanted;
}

static unsigned leave(struct pf_script *s, unsigned wanted, int64_t at)
{
    unsigned after = pf_get();
    pf_set(PF_MODE_DEFAULT);
    if (pf_mode_of(after) != wanted && s->mode_changed_at < 0)
        s->mode_changed_at = at;
    return pf_flags_of(after);
}

/* n samples from `at`. Blocks go through buffers that end at (begin after) a guard page. */
unsigned pf_call_run(const struct pf_job *job, const struct pf_machine *m, struct pf_script *s,
                         struct instance *one, int64_t at, int64_t n, void *const *outputs)
{
    const void *in[8];
    void *out[8];
    volatile long *progress = job->shared->position;
    for (int64_t k = 0; k < m->inputs; k++) {
        int width = pf_width[m->input_type[k]];
        const unsigned char *from = (const unsigned char *)s->stream[k] + at * width;
        in[k] = from;
        if (m->block) {
            unsigned char *to = m->guard_begin ? one->in[k].at : one->in[k].at + (LONGEST_BLOCK - n) * width;
            memcpy(to, from, (size_t)(n * width));
            in[k] = to;
        }
    }
    for (int64_t k = 0; k < m->outputs; k++) {
        int width = pf_width[m->output_type[k]];
        out[k] = (unsigned char *)outputs[k] + at * width;
        if (m->block) {
            out[k] = m->guard_begin ? one->out[k].at : one->out[k].at + (LONGEST_BLOCK - n) * width;
            memset(out[k], 0xff, (size_t)(n * width));
        }
    }
    job->shared->entered++;
    progress[0] = 0;
    progress[1] = (long)(((int64_t)job->shared->segment << 40) + at);
    pf_heap_of(&one->heap);
    unsigned wanted = enter(job);
    m->run(one->state.at, in, out, n, progress);
    unsigned flags = leave(s, wanted, at);
    if (m->block)
        for (int64_t k = 0; k < m->outputs; k++) {
            int width = pf_width[m->output_type[k]];
            memcpy((unsigned char *)outputs[k] + at * width, out[k], (size_t)(n * width));
        }
    return flags;
}

void pf_note_flags(struct pf_script *s, unsigned flags, int64_t at)
{
    for (int kind = 0; kind < 5; kind++)
        if ((flags & (1u << kind)) && s->first_flag[kind] < 0)
            s->first_flag[kind] = at;
}

void pf_fire(const struct pf_job *job, const struct pf_machine *m, struct pf_script *s, struct instance *one,
                 const struct pf_happening *e)
{
    job->shared->entered++;
    job->shared->position[0] = 0;
    job->shared->position[1] = (long)(((int64_t)job->shared->segment << 40) + e->sample);
    job->shared->phase = 1;
    pf_heap_of(&one->heap);
    unsigned wanted = enter(job);
    m->event(one->state.at, (long)e->which, e->argument);
    pf_note_flags(s, leave(s, wanted, e->sample), e->sample);
    pf_heap_check(&one->heap, &s->heap, e->sample);
    job->shared->phase = 0;
}

/* Events are in the order of their samples: fires those up to `at`, from `next` on. Returns the next one after them. */
int64_t pf_fire_due(const struct pf_job *job, const struct pf_machine *m, struct pf_script *s, struct instance *one,
                    int64_t next, int64_t at)
{
    while (next < s->events && s->event[next].sample <= at)
        pf_fire(job, m, s, one, &s->event[next++]);
    return next;
}

/* Where a stretch from `at` ends: after `length` samples, at the next event, at the last sample. */
int64_t pf_stretch_end(const struct pf_script *s, int64_t next, int64_t at, int64_t length, int64_t last)
{
    int64_t end = last - at > length ? at + length : last;
    return next < s->events && s->event[next].sample < end ? s->event[next].sample : end;
}

void pf_start_instance(const struct pf_job *job, const struct pf_machine *m, struct pf_script *s, struct instance *one, int fill)
{
    if (fill)
        pf_fresh(one->state.at, s->fill, one->state.size);
    job->shared->entered++;
    job->shared->position[0] = 0;
    job->shared->position[1] = (long)((int64_t)job->shared->segment << 40);
    job->shared->phase = 2;
    if (fill)
        pf_heap_begin(&one->heap, (int)s->fill);
    pf_heap_told(&s->heap, job->shared, (INT64_C(1) << 40) - 1);
    pf_heap_of(&one->heap);
    errno = 0;
    unsigned wanted = enter(job);
    m->init(one->state.at, s->rate_hz);
    pf_note_flags(s, leave(s, wanted, 0), 0);
    pf_heap_check(&one->heap, &s->heap, 0);
    job->shared->phase = 0;
}

void pf_end_instance(const struct pf_machine *m, struct pf_script *s, struct instance *one)
{
    pf_heap_of(&one->heap);
    m->destroy(one->state.at);
    pf_heap_check(&one->heap, &s->heap, s->done);
}

static struct pf_copy bystander;

static void remember(const struct instance *one)
{
    memcpy(bystander.state.at, one->state.at, (size_t)one->state.size);
    bystander.heap = one->heap;
    if (one->heap.used > 0 && pf_is_copied(one))
        memcpy(bystander.blocks, one->heap.at, (size_t)one->heap.used);
}

/* The first byte in which two memories differ, -1 for none. */
static int64_t differs(const unsigned char *a, const unsigned char *b, int64_t n)
{
    int64_t byte = 0;
    if (n <= 0 || memcmp(a, b, (size_t)n) == 0)
        return -1;
    while (a[byte] == b[byte])
        byte++;
    return byte;
}

/* The state of the instance whose turn it is not must stay as it was, and its heap: bytes of that follow the state's. */
static void compare(struct pf_script *s, const struct instance *one, int64_t at)
{
    if (s->touched_at >= 0)
        return;
    int64_t byte = differs(bystander.state.at, one->state.at, one->state.size);
    if (byte < 0 && pf_is_copied(one)) {
        byte = differs(bystander.blocks, one->heap.at, one->heap.used);
        byte = byte < 0 ? -1 : byte + one->state.size;
    }
    if (byte < 0)
        return;
    s->touched_at = at;
    s->touched_byte = byte;
}

/* The whole script once. other: a second instance that takes turns, or NULL. */
static void play(const struct pf_job *job, const struct pf_machine *m, struct pf_script *s, struct instance *one,
                 struct instance *other, void *const *outputs, void *const *scratch)
{
    int64_t at = 0, next = 0, cut = 0, turn = 0;
    if (s->row > 0)
        pf_play_counted(job, m, s, one);
    while (at < s->samples && s->row == 0) {
        if (other != NULL)
            remember(other);
        next = pf_fire_due(job, m, s, one, next, at);
        int64_t length = m->block ? s->cut[cut < s->cuts ? cut : s->cuts - 1] : s->samples;
        if (other != NULL && !m->block && length > 61)
            length = 61;
        if (m->block && length > LONGEST_BLOCK)
            length = LONGEST_BLOCK;
        int64_t end = pf_stretch_end(s, next, at, length, s->samples);
        cut++;
        if (other != NULL) {
            /* The other one lives through the same script at another pace. */
            compare(s, other, at);
            remember(one);
            if (s->events > 0)
                pf_fire(job, m, s, other, &s->event[turn++ % s->events]);
            pf_call_run(job, m, s, other, at, end - at, scratch);
            compare(s, one, at);
            remember(other);
        }
        pf_stretch(job, m, s, one, at, end - at, outputs);
        if (other != NULL)
            compare(s, other, end);
        at = end;
        if (outputs == s->output)
            s->done = at;
    }
}

void pf_scripts(struct pf_job *job)
{
    const struct pf_machine *m = job->machine;
    struct instance one, other;
    int64_t total = pf_regions_size(job);
    if (m->longer != NULL) {
        pf_long_run(job);
        return;
    }
    if (m->interruption != NULL) {
        pf_interrupted(job);
        return;
    }
    pf_watch_allocations(job, m);
    allocated_before = pf_allocated;
    pf_prepare_instance(m, &one, 0);
    if (m->twin)
        pf_prepare_instance(m, &other, 1);
    pf_prepare_copies(m, total);
    bystander = pf_make_copy(m, 0);
    region_start = pf_plain_memory(total);
    pf_copy_script_regions(job, region_start.at);
    for (int64_t k = m->first; k < m->scripts; k++) {
        struct pf_script *s = &m->script[k];
        void *scratch[8];
        job->shared->segment = k;
        pf_allocated = allocated_before;
        pf_restore_script_regions(job, region_start.at);
        pf_start_instance(job, m, s, &one, 1);
        if (m->twin) {
            remember(&one);
            pf_start_instance(job, m, s, &other, 1);
            compare(s, &one, 0);
            for (int64_t i = 0; i < m->outputs; i++)
                scratch[i] = pf_plain_memory(s->samples * pf_width[m->output_type[i]]).at;
        }
        pf_watch_script(s);
        play(job, m, s, &one, m->twin ? &other : NULL, s->output, scratch);
        pf_watch_script(NULL);
        if (m->reinit) {
            pf_start_instance(job, m, s, &one, 0);
            play(job, m, s, &one, NULL, s->again, scratch);
        }
        pf_end_instance(m, s, &one);
        if (m->twin) {
            pf_end_instance(m, s, &other);
            for (int64_t i = 0; i < m->outputs; i++)
                free(scratch[i]);
        }
    }
    job->shared->done = 1;
}
