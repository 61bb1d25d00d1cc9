"""C that tries, at one input, to get away from whoever watches it: each way with the words that must name it."""

from __future__ import annotations

# Way -> (C statement that has a variable `keep`, words of the finding). An empty text: it goes on, and nothing is found.
WAYS: dict[str, tuple[str, str]] = {
    "bus": ("keep += beyond_a_file()", "SIGBUS"),
    "illegal": ("__builtin_trap()", "SIGILL"),
    "jump_out": ("leave_frame()", "SIG"),
    "jump_back": ("longjmp(earlier, 1)", "hang"),
    "detaches": ("detach()", "another process"),
    "raw_fork": ("if (syscall(SYS_fork) == 0) { setsid(); for (;;) pause(); }", "another process"),
    "other_numbers": ("if (fork_as_32_bits() == 0) { setsid(); for (;;) pause(); }", "another process"),
    "spawned": ("spawn_sleeper()", "another process"),
    "becomes": ('execl("/bin/true", "true", (char *)0)', "another process"),
    "shut": ("for (int fd = 0; fd < 4096; fd++) close(fd); *(volatile int *)(uintptr_t)(keep & 0) = 1", "SIGSEGV"),
    "handlers": ("catch_all(); *(volatile int *)(uintptr_t)(keep & 0) = 1", "hang"),
    "ignores": ("ignore_all(); abort()", "SIGABRT"),
    "stopped": ("raise(SIGSTOP)", "hang"),
    "deep": ("keep += deeper(keep)", "stack"),
    "wide": ("keep += wide_room(keep)", "stack"),
    "unchecked": ("{ char *p = malloc((size_t)6 << 30); p[keep & 1] = 1; keep += p[keep & 1] - 1; }", "null pointer"),
    "thread": ("{ pthread_t t; pthread_create(&t, NULL, spinning, NULL); for (;;) pause(); }", "hang"),
    "prints": ("say_a_megabyte()", ""),
    "closes": ("for (int fd = 0; fd < 4096; fd++) close(fd)", ""),
}
# The same in other words; these run at night.
MORE: dict[str, tuple[str, str]] = {
    "raised": ("raise(SIGILL)", "SIGILL"),
    "masks": ("mask_all(); for (;;) { keep++; }", "hang"),
    "sleeps": ("for (;;) pause()", "hang"),
    "reads": ("{ char c; while (read(0, &c, 1) == 0) keep++; }", "hang"),
    "alarmed": ("alarm(1); for (;;) pause()", "SIGALRM"),
    "greedy": ("for (;;) { char *p = malloc(1u << 26); if (!p) abort(); memset(p, 1, 1u << 26); }", "SIGABRT"),
    "x32_numbers": ("if (syscall(0x40000000 | 57) == 0) { setsid(); for (;;) pause(); }", "another process"),
    "group": ("kill(0, SIGKILL)", "SIGKILL"),
    "catches": ("catch_all(); raise(SIGSEGV)", ""),
}
PARTS = r"""
#include <pthread.h>
#include <setjmp.h>
#include <signal.h>
#include <spawn.h>
#include <stdio.h>
#include <stdlib.h>
#include <unistd.h>
#include <fenv.h>
#include <sys/mman.h>
#include <sys/syscall.h>
#include <sys/wait.h>
extern char **environ;
static int deeper(int n) { volatile char room[4096]; room[n & 4095] = (char)n; return deeper(n + 1) + room[1]; }
static int beyond_a_file(void)
{
    FILE *f = tmpfile();
    volatile char *at = mmap(NULL, 8192, PROT_READ | PROT_WRITE, MAP_SHARED, fileno(f), 0);
    return at[4096];
}
static long fork_as_32_bits(void)
{
#if defined(__x86_64__)
    long got = 2;
    __asm__ volatile("int $0x80" : "+a"(got) : : "memory", "r8", "r9", "r10", "r11");
    return got;
#else
    return syscall(SYS_clone, SIGCHLD, 0, 0, 0, 0);
#endif
}
static jmp_buf left, earlier;
static __attribute__((noinline)) int remember(void) { return setjmp(left); }
static __attribute__((noinline)) void leave_frame(void) { remember(); longjmp(left, 1); }
static __attribute__((noinline)) int wide_room(int n) { volatile char room[64u << 20]; room[n & 7] = 1; return room[n & 7]; }
static void detach(void)
{
    if (fork() == 0) {
        setsid();
        if (fork() == 0)
            for (;;) pause();
        _exit(0);
    }
}
static void spawn_sleeper(void)
{
    pid_t child;
    char *words[] = {"sleep", "MARKER", NULL};
    posix_spawnp(&child, "sleep", NULL, NULL, words, environ);
}
static void go_on(int number) { (void)number; }
static void catch_all(void) { for (int n = 1; n < 32; n++) signal(n, go_on); }
static void ignore_all(void) { for (int n = 1; n < 32; n++) signal(n, SIG_IGN); }
static void mask_all(void) { sigset_t all; sigfillset(&all); sigprocmask(SIG_BLOCK, &all, NULL); }
static void say_a_megabyte(void)
{
    static int told;
    for (int k = 0; k < 20000 && !told; k++) printf("%64d\n", k);
    fflush(stdout);
    told = 1;
}
static void *spinning(void *at) { for (;;) { } return at; }
"""
