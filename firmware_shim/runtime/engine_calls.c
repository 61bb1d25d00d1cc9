/* Memory that functions take from the heap: marks beside each block, a second free, and what a call does not give back are
   told with the input. One heap for all calls of a process, so that a function may keep what it takes at its first call. */
#define _GNU_SOURCE
#include <string.h>
#include "engine_calls.h"
#include "engine_heap.h"
#include "engine_instances.h"

/* What blocks and writable sections were. */
struct copy {
    struct pf_heap heap;
    unsigned char *blocks, *regions;
    int is_whole;
};

static struct pf_heap heap;
static struct copy before, after;
static int is_watching;

static struct copy make_copy(const struct pf_job *job)
{
    struct copy made = {{0}, pf_plain_memory(PF_HEAP_COPIED).at, pf_plain_memory(pf_regions_size(job)).at, 0};
    return made;
}

static void save(const struct pf_job *job, struct copy *to)
{
    to->heap = heap;
    to->is_whole = heap.used <= PF_HEAP_COPIED;
    pf_copy_script_regions(job, to->regions);
    if (to->is_whole)
        memcpy(to->blocks, heap.at, (size_t)heap.used);
}

static void bring_back(const struct pf_job *job, const struct copy *from)
{
    heap = from->heap;
    memcpy(heap.at, from->blocks, (size_t)heap.used);
    pf_restore_script_regions(job, from->regions);
    pf_heap_tell_again(&heap);
}

void pf_calls_begin(const struct pf_job *job)
{
    is_watching = job->watches > 0;
    if (!is_watching)
        return;
    pf_heap_prepare(&heap, 0);
    pf_watch_slots(job->watch, job->watches, job->paint);
    pf_heap_begin(&heap, 0xff);
    before = make_copy(job);
    after = make_copy(job);
}

void pf_calls_enter(const struct pf_job *job, int phase)
{
    if (!is_watching)
        return;
    /* As locals: all ones in the first run, 0x7f in the repeat. */
    heap.fill = phase == PF_REPEAT ? 0x7f : 0xff;
    pf_heap_told(phase == PF_OWN && !heap.is_closed ? &job->shared->heap : NULL, job->shared, -1);
}

void pf_calls_before(const struct pf_job *job)
{
    if (is_watching && !heap.is_closed)
        save(job, &before);
}

static void run(const struct pf_job *job, const struct pf_block *block, long n, void *spare)
{
    pf_call(job, job->loop, block->raw, spare, n, PF_HALVING, block->ordinal);
}

/* The first input of a block after which, from a copy on, blocks are damaged (or more are alive). */
static int64_t first_that(const struct pf_job *job, const struct pf_block *block, const struct copy *from, int grows, void *spare)
{
    long low = 1, high = block->n;
    while (from->is_whole && low < high) {
        long middle = low + (high - low) / 2;
        bring_back(job, from);
        run(job, block, middle, spare);
        if (grows ? heap.living > from->heap.living : pf_heap_damaged(&heap) != 0)
            high = middle;
        else
            low = middle + 1;
    }
    return block->ordinal + low - 1;
}

static void tell(const struct pf_job *job, int kind, int64_t at, int64_t bytes)
{
    struct pf_heap_fault *fault = &job->shared->heap;
    fault->kind = kind;
    fault->at = at;
    fault->bytes = bytes;
}

void pf_calls_after(const struct pf_job *job, const struct pf_block *block, void *spare)
{
    int64_t damaged;
    if (!is_watching || heap.is_closed)
        return;
    damaged = pf_heap_damaged(&heap);
    if (damaged && job->shared->heap.kind == 0) {
        int64_t at = first_that(job, block, &before, 0, spare);
        tell(job, PF_HEAP_WRITTEN, at, pf_heap_damaged(&heap) ? pf_heap_damaged(&heap) : damaged);
    } else if (heap.living > before.heap.living && job->shared->heap.kind == 0) {
        /* What the same calls leave once more is not what a first call keeps for all. */
        save(job, &after);
        run(job, block, block->n, spare);
        if (heap.living > after.heap.living)
            tell(job, PF_HEAP_KEPT, first_that(job, block, &after, 1, spare), pf_heap_last(&heap));
        else if (after.is_whole)
            bring_back(job, &after);
    }
    /* Told once; then the rest of the run takes from the C library's heap, so that nothing fills up here. */
    if (job->shared->heap.kind == PF_HEAP_KEPT || job->shared->heap.kind == PF_HEAP_FULL)
        heap.is_closed = 1;
}
