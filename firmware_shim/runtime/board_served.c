/* A board image as a process under a user-mode emulator: started by the contained child, ended with it. */
#include <unistd.h>
#include "engine_parts.h"
#include "engine_process.h"
#include "board_bridge.h"
#include "board_served.h"

#define GONE 101
_Static_assert((int)PF_SERVED_FILE == (int)PF_PROCESS_MEMORY && (int)PF_SERVED_IN == (int)PF_PROCESS_IN &&
                   (int)PF_SERVED_OUT == (int)PF_PROCESS_OUT, "both sides use the same descriptors");

static struct pf_process image;

static void end(void)
{
    pf_process_status(&image);
    _exit(GONE);
}

/* One call of a loop in the image; the floating-point status register afterwards. */
uint32_t pf_served_call(const struct pf_board *board, uint32_t entry, const uint32_t *arguments, volatile long *progress)
{
    struct pf_served *asked = (struct pf_served *)((unsigned char *)(uintptr_t)board->progress + PF_SERVED_AT);
    const volatile int32_t *told = (const volatile int32_t *)board->progress;
    if (!pf_process_running(&image)) {
        char *const words[] = {board->runner, "-cpu", "max", board->image, NULL};
        if (pf_process_start(&image, words, board->served_file) != 0)
            _exit(GONE);
        if (pf_process_await(&image, told, progress) != 0)
            end();
    }
    asked->entry = entry | 1u;
    for (int k = 0; k < 4; k++)
        asked->argument[k] = arguments[k];
    asked->stack_top = board->stack_top;
    asked->fpscr = board->fpscr;
    if (pf_process_ask(&image, told, progress) != 0)
        end();
    return asked->fpscr;
}

void pf_served_finish(void) { pf_process_finish(&image); }
