/* Tables and variables of the firmware with room between them, and the checks of every access: the interface of
   -fsanitize=kernel-address with calls (gcc 5 or later), whose own memory of what is allowed is this file's.
   Included by recorder.c. Addresses that lie near none of the firmware's variables are none of its business. */

struct global {
    uintptr_t start, size, size_with_room;
    const char *name, *module;
    uintptr_t has_dynamic_init;
    const void *place, *odr;
};

/* One byte for each eight: 0 all allowed, 1 to 7 so many of them, 255 none. */
enum { GRAIN = 8, GRAINS = 1 << 21, MOST_LISTS = 512, NOTHING = 255 };
static unsigned char allowed[GRAINS];
static uintptr_t lowest;
static struct { const struct global *first; uintptr_t count; } lists[MOST_LISTS];
static int listed;

HANDLER __asan_register_globals(const struct global *first, uintptr_t count)
{
    if (listed == MOST_LISTS) return;
    lists[listed].first = first;
    lists[listed++].count = count;
    for (const struct global *g = first; g < first + count; g++) {
        if (lowest == 0) lowest = (g->start & ~(uintptr_t)(GRAIN - 1)) - (uintptr_t)GRAINS * GRAIN / 2;
        for (uintptr_t at = g->size / GRAIN; at < g->size_with_room / GRAIN; at++) {
            uintptr_t grain = (g->start - lowest) / GRAIN + at;
            uintptr_t inside = at * GRAIN < g->size ? g->size - at * GRAIN : 0;
            if (grain < GRAINS) allowed[grain] = inside > 0 ? (unsigned char)inside : NOTHING;
        }
    }
}

HANDLER __asan_unregister_globals(const struct global *first, uintptr_t count) { (void)first, (void)count; }
HANDLER __asan_handle_no_return(void) {}
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
static __attribute__((noinline)) void beyond(uintptr_t at, uintptr_t size, int code, uintptr_t from)
{
    intptr_t apart;
    const struct global *g = nearest_to(at, &apart);
    struct place place = {g != NULL ? g->name : "", (uint32_t)from, (uint32_t)size};
    struct pf_operand first = {(uint64_t)apart, 64, 1}, second = {g != NULL ? g->size : 0, 64, 2};
    record(&place, code, 2, first, second);
}

static inline __attribute__((always_inline)) void look(uintptr_t at, uintptr_t size, int code, uintptr_t from)
{
    uintptr_t first = (at - lowest) / GRAIN, last = (at + size - 1 - lowest) / GRAIN;
    if (first >= GRAINS || last >= GRAINS || (allowed[first] | allowed[last]) == 0) return;
    for (uintptr_t byte = at; byte < at + size; byte++) {
        unsigned char most = allowed[(byte - lowest) / GRAIN];
        if (most == NOTHING || (most != 0 && (byte - lowest) % GRAIN >= most)) {
            beyond(byte, size, code, from);
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
