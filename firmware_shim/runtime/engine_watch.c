/* Which call of the author's code takes memory after init. */
#define _GNU_SOURCE
#include <stdlib.h>
#include <unistd.h>
#include <sys/mman.h>
#include "engine_instances.h"

/* Allocations of the author's code: its library's pointers to the allocators lead here. The first one after init
   is noted with its sample. */
static struct pf_script *watched;
static const struct pf_shared *watched_at;

void pf_note_allocation(void)
{
    pf_allocated = 1;
    if (watched != NULL && watched->late_allocation < 0)
        watched->late_allocation =
            (int64_t)watched_at->position[0] + ((int64_t)watched_at->position[1] & ((INT64_C(1) << 40) - 1));
}

static void *watched_malloc(size_t size)
{
    pf_note_allocation();
    return malloc(size);
}

static void *watched_calloc(size_t count, size_t size)
{
    pf_note_allocation();
    return calloc(count, size);
}

static void *watched_realloc(void *old, size_t size)
{
    pf_note_allocation();
    return realloc(old, size);
}

static void *watched_aligned(size_t align, size_t size)
{
    pf_note_allocation();
    return aligned_alloc(align, size);
}

static void *watched_new(size_t size)
{
    void *found = watched_malloc(size > 0 ? size : 1);
    if (found == NULL)
        abort();
    return found;
}

void pf_watch_allocations(const struct pf_job *job, const struct pf_machine *m)
{
    const uintptr_t watchers[] = {(uintptr_t)watched_malloc, (uintptr_t)watched_calloc, (uintptr_t)watched_realloc,
                                  (uintptr_t)watched_aligned, (uintptr_t)watched_new};
    watched_at = job->shared;
    for (int64_t k = 0; k < m->watches; k++) {
        uintptr_t *slot = (uintptr_t *)(uintptr_t)m->watch[2 * k];
        unsigned char *page = (unsigned char *)((uintptr_t)slot & ~(uintptr_t)(PAGE - 1));
        if (mprotect(page, PAGE, PROT_READ | PROT_WRITE) != 0)
            _exit(97);
        *slot = watchers[m->watch[2 * k + 1]];
    }
}

/* From now on the first allocation is noted for this script; NULL: for none. */
void pf_watch_script(struct pf_script *s) { watched = s; }
