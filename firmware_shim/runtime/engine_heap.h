/* The heap of one instance of a machine. */
#ifndef PF_ENGINE_HEAP_H
#define PF_ENGINE_HEAP_H
#include "engine_parts.h"

#define PF_HEAP_BYTES (INT64_C(32) << 20)
/* Copied before each stretch up to this size; beyond it flags are noted per stretch, and instances are compared by output. */
#define PF_HEAP_COPIED (INT64_C(512) << 10)

enum { PF_HEAP_FULL = 1, PF_HEAP_TWICE, PF_HEAP_WRITTEN, PF_HEAP_NEVER, PF_HEAP_KEPT };

/* at: NULL where the code takes no memory; used, frees: so far; living: blocks; looked: where the search for a freed block
   goes on; fill: what fresh memory holds; is_closed: no more is taken from it. */
struct pf_heap {
    unsigned char *at;
    int64_t used, frees, living, looked;
    int fill, is_closed;
};

void pf_heap_prepare(struct pf_heap *h, int number);
/* The author's next calls take from it. */
void pf_heap_of(struct pf_heap *h);
/* It is empty, and the author's next calls take from it. */
void pf_heap_begin(struct pf_heap *h, int fill);
/* What goes wrong is told here (NULL: nobody) with its place in the run; mask: bits of the place that count. */
void pf_heap_told(struct pf_heap_fault *fault, const struct pf_shared *shared, int64_t mask);
int pf_heap_is_closed(void);
/* Bytes of the first block whose marks are gone, 0 where all are whole. */
int64_t pf_heap_damaged(const struct pf_heap *h);
void pf_heap_check(const struct pf_heap *h, struct pf_heap_fault *fault, int64_t at);
/* Bytes of the last living block. */
int64_t pf_heap_last(const struct pf_heap *h);
int pf_heap_holds(const void *p);
void *pf_heap_take(int64_t align, int64_t size);
int64_t pf_heap_size(const void *p);
void pf_heap_give(void *p);
/* The author's pointers to allocators lead to the present heap: pairs of a pointer's address and the number of a watcher. */
void pf_watch_slots(const int64_t *watch, int64_t watches, pf_machine_paint paint);
/* From now on blocks, the marks beside them and what is freed are told to the strict build; NULL: to nobody. */
void pf_heap_tell(pf_machine_paint paint);
void pf_heap_tell_again(const struct pf_heap *h);
#endif
