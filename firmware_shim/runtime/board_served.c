/* A board image as a process under a user-mode emulator: started by the contained child, ended with it. */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <spawn.h>
#include <unistd.h>
#include <sys/wait.h>
#include "engine_parts.h"
#include "board_bridge.h"
#include "board_served.h"

#define LOOK_EVERY_MS 20
#define GONE 101

static int to_image, from_image;
static pid_t started_by, child;

/* Above the descriptors that the image expects, so that none of them is overwritten on the way. */
static int raised(int fd)
{
    int up = fcntl(fd, F_DUPFD_CLOEXEC, 16);
    close(fd);
    return up;
}

static void await(const struct pf_board *board, volatile long *progress)
{
    char word;
    for (;;) {
        struct pollfd there = {.fd = from_image, .events = POLLIN};
        int ready = poll(&there, 1, LOOK_EVERY_MS);
        if (ready > 0 && read(from_image, &word, 1) == 1)
            return;
        progress[0] = *board->progress;
        if (ready == 0 || (ready < 0 && errno == EINTR))
            continue;
        waitpid(child, NULL, 0);
        _exit(GONE);
    }
}

static void start(const struct pf_board *board, volatile long *progress)
{
    static char *const no_words[] = {NULL};
    int in[2], out[2];
    posix_spawn_file_actions_t actions;
    char *words[] = {board->runner, "-cpu", "max", board->image, NULL};
    if (pipe2(in, O_CLOEXEC) != 0 || pipe2(out, O_CLOEXEC) != 0)
        _exit(GONE);
    in[0] = raised(in[0]);
    out[1] = raised(out[1]);
    to_image = raised(in[1]);
    from_image = raised(out[0]);
    posix_spawn_file_actions_init(&actions);
    posix_spawn_file_actions_adddup2(&actions, board->served_file, PF_SERVED_FILE);
    posix_spawn_file_actions_adddup2(&actions, in[0], PF_SERVED_IN);
    posix_spawn_file_actions_adddup2(&actions, out[1], PF_SERVED_OUT);
    if (posix_spawn(&child, board->runner, &actions, NULL, words, no_words) != 0)
        _exit(GONE);
    posix_spawn_file_actions_destroy(&actions);
    close(in[0]);
    close(out[1]);
    started_by = getpid();
    await(board, progress);
}

/* One call of a loop in the image; the floating-point status register afterwards. */
uint32_t pf_served_call(const struct pf_board *board, uint32_t entry, const uint32_t *arguments, volatile long *progress)
{
    struct pf_served *asked = (struct pf_served *)((unsigned char *)(uintptr_t)board->progress + PF_SERVED_AT);
    if (started_by != getpid())
        start(board, progress);
    asked->entry = entry | 1u;
    for (int k = 0; k < 4; k++)
        asked->argument[k] = arguments[k];
    asked->stack_top = board->stack_top;
    asked->fpscr = board->fpscr;
    if (write(to_image, "b", 1) != 1)
        _exit(GONE);
    await(board, progress);
    return asked->fpscr;
}

/* Lets the image end by itself, so that no process is left behind. */
void pf_served_finish(void)
{
    if (started_by != getpid())
        return;
    close(to_image);
    while (waitpid(child, NULL, 0) < 0 && errno == EINTR)
        ;
}
