/* The C library's functions on memory and strings, as the author's code calls them: what they touch is looked at first, then
   the work is done. Included by recorder.c behind recorder_globals.h; hidden, so that nobody else gets these, and weak: one
   that the author writes stays the author's. The names with _chk stand for them where the C library's headers hand on how
   large the object (of strings: the member) is that they write to (strict_sizes.h). */

static void copy_up(unsigned char *to, const unsigned char *from, uintptr_t size)
{
#if defined(__x86_64__)
    __asm__ volatile("rep movsb" : "+D"(to), "+S"(from), "+c"(size) : : "memory");
#else
    for (volatile unsigned char *at = to; size > 0; size--) *at++ = *from++;
#endif
}

/* As look(), for a stretch of any length. */
static void look_along(uintptr_t at, uintptr_t size, int code, uintptr_t from)
{
    for (uintptr_t byte = at; byte < at + size; byte = (byte | (GRAIN - 1)) + 1) {
        uintptr_t end = (byte | (GRAIN - 1)) + 1 < at + size ? (byte | (GRAIN - 1)) + 1 : at + size;
        const unsigned char *grain = known(byte);
        if (grain == NULL || *grain == 0 || (*grain < GRAIN && (end - 1) % GRAIN < *grain)) continue;
        while (*grain < GRAIN && byte % GRAIN < *grain) byte++;
        beyond(byte, size, code, from, *grain >= GRAIN ? *grain : *known(byte + GRAIN));
        return;
    }
}

static void look_apart(uintptr_t to, uintptr_t from, uintptr_t size, uintptr_t here)
{
    if (to == from || to + size <= from || from + size <= to) return;
    struct place place = {"", (uint32_t)here, (uint32_t)size};
    record(&place, OVERLAP, 1, plain(to > from ? to - from : from - to), none);
}

static uintptr_t length_of(const char *s, uintptr_t most, uintptr_t from)
{
    uintptr_t length = 0, told = 0;
    for (; length < most; length++) {
        const unsigned char *grain = known((uintptr_t)s + length);
        if (grain != NULL && *grain != 0 && !told++) look((uintptr_t)s + length, 1, READ_BEYOND, from);
        if (told > 0 && (grain == NULL || *grain == 0 || *grain < GRAIN)) told = 0;
        if (s[length] == 0) break;
    }
    return length;
}

/* As the headers know it; SIZE_MAX where they do not. */
static void fits(uintptr_t size, size_t room, uintptr_t here)
{
    struct place place = {"the object or member that it is given", (uint32_t)here, (uint32_t)size};
    struct pf_operand length = {room, 64, 2};
    if (size > room) record(&place, WRITE_BEYOND, 2, length, length);
}

#define OWN_NAME(type) __attribute__((visibility("hidden"), noinline, used, weak)) type

static void *put(void *to, const void *from, size_t size, uintptr_t here)
{
    look_along((uintptr_t)from, size, READ_BEYOND, here);
    look_along((uintptr_t)to, size, WRITE_BEYOND, here);
    look_apart((uintptr_t)to, (uintptr_t)from, size, here);
    copy_up(to, from, size);
    return to;
}

OWN_NAME(void *) memcpy(void *to, const void *from, size_t size) { return put(to, from, size, HERE); }

OWN_NAME(void *) __memcpy_chk(void *to, const void *from, size_t size, size_t room)
{
    fits(size, room, HERE);
    return put(to, from, size, HERE);
}

static void *move(void *to, const void *from, size_t size, uintptr_t here)
{
    look_along((uintptr_t)from, size, READ_BEYOND, here);
    look_along((uintptr_t)to, size, WRITE_BEYOND, here);
    if ((uintptr_t)to - (uintptr_t)from >= size) {
        copy_up(to, from, size);
        return to;
    }
    volatile unsigned char *end = (unsigned char *)to + size;
    const volatile unsigned char *source = (const unsigned char *)from + size;
    while (size-- > 0) *--end = *--source;
    return to;
}

OWN_NAME(void *) memmove(void *to, const void *from, size_t size) { return move(to, from, size, HERE); }

OWN_NAME(void *) __memmove_chk(void *to, const void *from, size_t size, size_t room)
{
    fits(size, room, HERE);
    return move(to, from, size, HERE);
}

static void *set(void *to, int value, size_t size, uintptr_t here)
{
    look_along((uintptr_t)to, size, WRITE_BEYOND, here);
    unsigned char *at = to;
#if defined(__x86_64__)
    __asm__ volatile("rep stosb" : "+D"(at), "+c"(size) : "a"(value) : "memory");
#else
    for (volatile unsigned char *p = at; size > 0; size--) *p++ = (unsigned char)value;
#endif
    return to;
}

OWN_NAME(void *) memset(void *to, int value, size_t size) { return set(to, value, size, HERE); }

OWN_NAME(void *) __memset_chk(void *to, int value, size_t size, size_t room)
{
    fits(size, room, HERE);
    return set(to, value, size, HERE);
}

OWN_NAME(int) memcmp(const void *one, const void *other, size_t size)
{
    look_along((uintptr_t)one, size, READ_BEYOND, HERE);
    look_along((uintptr_t)other, size, READ_BEYOND, HERE);
    const unsigned char *a = one, *b = other;
    for (; size > 0; size--, a++, b++)
        if (*a != *b) return *a - *b;
    return 0;
}

OWN_NAME(size_t) strlen(const char *s) { return length_of(s, UINTPTR_MAX, HERE); }
OWN_NAME(size_t) strnlen(const char *s, size_t most) { return length_of(s, most, HERE); }

static int compared(const char *one, const char *other, size_t most, uintptr_t here)
{
    const unsigned char *a = (const unsigned char *)one, *b = (const unsigned char *)other;
    for (; most > 0; most--, a++, b++) {
        look((uintptr_t)a, 1, READ_BEYOND, here);
        look((uintptr_t)b, 1, READ_BEYOND, here);
        if (*a != *b || *a == 0) return *a - *b;
    }
    return 0;
}

OWN_NAME(int) strcmp(const char *one, const char *other) { return compared(one, other, SIZE_MAX, HERE); }
OWN_NAME(int) strncmp(const char *one, const char *other, size_t most) { return compared(one, other, most, HERE); }

/* A string, cut off after `most`, with its end. Writing past `room` is told. */
static char *put_string(char *to, const char *from, uintptr_t most, size_t room, uintptr_t here)
{
    uintptr_t size = length_of(from, most, here) + 1;
    fits(size, room, here);
    look_along((uintptr_t)to, size, WRITE_BEYOND, here);
    look_apart((uintptr_t)to, (uintptr_t)from, size, here);
    copy_up((unsigned char *)to, (const unsigned char *)from, size - 1);
    *(volatile char *)(to + size - 1) = 0;
    return to;
}

static char *append(char *to, const char *from, uintptr_t most, size_t room, uintptr_t here)
{
    uintptr_t has = length_of(to, UINTPTR_MAX, here);
    put_string(to + has, from, most, room == SIZE_MAX ? room : room > has ? room - has : 0, here);
    return to;
}

static char *put_padded(char *to, const char *from, size_t size, size_t room, uintptr_t here)
{
    uintptr_t length = length_of(from, size, here);
    fits(size, room, here);
    look_along((uintptr_t)to, size, WRITE_BEYOND, here);
    copy_up((unsigned char *)to, (const unsigned char *)from, length);
    for (volatile char *at = to + length; at < to + size; at++) *at = 0;
    return to;
}

/* Each function, and the one that is handed the size of what it writes to. */
#define STRINGS(name, more, passed, work)                                                                       \
    OWN_NAME(char *) name(char *to, const char *from more) { return work(to, from, passed, SIZE_MAX, HERE); }       \
    OWN_NAME(char *) __##name##_chk(char *to, const char *from more, size_t room) { return work(to, from, passed, room, HERE); }
#define COMMA_SIZE , size_t size
#define NO_MORE
STRINGS(strcpy, NO_MORE, UINTPTR_MAX, put_string)
STRINGS(strcat, NO_MORE, UINTPTR_MAX, append)
STRINGS(strncat, COMMA_SIZE, size, append)
STRINGS(strncpy, COMMA_SIZE, size, put_padded)

/* For recorder_format.c. */
void pf_recorder_writes(void *to, size_t size, size_t room, uintptr_t here)
{
    fits(size, room, here);
    look_along((uintptr_t)to, size, WRITE_BEYOND, here);
}

void pf_recorder_reads_string(const char *s, size_t most, uintptr_t here) { length_of(s, most, here); }
