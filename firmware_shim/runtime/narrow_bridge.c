/* Loops of the engine that run in a 32-bit process: started by the contained child, and ended with it. */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <spawn.h>
#include <string.h>
#include <unistd.h>
#include <sys/mman.h>
#include <sys/wait.h>
#include "engine_parts.h"
#include "narrow_bridge.h"
#include "narrow.h"

_Static_assert((int)PF_NARROW_BLOCK == (int)PF_BLOCK, "both sides hold one block");
#define LOOK_EVERY_MS 20
#define CANNOT_START 95

static struct pf_narrow *program;
static struct pf_narrow_memory *memory;
static int to_program, from_program;
static pid_t started_by, child;

/* Above the descriptors that the program expects, so that none of them is overwritten on the way. */
static int raised(int fd)
{
    int up = fcntl(fd, F_DUPFD_CLOEXEC, 16);
    close(fd);
    return up;
}

static void start(const struct pf_job *job)
{
    static char *const no_words[] = {NULL};
    int in[2], out[2], file = memfd_create("narrow", MFD_CLOEXEC);
    posix_spawn_file_actions_t actions;
    char *words[] = {program->path, NULL};
    if (file < 0 || ftruncate(file, sizeof *memory) != 0 || pipe2(in, O_CLOEXEC) != 0 || pipe2(out, O_CLOEXEC) != 0)
        _exit(CANNOT_START);
    memory = mmap(NULL, sizeof *memory, PROT_READ | PROT_WRITE, MAP_SHARED, file, 0);
    if (memory == MAP_FAILED)
        _exit(CANNOT_START);
    for (int64_t k = 0; k < job->words && k < PF_NARROW_WORDS; k++) {
        memory->word[k].address = (uint32_t)job->word[k].address;
        memory->word[k].value = (uint32_t)job->word[k].value;
        memory->words++;
    }
    file = raised(file);
    in[0] = raised(in[0]);
    out[1] = raised(out[1]);
    to_program = raised(in[1]);
    from_program = raised(out[0]);
    posix_spawn_file_actions_init(&actions);
    posix_spawn_file_actions_adddup2(&actions, file, PF_NARROW_MEMORY);
    posix_spawn_file_actions_adddup2(&actions, in[0], PF_NARROW_IN);
    posix_spawn_file_actions_adddup2(&actions, out[1], PF_NARROW_OUT);
    if (posix_spawn(&child, program->path, &actions, NULL, words, no_words) != 0)
        _exit(CANNOT_START);
    posix_spawn_file_actions_destroy(&actions);
    close(file);
    close(in[0]);
    close(out[1]);
    started_by = getpid();
}

/* The program is gone: this child ends the same way, with what the program noted. */
static void end_as_it_did(const struct pf_job *job)
{
    int status = 0;
    struct pf_shared *shared = job->shared;
    while (waitpid(child, &status, 0) < 0 && errno == EINTR)
        ;
    shared->position[0] = memory->position[0];
    if (WIFEXITED(status) && WEXITSTATUS(status) == 97)
        shared->fault_address = memory->fault_address;
    if (memory->forked)
        shared->forked_at = 1;
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

static void await(volatile long *progress)
{
    char word;
    for (;;) {
        struct pollfd there = {.fd = from_program, .events = POLLIN};
        int ready = poll(&there, 1, LOOK_EVERY_MS);
        progress[0] = memory->position[0];
        if (ready == 0 || (ready < 0 && errno == EINTR))
            continue;
        if (read(from_program, &word, 1) == 1)
            return;
        end_as_it_did(pf_present_job);
    }
}

static void run(int number, const void *const *inputs, void *output, long n, volatile long *progress)
{
    const struct pf_narrow_slot *slot = &program->slot[number];
    unsigned mode = pf_get();
    if (started_by != getpid()) {
        start(pf_present_job);
        await(progress);
    }
    memcpy(memory->name, slot->name, sizeof memory->name);
    for (int k = 0; k < slot->inputs; k++)
        memcpy(memory->input[k], inputs[k], (size_t)n * (size_t)slot->width[k]);
    memory->n = (uint32_t)n;
    memory->mode = mode;
    memory->position[0] = 0;
    memory->position[2] = (int32_t)progress[2];
    if (write(to_program, "b", 1) != 1)
        end_as_it_did(pf_present_job);
    await(progress);
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

/* Lets the program end by itself, so that no process is left behind. */
void pf_narrow_finish(void)
{
    if (started_by != getpid())
        return;
    close(to_program);
    while (waitpid(child, NULL, 0) < 0 && errno == EINTR)
        ;
}

int64_t pf_narrow_size(void) { return (int64_t)sizeof(struct pf_narrow); }
