/* Tables and variables of the firmware with room between them, and the checks of every access: the interface of
   -fsanitize=kernel-address with calls (gcc 5 or later), whose own memory of what is allowed is this file's.
   Included by recorder.c. Addresses that lie near none of the firmware's variables are none of its business; locals have
   their room where recorder_shadow.h says so. */

struct global {
    uintptr_t start, size, size_with_room;
    const char *name, *module;
    uintptr_t has_dynamic_init;
    const void *place, *odr;
};

#include "recorder_shadow.h"

enum { MOST_LISTS = 512 };
static struct { const struct global *first; uintptr_t count; } lists[MOST_LISTS];
static int listed;

HANDLER __asan_register_globals(const struct global *first, uintptr_t count)
{
    if (listed == MOST_LISTS) return;
    lists[listed].first = first;
    lists[listed++].count = count;
    for (const struct global *g = first; g < first + count; g++) {
        make_shadow(g->start);
        for (uintptr_t at = g->size / GRAIN; at < g->size_with_room / GRAIN; at++) {
            unsigned char *grain = known(g->start + at * GRAIN);
            uintptr_t inside = at * GRAIN < g->size ? g->size - at * GRAIN : 0;
            if (grain != NULL) *grain = inside > 0 ? (unsigned char)inside : NOTHING;
        }
    }
}

/* Entries that sections_apart.py put into sections of their own, and a linker script between these two ends. */
extern __attribute__((weak, visibility("hidden"))) const struct global pf_globals_start[], pf_globals_end[];

__attribute__((constructor(101), used)) static void register_listed(void)
{
    if (pf_globals_end > pf_globals_start)
        __asan_register_globals(pf_globals_start, (uintptr_t)(pf_globals_end - pf_globals_start));
}

HANDLER __asan_unregister_globals(const struct global *first, uintptr_t count) { (void)first, (void)count; }
HANDLER __asan_before_dynamic_init(const char *module) { (void)module; }
HANDLER __asan_after_dynamic_init(void) {}

/* The variable that an address in the room between two is nearest to; *apart: from its start, below zero before it. */
static const struct global *nearest_to(uintptr_t at, intptr_t *apart)
{
    const struct global *best = NULL;
    uintptr_t least = UINTPTR_MAX;
    for (int k = 0; k < listed; k++)
        for (const struct global *g = lists[k].first; g < lists[k].first + lists[k].count; g++) {
            if (g->name[0] == '*') continue; /* the compiler's own */
            uintptr_t away = at < g->start ? g->start - at : at >= g->start + g->size ? at - (g->start + g->size) : 0;
            if (away < least) {
                least = away;
                best = g;
            }
        }
    *apart = best != NULL ? (intptr_t)(at - best->start) : 0;
    return best;
}

/* file: the variable's name; line: where the access stands in the code, low 32 bits; column: its bytes. */
static __attribute__((noinline)) void beyond(uintptr_t at, uintptr_t size, int code, uintptr_t from, unsigned char why)
{
    struct local l = {0, 0, ""};
    intptr_t apart = 0;
    uintptr_t length = 0;
    const char *name = "";
    if (why == FREED) {
        code = code == READ_BEYOND ? READ_FREED : WRITE_FREED;
    } else if (why == BESIDE_A_BLOCK) {
        if (block_near(at, &l.start, &length)) apart = (intptr_t)(at - l.start);
        name = "a block of the heap";
    } else if (why == BEFORE_TAKEN || why == BEHIND_TAKEN) {
        if (block_near(at, &l.start, &length)) apart = (intptr_t)(at - l.start);
        name = "an array of variable length (or alloca's)";
    } else if (why != NOTHING && local_near(at, &l)) {
        name = l.name;
        apart = (intptr_t)(at - l.start);
        length = l.size;
        if (why == OUT_OF_SCOPE) code = code == READ_BEYOND ? READ_ENDED : WRITE_ENDED;
    } else {
        const struct global *g = nearest_to(at, &apart);
        name = g != NULL ? g->name : "";
        length = g != NULL ? g->size : 0;
    }
    struct place place = {name, (uint32_t)from, (uint32_t)size};
    struct pf_operand first = {(uint64_t)apart, 64, 1}, second = {length, 64, 2};
    record(&place, code, 2, first, second);
}

static inline __attribute__((always_inline)) void look(uintptr_t at, uintptr_t size, int code, uintptr_t from)
{
    const unsigned char *first = known(at), *last = known(at + size - 1);
    if (first == NULL || last == NULL || (*first | *last) == 0) return;
    for (uintptr_t byte = at; byte < at + size; byte++) {
        unsigned char most = *known(byte);
        if (most >= GRAIN || (most != 0 && byte % GRAIN >= most)) {
            /* Within a variable's last grain the grain behind it says of what kind it is. */
            unsigned char why = most >= GRAIN ? most : *known(byte + GRAIN);
            beyond(byte, size, code, from, why);
            return;
        }
    }
}

#define HERE ((uintptr_t)__builtin_return_address(0) - 1)
#define ACCESS(size)                                                                                        \
    HANDLER __asan_load##size##_noabort(uintptr_t at) { look(at, size, READ_BEYOND, HERE); }                  \
    HANDLER __asan_store##size##_noabort(uintptr_t at) { look(at, size, WRITE_BEYOND, HERE); }
ACCESS(1)
ACCESS(2)
ACCESS(4)
ACCESS(8)
ACCESS(16)
HANDLER __asan_loadN_noabort(uintptr_t at, uintptr_t size) { if (size > 0) look(at, size, READ_BEYOND, HERE); }
HANDLER __asan_storeN_noabort(uintptr_t at, uintptr_t size) { if (size > 0) look(at, size, WRITE_BEYOND, HERE); }
