/* What the C library asks of a board that has no operating system. Nothing of a vendor's start-up runs. */
#include <stddef.h>
#include <errno.h>

typedef void (*constructor)(void);
extern const constructor __pf_init_start[], __pf_init_end[];
extern char __pf_heap_start[], __pf_heap_end[];

/* The runner stops when a loop comes back to this address. */
__attribute__((naked, used, aligned(4))) void pf_board_return(void) { __asm__ volatile("bkpt 0\n\tb ."); }

#if defined(__ARM_FEATURE_LDREX)
/* What the core does itself when it leaves an interrupt. */
__attribute__((naked, used, aligned(4))) void pf_board_clear_exclusive(void) { __asm__ volatile("clrex\n\tb ."); }
#endif

/* Run once before the first call: constructors of static objects. */
__attribute__((used)) void pf_board_start(void)
{
    const constructor *at;
#if defined(__ARM_FP)
    /* The first floating-point instruction sets the status register afresh: not in the middle of a call. */
    __asm__ volatile("vmov.f32 s0, s0" ::: "s0");
#endif
    for (at = __pf_init_start; at < __pf_init_end; at++)
        (*at)();
}

/* A breakpoint whose place the runner knows by name: the program has ended itself. */
__attribute__((noreturn, noinline, used)) void pf_board_exit(int status)
{
    __asm__ volatile("mov r0, %0\n\tbkpt 1" ::"r"(status) : "r0");
    for (;;)
        ;
}

__attribute__((noreturn, noinline, used)) void pf_board_abort(void)
{
    __asm__ volatile("bkpt 2");
    for (;;)
        ;
}

#if !defined(PF_READY)
__attribute__((weak, noreturn)) void _exit(int status) { pf_board_exit(status); }
__attribute__((weak, noreturn)) void abort(void) { pf_board_abort(); }

void *pf_board_sbrk(ptrdiff_t more)
{
    static char *now = __pf_heap_start;
    char *before = now;
    if (more > __pf_heap_end - now || more < __pf_heap_start - now) {
        errno = ENOMEM;
        return (void *)-1;
    }
    now += more;
    return before;
}

__attribute__((weak)) void *_sbrk(ptrdiff_t more) { return pf_board_sbrk(more); }
__attribute__((weak)) int _write(int file, const char *text, int length) { (void)file; (void)text; return length; }
__attribute__((weak)) int _read(int file, char *text, int length) { (void)file; (void)text; (void)length; return 0; }
__attribute__((weak)) int _close(int file) { (void)file; return -1; }
__attribute__((weak)) int _lseek(int file, int to, int from) { (void)file; (void)to; (void)from; return 0; }
__attribute__((weak)) int _fstat(int file, void *into) { (void)file; (void)into; errno = ENOSYS; return -1; }
__attribute__((weak)) int _isatty(int file) { (void)file; return 1; }
__attribute__((weak)) int _getpid(void) { return 1; }
__attribute__((weak)) int _kill(int process, int number) { (void)process; (void)number; pf_board_abort(); }
__attribute__((weak)) void _init(void) {}
__attribute__((weak)) void _fini(void) {}
void *__dso_handle __attribute__((weak)) = 0;
#endif
