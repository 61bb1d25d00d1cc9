/* sprintf and its family, as the author's code calls them: the strings that they read and the room that they write to are
   looked at first. Part of the strict build beside recorder.c, but compiled so that floats can be handed on. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

/* Hidden and weak, as in recorder_strings.h. */
#define OWN_NAME(type) __attribute__((visibility("hidden"), noinline, used, weak)) type
#define HERE ((uintptr_t)__builtin_return_address(0) - 1)

void pf_recorder_writes(void *to, size_t size, size_t room, uintptr_t here);
void pf_recorder_reads_string(const char *s, size_t most, uintptr_t here);

typedef int (*formatter)(char *to, size_t size, const char *format, va_list values);

/* The C library's own: its name stands for ours in this library. */
static formatter real(void)
{
    static formatter found;
    if (found == NULL)
        found = (formatter)dlsym(RTLD_DEFAULT, "vsnprintf");
    return found;
}

/* Each %s up to its precision; at anything unknown no further is looked. */
static void look_at_strings(const char *at, va_list values, uintptr_t here)
{
    while ((at = strchr(at, '%')) != NULL) {
        size_t most = SIZE_MAX;
        int wide = 0, widest = 0;
        for (at++; *at != 0 && strchr("-+ #0123456789.*", *at) != NULL; at++) {
            if (*at == '.' && at[1] != '*') {
                most = 0;
                while (at[1] >= '0' && at[1] <= '9')
                    most = 10 * most + (size_t)(*++at - '0');
            } else if (*at == '*') {
                int given = va_arg(values, int);
                if (at[-1] == '.')
                    most = given < 0 ? SIZE_MAX : (size_t)given;
            }
        }
        for (; *at != 0 && strchr("hlLqjzt", *at) != NULL; at++) {
            wide += *at != 'h';
            widest |= *at == 'L';
        }
        if (*at == 0)
            return;
        if (*at == 's' && !wide) {
            const char *text = va_arg(values, const char *);
            if (text != NULL)
                pf_recorder_reads_string(text, most, here);
        } else if (strchr("diouxXc", *at) != NULL && !widest) {
            if (wide)
                (void)va_arg(values, long);
            else
                (void)va_arg(values, int);
        } else if (strchr("fFeEgGaA", *at) != NULL) {
            if (widest)
                (void)va_arg(values, long double);
            else
                (void)va_arg(values, double);
        } else if (strchr("psn", *at) != NULL) {
            (void)va_arg(values, void *);
        } else if (*at != '%') {
            return;
        }
        at++;
    }
}

static int written(char *to, size_t size, size_t room, const char *format, va_list values, uintptr_t here)
{
    va_list again;
    va_copy(again, values);
    look_at_strings(format, again, here);
    va_end(again);
    va_copy(again, values);
    int length = real()(NULL, 0, format, again);
    va_end(again);
    if (length >= 0 && size > 0)
        pf_recorder_writes(to, (size_t)length < size ? (size_t)length + 1 : size, room, here);
    return real()(to, size, format, values);
}

#define MOST ((size_t)INT32_MAX)
#define WITH_VALUES(last, call)      \
    va_list values;                  \
    va_start(values, last);          \
    int length = call;               \
    va_end(values);                  \
    return length

OWN_NAME(int) vsnprintf(char *to, size_t size, const char *format, va_list values)
{
    return written(to, size, SIZE_MAX, format, values, HERE);
}

OWN_NAME(int) vsprintf(char *to, const char *format, va_list values)
{
    return written(to, MOST, SIZE_MAX, format, values, HERE);
}

OWN_NAME(int) snprintf(char *to, size_t size, const char *format, ...)
{
    WITH_VALUES(format, written(to, size, SIZE_MAX, format, values, HERE));
}

OWN_NAME(int) sprintf(char *to, const char *format, ...)
{
    WITH_VALUES(format, written(to, MOST, SIZE_MAX, format, values, HERE));
}

/* Where the headers hand on how large the object or member is (strict_sizes.h). */
OWN_NAME(int) __vsnprintf_chk(char *to, size_t size, int flag, size_t room, const char *format, va_list values)
{
    (void)flag;
    return written(to, size, room, format, values, HERE);
}

OWN_NAME(int) __vsprintf_chk(char *to, int flag, size_t room, const char *format, va_list values)
{
    (void)flag;
    return written(to, MOST, room, format, values, HERE);
}

OWN_NAME(int) __snprintf_chk(char *to, size_t size, int flag, size_t room, const char *format, ...)
{
    (void)flag;
    WITH_VALUES(format, written(to, size, room, format, values, HERE));
}

OWN_NAME(int) __sprintf_chk(char *to, int flag, size_t room, const char *format, ...)
{
    (void)flag;
    WITH_VALUES(format, written(to, MOST, room, format, values, HERE));
}
