/* A stretch of a script is run from a copy of all that it can change, so that what rises in it is pinned to its sample. */
#define _GNU_SOURCE
#include <stdlib.h>
#include <string.h>
#include "engine_instances.h"

enum { DAMAGED = 1 << 8 }; /* beside the flags of a stretch: marks of the heap are gone */
static struct pf_copy copy_before, copy_after;

struct pf_copy pf_make_copy(const struct pf_machine *m, int64_t regions)
{
    struct pf_copy made = {pf_plain_memory(m->state_size), pf_plain_memory(regions), {0}, NULL};
    if (m->watches > 0)
        made.blocks = pf_plain_memory(PF_HEAP_COPIED).at;
    return made;
}

static void end_copy(struct pf_copy *made)
{
    free(made->state.at);
    free(made->regions.at);
    free(made->blocks);
}

int pf_is_copied(const struct instance *one) { return one->heap.used <= PF_HEAP_COPIED; }

static void save(const struct pf_job *job, const struct instance *one, struct pf_copy *to)
{
    memcpy(to->state.at, one->state.at, (size_t)one->state.size);
    pf_copy_script_regions(job, to->regions.at);
    to->heap = one->heap;
    if (one->heap.used > 0 && pf_is_copied(one))
        memcpy(to->blocks, one->heap.at, (size_t)one->heap.used);
}

static void bring_back(const struct pf_job *job, struct instance *one, const struct pf_copy *from)
{
    memcpy(one->state.at, from->state.at, (size_t)one->state.size);
    pf_restore_script_regions(job, from->regions.at);
    one->heap = from->heap;
    if (one->heap.used > 0)
        memcpy(one->heap.at, from->blocks, (size_t)one->heap.used);
    pf_heap_tell_again(&one->heap);
}

/* Flags of n samples, and whether the heap's marks are gone after them. */
static unsigned seen_in(const struct pf_job *job, const struct pf_machine *m, struct pf_script *s, struct instance *one,
                        int64_t at, int64_t n, void *const *outputs)
{
    unsigned flags = pf_call_run(job, m, s, one, at, n, outputs);
    return flags | (one->heap.used > 0 && pf_heap_damaged(&one->heap) ? DAMAGED : 0u);
}

/* The first sample of [at, at + n) that raises the flag, from the copy made before the stretch. */
static int64_t pin(const struct pf_job *job, const struct pf_machine *m, struct pf_script *s, struct instance *one,
                   int64_t at, int64_t n, unsigned bit)
{
    save(job, one, &copy_after);
    bring_back(job, one, &copy_before);
    struct pf_copy half_way = pf_make_copy(m, copy_before.regions.size);
    while (n > 1) {
        int64_t half = n / 2;
        save(job, one, &half_way);
        if (seen_in(job, m, s, one, at, half, s->output) & bit) {
            n = half;
            bring_back(job, one, &half_way);
        } else {
            at += half;
            n -= half;
        }
    }
    end_copy(&half_way);
    bring_back(job, one, &copy_after);
    return at;
}

static unsigned unseen(const struct pf_script *s, unsigned flags)
{
    unsigned left = 0;
    for (int kind = 0; kind < 5; kind++)
        if ((flags & (1u << kind)) && s->first_flag[kind] < 0)
            left |= 1u << kind;
    return left;
}

void pf_stretch(const struct pf_job *job, const struct pf_machine *m, struct pf_script *s, struct instance *one,
                int64_t at, int64_t n, void *const *outputs)
{
    if (outputs == s->output)
        save(job, one, &copy_before);
    unsigned flags = seen_in(job, m, s, one, at, n, outputs);
    unsigned fresh = outputs == s->output ? unseen(s, flags) : 0;
    int damaged = (flags & DAMAGED) && !s->heap.kind;
    if (damaged)
        pf_heap_check(&one->heap, &s->heap, at);
    if (!fresh && !(damaged && outputs == s->output))
        return;
    int unknown = m->allocates && (!m->every_allocation_told || pf_allocated);
    if (unknown || !pf_is_copied(one)) {
        pf_note_flags(s, fresh, at);
        return;
    }
    unsigned char *kept[8];
    for (int64_t k = 0; k < m->outputs; k++) {
        size_t bytes = (size_t)(n * pf_width[m->output_type[k]]);
        kept[k] = pf_plain_memory((int64_t)bytes).at;
        memcpy(kept[k], (unsigned char *)s->output[k] + at * pf_width[m->output_type[k]], bytes);
    }
    for (int kind = 0; kind < 5; kind++)
        if (fresh & (1u << kind))
            s->first_flag[kind] = pin(job, m, s, one, at, n, 1u << kind);
    if (damaged)
        s->heap.at = pin(job, m, s, one, at, n, DAMAGED);
    for (int64_t k = 0; k < m->outputs; k++) {
        size_t bytes = (size_t)(n * pf_width[m->output_type[k]]);
        memcpy((unsigned char *)s->output[k] + at * pf_width[m->output_type[k]], kept[k], bytes);
        free(kept[k]);
    }
}

void pf_prepare_copies(const struct pf_machine *m, int64_t regions)
{
    copy_before = pf_make_copy(m, regions);
    copy_after = pf_make_copy(m, regions);
}
