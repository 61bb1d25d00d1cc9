/* State and writable sections kept between long runs, in a file that the parent mapped. What is kept is used only where this run
   comes to the very same memory after its first periods: addresses, which differ from process to process, do not. */
#define _GNU_SOURCE
#include <string.h>
#include <fcntl.h>
#include <unistd.h>
#include "engine_long_parts.h"

static struct pf_slot *slot_at(const struct pf_kept *kept, int64_t number)
{
    return (struct pf_slot *)(void *)(kept->slot + number * kept->slot_bytes);
}

static int64_t section_bytes(const struct long_memory *k) { return k->m->longer->region_size; }

/* The check sum of zip files (CRC-32, polynomial 0xEDB88320), so that the parent can check it with a library. */
static uint32_t sum_of(const unsigned char *from, int64_t n)
{
    static uint32_t table[256];
    uint32_t sum = 0xffffffffu;
    if (table[1] == 0)
        for (uint32_t i = 0; i < 256; i++) {
            uint32_t v = i;
            for (int bit = 0; bit < 8; bit++)
                v = v & 1u ? (v >> 1) ^ 0xedb88320u : v >> 1;
            table[i] = v;
        }
    for (int64_t i = 0; i < n; i++)
        sum = table[(sum ^ from[i]) & 0xffu] ^ (sum >> 8);
    return ~sum;
}

/* State, then the sections as what they differ in from the loader's. */
static void pack(const struct long_memory *k, unsigned char *to)
{
    memcpy(to, k->one->state.at, (size_t)k->m->state_size);
    unsigned char *sections = to + k->m->state_size;
    pf_copy_script_regions(k->job, sections);
    for (int64_t i = 0; i < section_bytes(k); i++)
        sections[i] ^= k->loaded[i];
}

static void write_slot(const struct long_memory *k, int64_t number)
{
    const struct pf_long *l = k->m->longer;
    const struct pf_kept *kept = l->kept;
    struct pf_slot *slot = slot_at(kept, number);
    int64_t head = (int64_t)offsetof(struct pf_slot, again);
    /* Not before the rest is void, and not before the rest is there. */
    __atomic_store_n(&slot->done, 0, __ATOMIC_SEQ_CST);
    slot->again = l->done;
    slot->base = l->base;
    slot->said = l->said;
    pack(k, (unsigned char *)(slot + 1));
    slot->sum = sum_of((const unsigned char *)slot + head, kept->slot_bytes - head);
    __atomic_store_n(&slot->done, l->done, __ATOMIC_SEQ_CST);
}

/* Whether the memory now is what a slot holds. */
static int is_slot(const struct long_memory *k, const struct pf_slot *slot)
{
    int64_t n = k->m->state_size + section_bytes(k);
    unsigned char *now = pf_plain_memory(n).at;
    pack(k, now);
    return slot->base == k->m->longer->base && memcmp(now, slot + 1, (size_t)n) == 0;
}

static void take_up(struct long_memory *k, int64_t number)
{
    struct pf_long *l = k->m->longer;
    const struct pf_slot *slot = slot_at(l->kept, number);
    int64_t n = section_bytes(k);
    unsigned char *sections = pf_plain_memory(n).at;
    memcpy(k->one->state.at, slot + 1, (size_t)k->m->state_size);
    memcpy(sections, (const unsigned char *)(slot + 1) + k->m->state_size, (size_t)n);
    for (int64_t i = 0; i < n; i++)
        sections[i] ^= k->loaded[i];
    pf_restore_script_regions(k->job, sections);
    l->done = slot->done;
    l->said = slot->said;
}

static uintptr_t hexadecimal(const char **text)
{
    uintptr_t found = 0;
    for (;; (*text)++) {
        char c = **text;
        int digit = c >= '0' && c <= '9' ? c - '0' : c >= 'a' && c <= 'f' ? c - 'a' + 10 : -1;
        if (digit < 0)
            return found;
        found = found * 16 + (uintptr_t)digit;
    }
}

enum { MOST_MAPS = 512, MAPS_TEXT = 1 << 18 };

/* Mapped stretches of this process, or -1. */
static int mapped(uintptr_t (*ends)[2])
{
    char *text = (char *)pf_plain_memory(MAPS_TEXT).at;
    int file = open("/proc/self/maps", O_RDONLY | O_CLOEXEC), count = 0;
    int64_t length = 0, got = 1;
    while (file >= 0 && got > 0 && length < MAPS_TEXT - 1) {
        got = read(file, text + length, (size_t)(MAPS_TEXT - 1 - length));
        length += got > 0 ? got : 0;
    }
    if (file < 0 || got != 0)
        return -1;
    close(file);
    text[length] = 0;
    for (const char *at = text; *at && count < MOST_MAPS; count++) {
        ends[count][0] = hexadecimal(&at);
        at++;
        ends[count][1] = hexadecimal(&at);
        while (*at && *at++ != '\n')
            ;
    }
    return count < MOST_MAPS ? count : -1;
}

/* Whether a word of the memory, other than those that the loader left, points into this process. When in doubt it does. */
static int holds_addresses(const struct long_memory *k)
{
    static uintptr_t ends[MOST_MAPS][2];
    int64_t n = k->m->state_size + section_bytes(k), state = k->m->state_size;
    unsigned char *now = pf_plain_memory(n).at;
    int count = mapped(ends);
    if (count < 0)
        return 1;
    memcpy(now, k->one->state.at, (size_t)state);
    pf_copy_script_regions(k->job, now + state);
    for (int64_t i = 0; i + (int64_t)sizeof(uintptr_t) <= n; i++) {
        uintptr_t word;
        memcpy(&word, now + i, sizeof word);
        if (i >= state && memcmp(now + i, k->loaded + (i - state), sizeof word) == 0)
            continue;
        /* Addresses of a process lie below 2^48. */
        for (int e = 0; word >= 4096 && word >> 48 == 0 && e < count; e++)
            if (word >= ends[e][0] && word < ends[e][1])
                return 1;
    }
    return 0;
}

void pf_keep_first(struct long_memory *k)
{
    struct pf_long *l = k->m->longer;
    l->addresses = holds_addresses(k);
    if (l->kept == NULL || l->addresses)
        return;
    if (l->kept->from < 0) {
        write_slot(k, 0);
        return;
    }
    if (!is_slot(k, slot_at(l->kept, 0))) {
        l->start = PF_OTHER_START;
        for (int64_t number = 0; number < l->kept->slots; number++)
            slot_at(l->kept, number)->done = 0;
        write_slot(k, 0);
        return;
    }
    l->start = PF_TAKEN_UP;
    k->checking = l->kept->check >= 0;
    take_up(k, k->checking ? l->kept->check : l->kept->from);
}

void pf_keep(struct long_memory *k, int at_the_end)
{
    struct pf_long *l = k->m->longer;
    struct pf_kept *kept = l->kept;
    if (kept == NULL || k->checking || l->start == PF_NOT_REPEATED || l->done <= l->base + 1)
        return;
    int64_t number = l->done / kept->every, exact = l->done % kept->every == 0 && number < kept->slots - 1;
    if (!exact && !at_the_end)
        return;
    /* Addresses may come later: then nothing that is kept counts. */
    if (!l->addresses && holds_addresses(k)) {
        l->addresses = 1;
        for (int64_t each = 0; each < kept->slots; each++)
            slot_at(kept, each)->done = 0;
    }
    if (!l->addresses)
        write_slot(k, exact ? number : kept->slots - 1);
}

int pf_is_repeated(struct long_memory *k)
{
    struct pf_long *l = k->m->longer;
    if (!k->checking)
        return 0;
    const struct pf_slot *next = slot_at(l->kept, l->kept->check + 1);
    if (l->done < next->done)
        return 0;
    if (l->done != next->done || !is_slot(k, next)) {
        l->start = PF_NOT_REPEATED;
        return 0;
    }
    k->checking = 0;
    take_up(k, l->kept->from);
    return 1;
}
