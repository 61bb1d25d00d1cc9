/* The image as a process under a user-mode emulator: its loops run on request, raw system calls only.
   It is linked into every image, and nothing of it runs in the emulator of the whole core. */
#include "board_served.h"

enum { EXIT = 1, READ = 3, WRITE = 4, PRCTL = 172, MAP = 192 };
enum { END_WITH_PARENT = 1, KILL = 9, READ_WRITE = 3, SHARED_FIXED = 0x11 };

static int32_t ask(int32_t number, uint32_t a, uint32_t b, uint32_t c, uint32_t d, uint32_t e, uint32_t f)
{
    const uint32_t words[7] = {a, b, c, d, e, f, (uint32_t)number};
    register const uint32_t *from __asm__("r6") = words;
    register int32_t answer __asm__("r0");
    /* r7 carries the number; it may be the frame pointer, so it is kept by hand. */
    __asm__ volatile("push {r7}\n\tldr r7, [r6, #24]\n\tldr r0, [r6]\n\tldr r1, [r6, #4]\n\tldr r2, [r6, #8]\n\t"
                     "ldr r3, [r6, #12]\n\tldr r4, [r6, #16]\n\tldr r5, [r6, #20]\n\tsvc 0\n\tpop {r7}"
                     : "=r"(answer) : "r"(from) : "r1", "r2", "r3", "r4", "r5", "memory", "cc");
    return answer;
}

/* Offsets as in struct pf_served. */
__attribute__((naked, noinline)) static void call(__attribute__((unused)) struct pf_served *asked)
{
    __asm__ volatile("push {r4, r5, r6, lr}\n\tmov r4, r0\n\tmov r5, sp\n\t"
#if defined(__ARM_FP)
                     "ldr r1, [r4, #24]\n\tvmsr fpscr, r1\n\t"
#endif
                     "ldr r6, [r4, #0]\n\tldr r0, [r4, #20]\n\tmov sp, r0\n\tldr r0, [r4, #4]\n\tldr r1, [r4, #8]\n\t"
                     "ldr r2, [r4, #12]\n\tldr r3, [r4, #16]\n\tblx r6\n\tmov sp, r5\n\t"
#if defined(__ARM_FP)
                     "vmrs r1, fpscr\n\tstr r1, [r4, #24]\n\t"
#endif
                     "pop {r4, r5, r6, pc}");
}

__attribute__((noreturn, used)) void pf_board_served_main(void)
{
    struct pf_served *asked = (struct pf_served *)(PF_SERVED_PAGE + PF_SERVED_AT);
    char word;
    ask(PRCTL, END_WITH_PARENT, KILL, 0, 0, 0, 0);
    if (ask(MAP, PF_SERVED_PAGE, 4096, READ_WRITE, SHARED_FIXED, PF_SERVED_FILE, 0) != (int32_t)PF_SERVED_PAGE)
        ask(EXIT, 95, 0, 0, 0, 0, 0);
    for (uint32_t k = 0; k < asked->areas; k++) {
        const struct pf_served_area *a = &asked->area[k];
        if (ask(MAP, a->address, a->size, READ_WRITE, SHARED_FIXED, PF_SERVED_FILE, a->page) != (int32_t)a->address)
            ask(EXIT, 95, 0, 0, 0, 0, 0);
    }
    ask(WRITE, PF_SERVED_OUT, (uint32_t)&word, 1, 0, 0, 0);
    while (ask(READ, PF_SERVED_IN, (uint32_t)&word, 1, 0, 0, 0) == 1) {
        call(asked);
        ask(WRITE, PF_SERVED_OUT, (uint32_t)&word, 1, 0, 0, 0);
    }
    for (;;)
        ask(EXIT, 0, 0, 0, 0, 0, 0);
}

__attribute__((naked, used)) void pf_board_served_start(void) { __asm__ volatile("bl pf_board_served_main"); }
