/* Loops of the engine that run in a 32-bit process: started by the contained child, and ended with it. */
#define _GNU_SOURCE
#include <signal.h>
#include <string.h>
#include <unistd.h>
#include <sys/mman.h>
#include <sys/wait.h>
#include "engine_parts.h"
#include "engine_process.h"
#include "narrow_bridge.h"
#include "narrow.h"

_Static_assert((int)PF_NARROW_BLOCK == (int)PF_BLOCK, "both sides hold one block");
_Static_assert((int)PF_NARROW_MEMORY == (int)PF_PROCESS_MEMORY && (int)PF_NARROW_IN == (int)PF_PROCESS_IN &&
                   (int)PF_NARROW_OUT == (int)PF_PROCESS_OUT, "both sides use the same descriptors");
#define CANNOT_START 95

static struct pf_narrow *program;
static struct pf_narrow_memory *memory;
static struct pf_process process;

static void start(const struct pf_job *job)
{
    int file = memfd_create("narrow", MFD_CLOEXEC);
    char *const words[] = {program->path, NULL};
    if (file < 0 || ftruncate(file, sizeof *memory) != 0)
        _exit(CANNOT_START);
    memory = mmap(NULL, sizeof *memory, PROT_READ | PROT_WRITE, MAP_SHARED, file, 0);
    if (memory == MAP_FAILED)
        _exit(CANNOT_START);
    for (int64_t k = 0; k < job->words && k < PF_NARROW_WORDS; k++) {
        memory->word[k].address = (uint32_t)job->word[k].address;
        memory->word[k].value = (uint32_t)job->word[k].value;
        memory->words++;
    }
    if (pf_process_start(&process, words, file) != 0)
        _exit(CANNOT_START);
    close(file);
}

/* The program is gone: this child ends the same way, with what the program noted. */
static void end_as_it_did(const struct pf_job *job)
{
    int status = pf_process_status(&process);
    struct pf_shared *shared = job->shared;
    shared->position[0] = memory->position[0];
    if (WIFEXITED(status) && WEXITSTATUS(status) == 97)
        shared->fault_address = memory->fault_address;
    if (memory->forked)
        shared->forked_at = memory->forked;
    if (memory->signal) {
        shared->signal = memory->signal;
        shared->fault_address = memory->fault_address;
        shared->program_counter = memory->program_counter;
        shared->stack_pointer = memory->stack_pointer;
        _exit(100);
    }
    if (WIFSIGNALED(status)) {
        signal(WTERMSIG(status), SIG_DFL);
        raise(WTERMSIG(status));
    }
    _exit(WEXITSTATUS(status));
}

static void run(int number, const void *const *inputs, void *output, long n, volatile long *progress)
{
    const struct pf_narrow_slot *slot = &program->slot[number];
    unsigned mode = pf_get();
    if (!pf_process_running(&process)) {
        start(pf_present_job);
        if (pf_process_await(&process, memory->position, progress) != 0)
            end_as_it_did(pf_present_job);
    }
    memcpy(memory->name, slot->name, sizeof memory->name);
    for (int k = 0; k < slot->inputs; k++)
        memcpy(memory->input[k], inputs[k], (size_t)n * (size_t)slot->width[k]);
    memory->n = (uint32_t)n;
    memory->mode = mode;
    memory->position[0] = 0;
    memory->position[2] = (int32_t)progress[2];
    if (pf_process_ask(&process, memory->position, progress) != 0)
        end_as_it_did(pf_present_job);
    if (!memory->known)
        _exit(CANNOT_START);
    memcpy(output, memory->output, (size_t)n * (size_t)slot->output_width);
    progress[0] = n;
    pf_set(memory->mode_after);
}

#define LOOP(K) \
    static void loop##K(const void *const *inputs, void *output, long n, volatile long *progress) \
    { \
        run(K, inputs, output, n, progress); \
    }
LOOP(0) LOOP(1) LOOP(2) LOOP(3) LOOP(4) LOOP(5) LOOP(6) LOOP(7) LOOP(8)

void pf_narrow_use(struct pf_narrow *which) { program = which; }

pf_loop pf_narrow_loop(int slot)
{
    static const pf_loop loops[9] = {loop0, loop1, loop2, loop3, loop4, loop5, loop6, loop7, loop8};
    return loops[slot];
}

void pf_narrow_finish(void) { pf_process_finish(&process); }

int64_t pf_narrow_size(void) { return (int64_t)sizeof(struct pf_narrow); }
