/* A program beside the engine: one byte asks, one byte answers, everything else lies in shared memory. */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <spawn.h>
#include <unistd.h>
#include <sys/wait.h>
#include "engine_process.h"

#define LOOK_EVERY_MS 20

/* Whether this very process started it: a fork of that one has to start its own. */
int pf_process_running(const struct pf_process *process) { return process->started_by == getpid(); }

/* Above the descriptors that the program expects, so that none of them is overwritten on the way. */
static int raised(int fd)
{
    int up = fcntl(fd, F_DUPFD_CLOEXEC, 16);
    close(fd);
    return up;
}

int pf_process_start(struct pf_process *process, char *const *words, int memory)
{
    static char *const no_words[] = {NULL};
    int in[2], out[2];
    posix_spawn_file_actions_t actions;
    if (pipe2(in, O_CLOEXEC) != 0 || pipe2(out, O_CLOEXEC) != 0)
        return -1;
    in[0] = raised(in[0]);
    out[1] = raised(out[1]);
    process->to = raised(in[1]);
    process->from = raised(out[0]);
    posix_spawn_file_actions_init(&actions);
    posix_spawn_file_actions_adddup2(&actions, memory, PF_PROCESS_MEMORY);
    posix_spawn_file_actions_adddup2(&actions, in[0], PF_PROCESS_IN);
    posix_spawn_file_actions_adddup2(&actions, out[1], PF_PROCESS_OUT);
    int problem = posix_spawn(&process->child, words[0], &actions, NULL, words, no_words);
    posix_spawn_file_actions_destroy(&actions);
    close(in[0]);
    close(out[1]);
    if (problem == 0)
        process->started_by = getpid();
    return problem;
}

/* Waits for its next answer and shows meanwhile how far it has come. 0 when it answered, else it is gone. */
int pf_process_await(const struct pf_process *process, const volatile int32_t *told, volatile long *progress)
{
    char word;
    for (;;) {
        struct pollfd there = {.fd = process->from, .events = POLLIN};
        int ready = poll(&there, 1, LOOK_EVERY_MS);
        progress[0] = *told;
        if (ready == 0 || (ready < 0 && errno == EINTR))
            continue;
        return ready > 0 && read(process->from, &word, 1) == 1 ? 0 : -1;
    }
}

/* One request and its answer. */
int pf_process_ask(const struct pf_process *process, const volatile int32_t *told, volatile long *progress)
{
    return write(process->to, "b", 1) == 1 ? pf_process_await(process, told, progress) : -1;
}

/* How it ended, as waitpid tells. */
int pf_process_status(const struct pf_process *process)
{
    int status = 0;
    while (waitpid(process->child, &status, 0) < 0 && errno == EINTR)
        ;
    return status;
}

/* Lets it end by itself, so that no process is left behind. */
void pf_process_finish(const struct pf_process *process)
{
    if (!pf_process_running(process))
        return;
    close(process->to);
    pf_process_status(process);
}
