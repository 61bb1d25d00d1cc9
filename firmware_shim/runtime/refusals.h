/* What the kernel refuses a process that runs firmware: new processes and programs, however they are asked for (one started by the
   bare system call would outlive a supervisor that is killed), and signals to any process but itself: kill(-1, ...) reaches all
   that a user runs. Threads stay allowed: they end with the process. Each refusal is a SIGSYS whose si_syscall tells which.
   Own declarations: the kernel's headers are often not installed for 32-bit programs. */
#ifndef PF_REFUSALS_H
#define PF_REFUSALS_H
#include <stddef.h>
#include <stdint.h>
#include <unistd.h>

extern int prctl(int what, ...);

struct pf_filter_row { uint16_t code; uint8_t when, otherwise; uint32_t value; };
struct pf_filter { unsigned short length; const struct pf_filter_row *rows; };

enum { PF_REFUSED = 1 }; /* si_code SYS_SECCOMP */
/* What was asked for: forked_at of struct pf_shared. */
enum { PF_STARTED = 1, PF_STARTED_SOMEWHERE = 2, PF_SIGNALLED = 3 };

#if defined(__x86_64__)
enum { PF_NR_FORK = 57, PF_NR_VFORK = 58, PF_NR_CLONE = 56, PF_NR_KILL = 62, PF_NR_TKILL = 200, PF_NR_TGKILL = 234,
       PF_NR_QUEUE = 129, PF_NR_TGQUEUE = 297, PF_NR_TRACE = 101, PF_NR_WRITE_OTHER = 311, PF_NR_LIMIT = 302, PF_NR_EXEC = 59, PF_NR_EXEC_AT = 322 };
#define PF_ARCH 0xc000003eu
#elif defined(__i386__)
enum { PF_NR_FORK = 2, PF_NR_VFORK = 190, PF_NR_CLONE = 120, PF_NR_KILL = 37, PF_NR_TKILL = 238, PF_NR_TGKILL = 270,
       PF_NR_QUEUE = 178, PF_NR_TGQUEUE = 335, PF_NR_TRACE = 26, PF_NR_WRITE_OTHER = 348, PF_NR_LIMIT = 340, PF_NR_EXEC = 11, PF_NR_EXEC_AT = 358 };
#define PF_ARCH 0x40000003u
#else /* AArch64: fork and vfork are clone's there */
enum { PF_NR_FORK = 220, PF_NR_VFORK = 220, PF_NR_CLONE = 220, PF_NR_KILL = 129, PF_NR_TKILL = 130, PF_NR_TGKILL = 131,
       PF_NR_QUEUE = 138, PF_NR_TGQUEUE = 240, PF_NR_TRACE = 117, PF_NR_WRITE_OTHER = 271, PF_NR_LIMIT = 261, PF_NR_EXEC = 221, PF_NR_EXEC_AT = 281 };
#define PF_ARCH 0xc00000b7u
#endif
/* The same number everywhere. */
enum { PF_NR_SIGNAL_BY_FILE = 424, PF_NR_CLONE3 = 435, PF_NO_SUCH_CALL = 38 };
/* From here on numbers are those of 32-bit programs on x86-64, under the same name of the architecture. */
enum { PF_OTHER_NUMBERS = 0x40000000 };

/* PF_STARTED or PF_SIGNALLED, of a refused system call; one by another kind of program's numbers can only mean to get away. */
static inline int pf_refused_what(long number, uint32_t arch)
{
    int starts = arch != PF_ARCH || number >= PF_OTHER_NUMBERS || number == PF_NR_FORK || number == PF_NR_VFORK || number == PF_NR_CLONE || number == PF_NR_EXEC ||
                 number == PF_NR_EXEC_AT;
    return starts ? PF_STARTED : PF_SIGNALLED;
}

#define PF_LOAD(at) {0x20, 0, 0, (uint32_t)(at)}
#define PF_ANSWER(what) {0x06, 0, 0, (what)}
#define PF_IF_NOT(number, skip) {0x15, 0, (skip), (uint32_t)(number)}
#define PF_ALLOW 0x7fff0000u
#define PF_TRAP 0x00030000u
/* clone3 keeps its flags in memory, where a filter cannot look; told that it does not exist, the C library uses clone. */
#define PF_NOT_THERE (0x00050000u | PF_NO_SUCH_CALL)
#define PF_ALWAYS(number, what) PF_IF_NOT(number, 1), PF_ANSWER(what)
/* Its first argument must be this process, or 0 (its own group, which holds nobody else). */
#define PF_ONLY_ME(number) \
    PF_IF_NOT(number, 5), PF_LOAD(16), {0x15, 2, 0, me}, {0x15, 1, 0, 0}, PF_ANSWER(PF_TRAP), PF_ANSWER(PF_ALLOW)

/* Where the kernel has no filters, the supervisor still ends what it finds. */
static inline void pf_refuse_others(void)
{
    enum { NO_NEW_PRIVILEGES = 38, SET_FILTER = 22, WITH_ROWS = 2, THREAD = 0x10000 };
    const uint32_t me = (uint32_t)getpid();
    const struct pf_filter_row rows[] = {
        PF_LOAD(4), {0x15, 1, 0, PF_ARCH}, PF_ANSWER(PF_TRAP), /* 32-bit numbers from 64-bit code, and the other way round */
        PF_LOAD(0), {0x35, 0, 1, PF_OTHER_NUMBERS}, PF_ANSWER(PF_TRAP),
        PF_ALWAYS(PF_NR_CLONE3, PF_NOT_THERE),
        PF_ALWAYS(PF_NR_SIGNAL_BY_FILE, PF_TRAP), PF_ALWAYS(PF_NR_TRACE, PF_TRAP), PF_ALWAYS(PF_NR_WRITE_OTHER, PF_TRAP),
        PF_ALWAYS(PF_NR_EXEC, PF_TRAP), PF_ALWAYS(PF_NR_EXEC_AT, PF_TRAP),
#if !defined(__aarch64__)
        PF_ALWAYS(PF_NR_FORK, PF_TRAP), PF_ALWAYS(PF_NR_VFORK, PF_TRAP),
#endif
        PF_IF_NOT(PF_NR_CLONE, 4), PF_LOAD(16), {0x45, 1, 0, THREAD}, PF_ANSWER(PF_TRAP), PF_ANSWER(PF_ALLOW),
        PF_ONLY_ME(PF_NR_KILL), PF_ONLY_ME(PF_NR_TKILL), PF_ONLY_ME(PF_NR_TGKILL), PF_ONLY_ME(PF_NR_QUEUE),
        PF_ONLY_ME(PF_NR_TGQUEUE), PF_ONLY_ME(PF_NR_LIMIT),
        PF_ANSWER(PF_ALLOW),
    };
    const struct pf_filter filter = {sizeof rows / sizeof *rows, rows};
    if (prctl(NO_NEW_PRIVILEGES, 1, 0, 0, 0) == 0)
        prctl(SET_FILTER, WITH_ROWS, &filter, 0, 0);
}
#endif
