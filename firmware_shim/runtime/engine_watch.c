/* The allocators that the author's code calls: its library's pointers to them lead here, and memory comes from the instance's
   own heap (of functions: from one for all calls). The first call after a machine's init is noted with its sample. */
#define _GNU_SOURCE
#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>
#include <sys/mman.h>
#include "engine_heap.h"
#include "engine_instances.h"

static struct pf_script *watched;
static const struct pf_shared *watched_at;

void pf_note_allocation(void)
{
    pf_allocated = 1;
    if (watched != NULL && watched->late_allocation < 0)
        watched->late_allocation =
            (int64_t)watched_at->position[0] + ((int64_t)watched_at->position[1] & ((INT64_C(1) << 40) - 1));
}

static void *taken(size_t align, size_t size)
{
    pf_note_allocation();
    if (pf_heap_is_closed())
        return align > 16 ? aligned_alloc(align, size) : malloc(size);
    void *found = pf_heap_take((int64_t)align, size > (size_t)INT64_MAX ? INT64_MAX : (int64_t)size);
    if (found == NULL)
        errno = ENOMEM;
    return found;
}

static void *watched_malloc(size_t size) { return taken(16, size); }

static void *watched_calloc(size_t count, size_t size)
{
    size_t whole;
    void *found = taken(16, __builtin_mul_overflow(count, size, &whole) ? SIZE_MAX : whole);
    if (found != NULL)
        memset(found, 0, whole);
    return found;
}

static void watched_free(void *old)
{
    if (pf_heap_holds(old))
        pf_heap_give(old);
    else
        free(old); /* taken before this process was forked, by a constructor of the library */
}

static void *watched_realloc(void *old, size_t size)
{
    if (old != NULL && !pf_heap_holds(old)) {
        pf_note_allocation();
        return realloc(old, size);
    }
    void *found = taken(16, size);
    if (old == NULL || found == NULL)
        return found;
    int64_t had = pf_heap_size(old);
    memcpy(found, old, had < (int64_t)size ? (size_t)had : size);
    pf_heap_give(old);
    return found;
}

static void *watched_array(void *old, size_t count, size_t size)
{
    size_t whole;
    return watched_realloc(old, __builtin_mul_overflow(count, size, &whole) ? SIZE_MAX : whole);
}

static char *watched_copy_of(const char *text, size_t most)
{
    size_t length = strnlen(text, most);
    char *found = taken(16, length + 1);
    if (found == NULL)
        return NULL;
    memcpy(found, text, length);
    found[length] = 0;
    return found;
}

static char *watched_copy(const char *text) { return watched_copy_of(text, SIZE_MAX); }

static void *watched_aligned(size_t align, size_t size) { return taken(align, size); }

static void *whole(void *found)
{
    if (found == NULL)
        abort();
    return found;
}

static void *watched_new(size_t size) { return whole(taken(16, size)); }
static void *watched_new_aligned(size_t size, size_t align) { return whole(taken(align, size)); }
static void *watched_new_quiet(size_t size, const void *nothrow)
{
    (void)nothrow;
    return taken(16, size);
}

static int watched_posix(void **found, size_t align, size_t size)
{
    void *got = taken(align, size);
    if (got != NULL)
        *found = got;
    return got == NULL ? ENOMEM : 0;
}

void pf_watch_slots(const int64_t *watch, int64_t watches, pf_machine_paint paint)
{
    /* In the order of WATCHERS of allocators.py. */
    const uintptr_t watchers[] = {
        (uintptr_t)watched_malloc, (uintptr_t)watched_calloc, (uintptr_t)watched_realloc, (uintptr_t)watched_aligned,
        (uintptr_t)watched_new, (uintptr_t)watched_new_aligned, (uintptr_t)watched_new_quiet, (uintptr_t)watched_posix,
        (uintptr_t)watched_free, (uintptr_t)watched_array, (uintptr_t)watched_copy, (uintptr_t)watched_copy_of,
    };
    pf_heap_tell(paint);
    for (int64_t k = 0; k < watches; k++) {
        uintptr_t *slot = (uintptr_t *)(uintptr_t)watch[2 * k];
        unsigned char *page = (unsigned char *)((uintptr_t)slot & ~(uintptr_t)(PAGE - 1));
        if (mprotect(page, PAGE, PROT_READ | PROT_WRITE) != 0)
            _exit(97);
        *slot = watchers[watch[2 * k + 1]];
    }
}

void pf_watch_allocations(const struct pf_job *job, const struct pf_machine *m)
{
    watched_at = job->shared;
    pf_watch_slots(m->watch, m->watches, m->paint);
}

/* From now on the first allocation is noted for this script; NULL: for none. */
void pf_watch_script(struct pf_script *s) { watched = s; }
