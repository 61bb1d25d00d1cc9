/* The heap of one instance: one stretch at a fixed address, so that a copy of its bytes, put back, is the heap again with all
   pointers into it. Each block lies between marks; freed blocks stay untouched for a while, so that a second free is seen. */
#define _GNU_SOURCE
#include <string.h>
#include <unistd.h>
#include <sys/mman.h>
#include "engine_heap.h"

enum { ALIGN = 16, MARK = 16, MARK_BYTE = 0xc5, FREED_BYTE = 0xdf, REST = 8 };
#define FIRST_ADDRESS UINT64_C(0x1000000000)
#define MAGIC UINT64_C(0x70666865617062c5)

/* Followed by lead - sizeof(struct block) bytes of marks, `size` bytes for the author, and marks up to `room`. */
struct block {
    uint64_t magic;
    int64_t room, size, lead;
    int64_t freed; /* number of the free that ended it, 0 for a living one */
    int64_t spare;
};

/* As recorder_shadow.h reads them. */
enum { FREE_TO_TOUCH = 0, BESIDE_A_BLOCK = 0xfa, FREED = 0xfd };

static pf_machine_paint tell;
static struct pf_heap *current;
static struct pf_heap_fault *told;
static const struct pf_shared *place;
static int64_t place_mask;

static void note(int kind, int64_t bytes)
{
    if (told == NULL || told->kind)
        return;
    told->kind = kind;
    told->at = (int64_t)place->position[0] + ((int64_t)place->position[1] & place_mask);
    told->bytes = bytes;
}

void pf_heap_prepare(struct pf_heap *h, int number)
{
    void *wanted = (void *)(uintptr_t)(FIRST_ADDRESS + (uint64_t)number * 4 * PF_HEAP_BYTES);
    h->at = mmap(wanted, PF_HEAP_BYTES, PROT_READ | PROT_WRITE,
                 MAP_PRIVATE | MAP_ANONYMOUS | MAP_NORESERVE | MAP_FIXED_NOREPLACE, -1, 0);
    if (h->at == MAP_FAILED) /* taken: another place serves, the same for all scripts of this process */
        h->at = mmap(NULL, PF_HEAP_BYTES, PROT_READ | PROT_WRITE, MAP_PRIVATE | MAP_ANONYMOUS | MAP_NORESERVE, -1, 0);
    if (h->at == MAP_FAILED)
        _exit(97);
    h->used = 0;
    h->is_closed = 0;
}

int pf_heap_is_closed(void) { return current == NULL || current->is_closed; }

void pf_heap_of(struct pf_heap *h) { current = h->at != NULL ? h : NULL; }

void pf_heap_tell(pf_machine_paint paint) { tell = paint; }

static void tell_of(struct block *b)
{
    unsigned char *start = (unsigned char *)b;
    if (tell == NULL)
        return;
    tell(start, (long)b->room, BESIDE_A_BLOCK);
    tell(start + b->lead, (long)b->size, b->freed ? FREED : FREE_TO_TOUCH);
}

void pf_heap_told(struct pf_heap_fault *fault, const struct pf_shared *shared, int64_t mask)
{
    told = fault;
    place = shared;
    place_mask = mask;
}

void pf_heap_begin(struct pf_heap *h, int fill)
{
    if (tell != NULL && h->at != NULL && h->used > 0)
        tell(h->at, (long)h->used, FREE_TO_TOUCH);
    h->used = h->frees = h->living = h->looked = 0;
    h->fill = fill;
    pf_heap_of(h);
}

static struct block *block_at(const struct pf_heap *h, int64_t at)
{
    struct block *b = (struct block *)(void *)(h->at + at);
    return b->magic == MAGIC && b->room > 0 && b->room <= h->used - at ? b : NULL;
}

static int marked(const unsigned char *from, const unsigned char *end)
{
    while (from < end)
        if (*from++ != MARK_BYTE)
            return 0;
    return 1;
}

void pf_heap_tell_again(const struct pf_heap *h)
{
    for (int64_t at = 0; tell != NULL && at < h->used;) {
        struct block *b = block_at(h, at);
        if (b == NULL)
            return;
        tell_of(b);
        at += b->room;
    }
}

int64_t pf_heap_damaged(const struct pf_heap *h)
{
    int64_t before = 0;
    for (int64_t at = 0; at < h->used;) {
        const struct block *b = block_at(h, at);
        if (b == NULL)
            return before > 0 ? before : 1;
        const unsigned char *start = (const unsigned char *)b;
        if (!marked(start + sizeof *b, start + b->lead) || !marked(start + b->lead + b->size, start + b->room))
            return b->size > 0 ? b->size : 1;
        before = b->size;
        at += b->room;
    }
    return 0;
}

int64_t pf_heap_last(const struct pf_heap *h)
{
    int64_t size = 0;
    for (int64_t at = 0; at < h->used;) {
        const struct block *b = block_at(h, at);
        if (b == NULL)
            break;
        size = b->freed ? size : b->size;
        at += b->room;
    }
    return size;
}

void pf_heap_check(const struct pf_heap *h, struct pf_heap_fault *fault, int64_t at)
{
    int64_t bytes = h->at != NULL && !fault->kind ? pf_heap_damaged(h) : 0;
    if (bytes == 0)
        return;
    fault->kind = PF_HEAP_WRITTEN;
    fault->at = at;
    fault->bytes = bytes;
}

int pf_heap_holds(const void *p)
{
    return current != NULL && (const unsigned char *)p >= current->at && (const unsigned char *)p < current->at + PF_HEAP_BYTES;
}

static struct block *rested_between(struct pf_heap *h, int64_t at, int64_t end, int64_t room, int64_t lead)
{
    while (at < end) {
        struct block *b = block_at(h, at);
        if (b == NULL)
            return NULL;
        at += b->room;
        if (b->freed && h->frees - b->freed >= REST && b->room >= room && b->room <= 2 * room && b->lead == lead) {
            h->looked = at;
            return b;
        }
    }
    return NULL;
}

/* A freed block that fits, has rested and is not much too large; looked for from the last such block on. */
static struct block *rested(struct pf_heap *h, int64_t room, int64_t lead)
{
    int64_t from = h->looked < h->used ? h->looked : 0;
    struct block *found = h->frees > REST ? rested_between(h, from, h->used, room, lead) : NULL;
    return found != NULL || h->frees <= REST ? found : rested_between(h, 0, from, room, lead);
}

void *pf_heap_take(int64_t align, int64_t size)
{
    struct pf_heap *h = current;
    if (size < 0 || size > PF_HEAP_BYTES || align > 4096) {
        note(PF_HEAP_FULL, size);
        return NULL;
    }
    int64_t head = (int64_t)sizeof(struct block) + MARK;
    int64_t lead = head, room;
    if (align > ALIGN)
        lead = (h->used + head + align - 1) / align * align - h->used;
    room = (lead + size + MARK + ALIGN - 1) / ALIGN * ALIGN;
    struct block *b = align > ALIGN ? NULL : rested(h, room, lead);
    if (b == NULL) {
        if (h->used + room > PF_HEAP_BYTES) {
            note(PF_HEAP_FULL, size);
            return NULL;
        }
        b = (struct block *)(void *)(h->at + h->used);
        b->room = room;
        h->used += room;
    }
    unsigned char *start = (unsigned char *)b;
    b->magic = MAGIC;
    b->size = size;
    b->lead = lead;
    b->freed = 0;
    h->living++;
    memset(start + sizeof *b, MARK_BYTE, (size_t)(lead - (int64_t)sizeof *b));
    pf_fresh(start + lead, h->fill, size);
    memset(start + lead + size, MARK_BYTE, (size_t)(b->room - lead - size));
    tell_of(b);
    return start + lead;
}

static struct block *block_of(const void *p)
{
    enum { PLAIN_LEAD = sizeof(struct block) + MARK };
    /* Nearly always it stands right before the address. */
    int64_t near = (const unsigned char *)p - current->at - PLAIN_LEAD;
    struct block *plain = near >= 0 && near % ALIGN == 0 && near < current->used ? block_at(current, near) : NULL;
    if (plain != NULL && plain->lead == PLAIN_LEAD)
        return plain;
    for (int64_t at = 0; at < current->used;) {
        struct block *b = block_at(current, at);
        if (b == NULL)
            return NULL;
        if ((const unsigned char *)p < (unsigned char *)b + b->room)
            return (unsigned char *)b + b->lead == (const unsigned char *)p ? b : NULL;
        at += b->room;
    }
    return NULL;
}

int64_t pf_heap_size(const void *p)
{
    const struct block *b = block_of(p);
    return b == NULL || b->freed ? 0 : b->size;
}

void pf_heap_give(void *p)
{
    struct block *b = block_of(p);
    if (b == NULL || b->freed) {
        /* Where marks are gone, that is what is wrong, and the walk did not come to the block. */
        int64_t damaged = b == NULL ? pf_heap_damaged(current) : 0;
        note(b != NULL ? PF_HEAP_TWICE : damaged ? PF_HEAP_WRITTEN : PF_HEAP_NEVER, b != NULL ? b->size : damaged);
        return;
    }
    if (!marked((unsigned char *)p + b->size, (unsigned char *)b + b->room))
        note(PF_HEAP_WRITTEN, b->size);
    memset(p, FREED_BYTE, (size_t)b->size);
    b->freed = ++current->frees;
    current->living--;
    tell_of(b);
}
