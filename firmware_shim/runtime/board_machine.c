/* A machine in the emulator, as the engine of scripts meets it: init, events, samples and end are calls into the
   image. The engine's own memory holds the state between calls, so that its copies work as on the host; on
   the board each instance's state and each buffer stands at a fixed address, with nothing mapped around it. */
#define _GNU_SOURCE
#include <string.h>
#include <unistd.h>
#include "engine_parts.h"
#include "board_bridge.h"

typedef int (*reg_type)(void *uc, int number, void *value);

static struct pf_board *board;
static struct pf_board_machine *played;
static volatile long *position;
static void *instance[2];
static int64_t fired; /* events of this script so far */

static void count_from(int64_t place)
{
    if (board->counting)
        pf_count_from(place < 0 ? board->last_place : place);
}

static int64_t place_of(const int64_t *places) { return places[(int64_t)position[1] >> 40]; }

/* Which of the two instances a state of the engine's is: in the order in which they come. */
static int number_of(void *state)
{
    for (int k = 0; k < 2; k++) {
        if (instance[k] == NULL)
            instance[k] = state;
        if (instance[k] == state)
            return k;
    }
    _exit(97);
}

static void enter(void *state)
{
    number_of(state);
    for (int k = 0; k < 2 && instance[k] != NULL; k++)
        memcpy(played->state[k], instance[k], (size_t)played->state_size);
}

/* Both states come back: a write into the other one's must be seen. */
static void leave(int back)
{
    for (int k = 0; k < 2 && instance[k] != NULL; k++)
        memcpy(instance[k], played->state[k], (size_t)played->state_size);
    if (!back)
        _exit(100);
    if (board->counting)
        pf_note_stack();
}

static void machine_init(void *state, double rate_hz)
{
    uint64_t bits;
    uint32_t flags = 0;
    memcpy(&bits, &rate_hz, 8);
    /* A double goes in the third and fourth register, or in the first of the floating-point unit. */
    const uint32_t arguments[4] = {played->state_address[number_of(state)], 0, (uint32_t)bits, (uint32_t)(bits >> 32)};
    if (board->fpu)
        ((reg_type)board->reg_write)(board->uc, played->double_register, &bits);
    enter(state);
    fired = 0;
    count_from(board->counting ? place_of(board->event_place) : 0);
    leave(pf_board_go(played->init, arguments, board->stack_top, position, 0, &flags));
}

static void machine_destroy(void *state)
{
    uint32_t flags = 0;
    const uint32_t arguments[4] = {played->state_address[number_of(state)], 0, 0, 0};
    enter(state);
    count_from(-1);
    leave(pf_board_go(played->destroy, arguments, board->stack_top, position, 0, &flags));
}

static void machine_event(void *state, long which, const void *const *argument)
{
    uint32_t flags = 0, *pointers = (uint32_t *)board->block;
    for (int k = 0; k < 4; k++) {
        pointers[k] = board->block_address + 64 + 16 * (uint32_t)k;
        if (argument[k] != NULL)
            memcpy(board->block + 64 + 16 * k, argument[k], 16);
    }
    const uint32_t arguments[4] = {played->state_address[number_of(state)], (uint32_t)which, board->block_address, 0};
    enter(state);
    if (board->counting)
        count_from(place_of(board->event_place) + 1 + fired++);
    leave(pf_board_go(played->event, arguments, board->stack_top, position, 0, &flags));
}

/* Long stretches of a step machine go in parts: the generated loop keeps nothing between samples. */
static void machine_run(void *state, const void *const *inputs, void *const *outputs, long n, volatile long *progress)
{
    uint32_t flags = 0, *pointers = (uint32_t *)board->block;
    const int channels = played->inputs + played->outputs;
    enter(state);
    for (long start = 0; start < n;) {
        long part = played->buffer_bytes / 8 < n - start ? (long)(played->buffer_bytes / 8) : n - start;
        unsigned char *at[16];
        for (int k = 0; k < channels; k++) {
            int64_t skipped = played->guard_begin ? 0 : played->buffer_bytes - part * played->width[k];
            at[k] = played->buffer[k] + skipped;
            pointers[k] = played->buffer_address[k] + (uint32_t)skipped;
            if (k < played->inputs)
                memcpy(at[k], (const unsigned char *)inputs[k] + start * played->width[k], (size_t)(part * played->width[k]));
            else
                memset(at[k], 0xff, (size_t)(part * played->width[k]));
        }
        const uint32_t arguments[4] = {played->state_address[number_of(state)], board->block_address,
                                       board->block_address + 4 * (uint32_t)played->inputs, (uint32_t)part};
        uint32_t stack = board->stack_top - 8;
        memcpy(board->stack + (stack - board->stack_low), &board->progress_address, 4);
        if (board->counting)
            count_from(place_of(board->sample_place) + ((int64_t)position[1] & ((1ll << 40) - 1)) + start);
        int back = pf_board_go(played->run, arguments, stack, progress, start, &flags);
        for (int k = played->inputs; k < channels; k++)
            memcpy((unsigned char *)outputs[k - played->inputs] + start * played->width[k], at[k],
                   (size_t)(part * played->width[k]));
        if (!back)
            leave(0);
        start += part;
    }
    leave(1);
}

void pf_board_play(struct pf_board *which, struct pf_board_machine *one, struct pf_machine *machine,
                   volatile long *where)
{
    board = which;
    played = one;
    position = where;
    memset(instance, 0, sizeof instance);
    machine->init = machine_init;
    machine->destroy = machine_destroy;
    machine->event = machine_event;
    machine->run = machine_run;
    pf_board_use(which);
    pf_interrupt_use(which, one);
}

/* What a function of our own without arguments gives: size and alignment of a state. -1 if it does not come back. */
int64_t pf_board_ask(struct pf_board *which, uint32_t entry)
{
    static long progress[4];
    const uint32_t arguments[4] = {0, 0, 0, 0};
    uint32_t value = 0, flags = 0;
    unsigned mode = pf_get();
    pf_board_use(which);
    pf_count_from(0);
    int back = pf_board_go(entry, arguments, which->stack_top, progress, 0, &flags);
    pf_set(mode);
    ((reg_type)which->reg_read)(which->uc, 66, &value);
    return back ? (int64_t)value : -1;
}

int64_t pf_board_machine_size(void) { return (int64_t)sizeof(struct pf_board_machine); }
