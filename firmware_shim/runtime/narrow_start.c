/* The start of a 32-bit program that runs the firmware's loops on request. The table is generated. */
#define _GNU_SOURCE
#include <signal.h>
#include <string.h>
#include <ucontext.h>
#include <unistd.h>
#include <pthread.h>
#include <sys/mman.h>
#include <xmmintrin.h>
#include "narrow.h"
#include "refusals.h"

typedef void (*narrow_loop)(const void *const *inputs, void *output, long n, volatile long *progress);
struct pf_narrow_entry {
    const char *name;
    narrow_loop loop;
};
extern const struct pf_narrow_entry pf_narrow_table[];

_Static_assert(sizeof(long) == 4 && sizeof(void *) == 4, "this program is a 32-bit one");

enum { END_WITH_PARENT = 1 };

static struct pf_narrow_memory *memory;
static unsigned char handler_stack[1 << 16];
static pid_t own_process;

static void on_fault(int number, siginfo_t *info, void *context)
{
    ucontext_t *u = context;
    if (number == SIGSYS && info->si_code == PF_REFUSED) {
        memory->forked = pf_refused_what(info->si_syscall, info->si_arch);
        _exit(99);
    }
    memory->signal = number;
    memory->fault_address = (uint32_t)(uintptr_t)info->si_addr;
    memory->program_counter = (uint32_t)u->uc_mcontext.gregs[REG_EIP];
    memory->stack_pointer = (uint32_t)u->uc_mcontext.gregs[REG_ESP];
    _exit(100);
}

static void on_fork(void)
{
    if (getpid() != own_process)
        return;
    memory->forked = PF_STARTED;
    _exit(99);
}

static void watch_faults(void)
{
    static const int faults[] = {SIGSEGV, SIGBUS, SIGILL, SIGFPE, SIGABRT, SIGTRAP, SIGSYS};
    stack_t stack = {.ss_sp = handler_stack, .ss_size = sizeof handler_stack};
    struct sigaction action;
    memset(&action, 0, sizeof action);
    action.sa_sigaction = on_fault;
    action.sa_flags = SA_SIGINFO | SA_ONSTACK | SA_NODEFER;
    sigaltstack(&stack, NULL);
    for (size_t k = 0; k < sizeof faults / sizeof *faults; k++)
        sigaction(faults[k], &action, NULL);
}

/* Pages of declared peripheral words, at the board's own addresses. */
static void map_words(void)
{
    for (uint32_t k = 0; k < memory->words; k++) {
        uintptr_t page = memory->word[k].address & ~4095u;
        int known = 0;
        for (uint32_t i = 0; i < k; i++)
            known |= (memory->word[i].address & ~4095u) == page;
        if (!known && mmap((void *)page, 4096, PROT_READ | PROT_WRITE,
                           MAP_PRIVATE | MAP_ANONYMOUS | MAP_FIXED_NOREPLACE, -1, 0) != (void *)page) {
            memory->fault_address = memory->word[k].address;
            _exit(97);
        }
        *(volatile uint32_t *)(uintptr_t)memory->word[k].address = memory->word[k].value;
    }
}

/* Before any constructor of the firmware's: what goes wrong there is seen as well. */
__attribute__((constructor(101))) static void begin(void)
{
    prctl(END_WITH_PARENT, SIGKILL);
    memory = mmap(NULL, sizeof *memory, PROT_READ | PROT_WRITE, MAP_SHARED, PF_NARROW_MEMORY, 0);
    if (memory == MAP_FAILED)
        _exit(96);
    own_process = getpid();
    map_words();
    watch_faults();
    pthread_atfork(on_fork, NULL, NULL);
    pf_refuse_others();
}

static narrow_loop loop_named(const char *name)
{
    for (const struct pf_narrow_entry *e = pf_narrow_table; e->name; e++)
        if (strcmp(e->name, name) == 0)
            return e->loop;
    return NULL;
}

int main(void)
{
    const void *inputs[PF_NARROW_INPUTS];
    char word;
    for (int k = 0; k < PF_NARROW_INPUTS; k++)
        inputs[k] = memory->input[k];
    /* Ready; then one byte for each block asked for. */
    if (write(PF_NARROW_OUT, "r", 1) != 1)
        return 96;
    while (read(PF_NARROW_IN, &word, 1) == 1) {
        narrow_loop loop = loop_named(memory->name);
        memory->known = loop != NULL;
        if (loop) {
            _mm_setcsr(memory->mode);
            loop(inputs, memory->output, (long)memory->n, (volatile long *)memory->position);
            memory->mode_after = _mm_getcsr();
            _mm_setcsr(0x1f80u);
        }
        if (write(PF_NARROW_OUT, "d", 1) != 1)
            return 96;
    }
    _exit(0);
}
