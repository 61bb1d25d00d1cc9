/* The C library's functions on memory and strings, as the author's code calls them: what they touch is looked at first, then
   the work is done. Included by recorder.c behind recorder_globals.h; hidden, so that nobody else gets these. */

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

#define OWN_NAME(type) __attribute__((visibility("hidden"), noinline, used)) type

OWN_NAME(void *) memcpy(void *to, const void *from, size_t size)
{
    look_along((uintptr_t)from, size, READ_BEYOND, HERE);
    look_along((uintptr_t)to, size, WRITE_BEYOND, HERE);
    look_apart((uintptr_t)to, (uintptr_t)from, size, HERE);
    copy_up(to, from, size);
    return to;
}

OWN_NAME(void *) memmove(void *to, const void *from, size_t size)
{
    look_along((uintptr_t)from, size, READ_BEYOND, HERE);
    look_along((uintptr_t)to, size, WRITE_BEYOND, HERE);
    if ((uintptr_t)to - (uintptr_t)from >= size) {
        copy_up(to, from, size);
        return to;
    }
    volatile unsigned char *end = (unsigned char *)to + size;
    const volatile unsigned char *source = (const unsigned char *)from + size;
    while (size-- > 0) *--end = *--source;
    return to;
}

OWN_NAME(void *) memset(void *to, int value, size_t size)
{
    look_along((uintptr_t)to, size, WRITE_BEYOND, HERE);
    unsigned char *at = to;
#if defined(__x86_64__)
    __asm__ volatile("rep stosb" : "+D"(at), "+c"(size) : "a"(value) : "memory");
#else
    for (volatile unsigned char *p = at; size > 0; size--) *p++ = (unsigned char)value;
#endif
    return to;
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

static char *put_string(char *to, const char *from, uintptr_t here)
{
    uintptr_t size = length_of(from, UINTPTR_MAX, here) + 1;
    look_along((uintptr_t)to, size, WRITE_BEYOND, here);
    look_apart((uintptr_t)to, (uintptr_t)from, size, here);
    copy_up((unsigned char *)to, (const unsigned char *)from, size);
    return to;
}

OWN_NAME(char *) strcpy(char *to, const char *from) { return put_string(to, from, HERE); }

OWN_NAME(char *) strcat(char *to, const char *from)
{
    put_string(to + length_of(to, UINTPTR_MAX, HERE), from, HERE);
    return to;
}

OWN_NAME(char *) strncpy(char *to, const char *from, size_t size)
{
    uintptr_t length = length_of(from, size, HERE);
    look_along((uintptr_t)to, size, WRITE_BEYOND, HERE);
    copy_up((unsigned char *)to, (const unsigned char *)from, length);
    for (volatile char *at = to + length; at < to + size; at++) *at = 0;
    return to;
}
