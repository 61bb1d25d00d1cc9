/* The firmware runs only in a child forked here: limited, cut off, and unable to outlive the job. */
#define _GNU_SOURCE
#include <errno.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <fcntl.h>
#include <pthread.h>
#include <unistd.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <sys/syscall.h>
#include <sys/types.h>
#include <sys/wait.h>
#include <ucontext.h>
#include "engine_parts.h"
#include "refusals.h"

struct pf_job *pf_present_job;
static struct pf_shared *fault_note;
static unsigned char handler_stack[1 << 16];

/* Hunting for an event of the firmware's own: one outside its code is noted, masked, and stepped over
   instruction by instruction until the firmware's code runs again. */
static struct pf_job *trapping;

#if defined(__x86_64__)
static int own_code(int64_t address) { return address >= trapping->code_low && address < trapping->code_high; }

static int step_over(int number, ucontext_t *u)
{
    int64_t at = u->uc_mcontext.gregs[REG_RIP];
    unsigned *mode = &u->uc_mcontext.fpregs->mxcsr;
    if (trapping == NULL)
        return 0;
    if (number == SIGFPE && !own_code(at)) {
        if (fault_note->library_counter == 0)
            fault_note->library_counter = at;
        *mode = (*mode | 0x1f80u) & ~0x3fu;
        u->uc_mcontext.gregs[REG_EFL] |= 0x100;
        return 1;
    }
    if (number == SIGTRAP) {
        if (own_code(at)) {
            u->uc_mcontext.gregs[REG_EFL] &= ~0x100LL;
            *mode = (*mode & ~0x3fu) & ~((unsigned)trapping->trap_kinds << 7);
        }
        return 1;
    }
    return 0;
}
#else
static int step_over(int number, ucontext_t *u) { (void)number; (void)u; return 0; }
#endif

static void on_fault(int number, siginfo_t *info, void *context)
{
    ucontext_t *u = context;
    if (step_over(number, u))
        return;
    if (number == SIGSYS && info->si_code == PF_REFUSED) {
        fault_note->forked_at = pf_refused_what(info->si_syscall, info->si_arch);
        _exit(99);
    }
    fault_note->signal = number;
    fault_note->fault_address = (int64_t)(uintptr_t)info->si_addr;
#if defined(__x86_64__)
    fault_note->program_counter = u->uc_mcontext.gregs[REG_RIP];
    fault_note->stack_pointer = u->uc_mcontext.gregs[REG_RSP];
#else
    fault_note->program_counter = (int64_t)u->uc_mcontext.pc;
    fault_note->stack_pointer = (int64_t)u->uc_mcontext.sp;
#endif
    _exit(100);
}

static pid_t own_process;

/* A firmware that forks is stopped before it does: the input is still known. */
static void on_fork(void)
{
    if (getpid() != own_process)
        return;
    fault_note->forked_at = PF_STARTED;
    _exit(99);
}

static void limit(int what, rlim_t value)
{
    struct rlimit l = {value, value};
    setrlimit(what, &l);
}

/* Pages of declared peripheral words, at the board's own addresses. */
static void map_words(const struct pf_job *job)
{
    for (int64_t k = 0; k < job->words; k++) {
        uintptr_t page = (uintptr_t)job->word[k].address & ~(uintptr_t)4095;
        int known = 0;
        for (int64_t i = 0; i < k; i++)
            known |= ((uintptr_t)job->word[i].address & ~(uintptr_t)4095) == page;
        if (!known) {
            void *got = mmap((void *)page, 4096, PROT_READ | PROT_WRITE,
                             MAP_PRIVATE | MAP_ANONYMOUS | MAP_FIXED_NOREPLACE, -1, 0);
            if (got != (void *)page) {
                job->shared->fault_address = job->word[k].address;
                _exit(97);
            }
        }
        *(volatile uint32_t *)(uintptr_t)job->word[k].address = (uint32_t)job->word[k].value;
    }
}

static void make_rooms(struct pf_shared *shared)
{
    size_t each = PF_ROOM + PF_PAGE;
    char *at = mmap(NULL, PF_ROOMS * each + PF_PAGE, PROT_NONE, MAP_PRIVATE | MAP_ANONYMOUS, -1, 0);
    shared->rooms = 0;
    if (at == MAP_FAILED)
        return;
    for (size_t k = 0; k < PF_ROOMS; k++)
        if (mprotect(at + PF_PAGE + k * each, PF_ROOM, PROT_READ | PROT_WRITE) != 0)
            return;
    shared->rooms = (int64_t)(uintptr_t)(at + PF_PAGE);
}

static void prepare(struct pf_job *job, pid_t parent)
{
    static const int faults[] = {SIGSEGV, SIGBUS, SIGILL, SIGFPE, SIGABRT, SIGTRAP, SIGSYS};
    stack_t stack = {.ss_sp = handler_stack, .ss_size = sizeof handler_stack};
    struct sigaction action;
    prctl(PR_SET_PDEATHSIG, SIGKILL);
    if (getppid() != parent)
        _exit(98);
    setpgid(0, 0);
    memset(&action, 0, sizeof action);
    action.sa_sigaction = on_fault;
    action.sa_flags = SA_SIGINFO | SA_ONSTACK | SA_NODEFER;
    fault_note = job->shared;
    sigaltstack(&stack, NULL);
    for (size_t k = 0; k < sizeof faults / sizeof *faults; k++)
        sigaction(faults[k], &action, NULL);
    own_process = getpid();
    pthread_atfork(on_fork, NULL, NULL);
    signal(SIGINT, SIG_IGN);
    signal(SIGXFSZ, SIG_IGN);
    signal(SIGPIPE, SIG_IGN);
    map_words(job);
    make_rooms(job->shared);
    limit(RLIMIT_CORE, 0);
    limit(RLIMIT_FSIZE, 1 << 20);
    if (job->memory_limit_bytes > 0)
        limit(RLIMIT_AS, (rlim_t)job->memory_limit_bytes);
    int nothing = open("/dev/null", O_RDONLY);
    dup2(nothing, 0);
    dup2(job->output_file, 1);
    dup2(job->output_file, 2);
    for (int fd = 3; fd < 64; fd++)
        close(fd);
    if (!job->may_start)
        pf_refuse_others();
}

/* With exceptions unmasked the offending instruction traps, and its address is the answer. */
static void run_trapping(struct pf_job *job)
{
#if defined(__x86_64__)
    static unsigned char raw_store[8][8], output[8];
    static double value_store[8];
    unsigned char *raw[8];
    double *value[8];
    const void *inputs[8];
    for (int k = 0; k < 8; k++) {
        inputs[k] = raw[k] = raw_store[k];
        value[k] = &value_store[k];
    }
    pf_fill(job, job->segment[0].start, 1, raw, value);
    job->shared->position[1] = job->segment[0].start;
    trapping = job;
    pf_set((PF_MODE_DEFAULT | (job->flush_to_zero ? PF_MODE_FLUSH : 0u)) & ~((unsigned)job->trap_kinds << 7));
    job->loop(inputs, output, 1, job->shared->position);
    pf_set(PF_MODE_DEFAULT);
#endif
    job->shared->done = 1;
}

/* Returns the child's process id, or -1. The child never returns from here. */
int pf_start(struct pf_job *job)
{
    pid_t parent = getpid(), child = fork();
    if (child != 0)
        return child;
    pf_present_job = job;
    prepare(job, parent);
    pf_mark_process();
    if (job->trap_kinds && job->machine == NULL)
        run_trapping(job);
    else if (job->machine != NULL) {
        trapping = job->trap_kinds ? job : NULL;
        if (job->time_rounds)
            pf_time_machine(job);
        else
            pf_scripts(job);
    }
    else if (job->time_rounds)
        pf_time(job);
    else
        pf_sweep(job);
    pf_narrow_finish();
    pf_served_finish();
    _exit(0);
}

/* For a trial load: constructors of the firmware run in it. */
void pf_keep_to_itself(void) { pf_refuse_others(); }

int64_t pf_script_size(void) { return (int64_t)sizeof(struct pf_script); }
int64_t pf_machine_size(void) { return (int64_t)sizeof(struct pf_machine); }
int64_t pf_job_size(void) { return (int64_t)sizeof(struct pf_job); }
int64_t pf_result_size(void) { return (int64_t)sizeof(struct pf_result); }
int64_t pf_shared_size(void) { return (int64_t)sizeof(struct pf_shared); }
unsigned pf_mode(void) { return pf_get(); }
