/* A loop of the engine that runs in the emulator: the engine calls it as it calls the host's own code.
   Nothing of the emulator's headers is needed, its functions come as pointers. */
#define _GNU_SOURCE
#include <string.h>
#include <time.h>
#include <unistd.h>
#include "engine_parts.h"
#include "board_bridge.h"

/* Numbers of the emulator's interface for Arm, fixed since its version 1. */
enum { REG_LR = 10, REG_PC = 11, REG_SP = 12, REG_FPSCR = 6, REG_R0 = 66 };
/* What of the floating-point status register is mode: FZ16, rounding, FZ, DN, alternative half. */
#define MODE_BITS 0x07c80000u
#define FLAG_BITS 0x9fu
#define STACK_PATTERN 0xa5
#define CHECK_EVERY 65536

typedef int (*emu_start_type)(void *uc, uint64_t begin, uint64_t until, uint64_t timeout, size_t count);
typedef int (*emu_stop_type)(void *uc);
typedef int (*reg_type)(void *uc, int number, void *value);

static struct pf_board *board;
static volatile long *position;
static int64_t position_start; /* samples of this call that ran in earlier parts of it */
static uint64_t blocks;
static uint32_t seen_progress, previous_end;
static double seen_seconds;
static uint32_t previous_at, ordinal_now;
static const struct pf_board_slot *running;

static uint32_t get(int number)
{
    uint32_t value = 0;
    ((reg_type)board->reg_read)(board->uc, number, &value);
    return value;
}

static void set(int number, uint32_t value) { ((reg_type)board->reg_write)(board->uc, number, &value); }

static double used_seconds(void)
{
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static void note(int stopped, uint32_t at)
{
    struct pf_board_notes *n = board->notes;
    if (n->stopped)
        return;
    n->stopped = stopped;
    n->program_counter = at;
    for (int k = 0; k < 13; k++)
        n->registers[k] = get(REG_R0 + k);
    n->registers[13] = get(REG_SP);
    n->registers[14] = get(REG_LR);
    n->registers[15] = at;
    ((emu_stop_type)board->emu_stop)(board->uc);
}

static void on_block(void *uc, uint64_t address, uint32_t size, void *user)
{
    (void)uc; (void)size; (void)user;
    if (++blocks % CHECK_EVERY)
        return;
    uint32_t progress = *board->progress;
    if (position != NULL) /* not yet while constructors run */
        position[0] = (long)position_start + (long)progress;
    if (progress != seen_progress || seen_seconds == 0.0) {
        seen_progress = progress;
        seen_seconds = used_seconds();
    } else if (used_seconds() - seen_seconds > board->limit_seconds) {
        note(2, (uint32_t)address);
    }
}

static void on_exception(void *uc, uint32_t number, void *user)
{
    (void)uc; (void)user;
    board->notes->exception = number;
    note(1, get(REG_PC));
}

static void on_lacking(void *uc, uint64_t address, uint32_t size, void *user)
{
    (void)uc; (void)size; (void)user;
    note(4, (uint32_t)address);
}

static void on_aligned_place(void *uc, uint64_t address, uint32_t size, void *user)
{
    const struct pf_board_place *p = &board->place[(uintptr_t)user];
    (void)uc; (void)size;
    uint32_t at = get(p->base) + (uint32_t)p->offset;
    if (p->index)
        at += get(p->index) << p->shift;
    if (at % (uint32_t)p->align == 0)
        return;
    board->notes->address = at;
    board->notes->size = p->align;
    note(3, (uint32_t)address);
}

/* Cores that allow no unaligned access at all: every access is looked at. */
static void on_access(void *uc, int type, uint64_t address, int size, int64_t value, void *user)
{
    (void)uc; (void)type; (void)value; (void)user;
    if (address % (uint64_t)size == 0)
        return;
    board->notes->address = (int64_t)address;
    board->notes->size = size;
    note(3, get(REG_PC));
}

/* Nothing is mapped there, or not for this: the emulator's registers may stand at an earlier instruction of the
   block, the address is told here only. */
static int on_refused(void *uc, int type, uint64_t address, int size, int64_t value, void *user)
{
    (void)uc; (void)type; (void)value; (void)user;
    board->notes->address = (int64_t)address;
    board->notes->size = -size;
    return 0;
}

/* An allocator of the C library is entered. */
static void on_allocation(void *uc, uint64_t address, uint32_t size, void *user)
{
    (void)uc; (void)address; (void)size; (void)user;
    if (position == NULL) {
        pf_allocated = 1; /* a constructor's */
        return;
    }
    position[0] = (long)position_start + (long)*board->progress;
    pf_note_allocation();
}

static void on_table_read(void *uc, int type, uint64_t address, int size, int64_t value, void *user)
{
    (void)uc; (void)type; (void)size; (void)value; (void)user;
    if (board->counting && address >= board->tables_low && address < board->tables_high)
        board->touched[(address - board->tables_low) >> 2] = 1;
}

/* Flags that rose since the last instruction belong to that one. Those of the C library are told apart
   and taken away, so that the first event of the author's own code is found. */
static void look_at_flags(void)
{
    struct pf_board_notes *n = board->notes;
    uint32_t flags = get(REG_FPSCR);
    if (!(flags & (uint32_t)board->watch) || n->event_at >= 0)
        return;
    if (previous_at >= board->own_low && previous_at < board->own_high) {
        n->event_at = previous_at;
        return;
    }
    if (n->library_event_at < 0)
        n->library_event_at = previous_at;
    set(REG_FPSCR, flags & ~(uint32_t)board->watch);
}

static void on_instruction(void *uc, uint64_t address, uint32_t size, void *user)
{
    (void)uc; (void)user;
    uint32_t at = (uint32_t)address, index = (at - board->text_low) >> 1;
    if (board->watch && previous_at)
        look_at_flags();
    if (board->counting && at >= board->text_low && at < board->text_high) {
        uint32_t *counts = board->counts + 3 * ((size_t)ordinal_now + *board->progress);
        int own_loop = at >= running->entry && at < running->end;
        if (previous_end && at != previous_end) {
            uint32_t last = (previous_at - board->text_low) >> 1;
            if (board->taken_most[last]) {
                counts[1] += board->taken_least[last];
                counts[2] += board->taken_most[last];
            } else if (at > previous_end && at - previous_end <= 16) {
                /* Skipped by a condition: each takes a cycle on the core. */
                counts[1] += 2 * ((at - previous_end + 3) / 4);
                counts[2] += at - previous_end;
            }
        }
        if (!own_loop) {
            if (!previous_end) {
                int64_t entry = get(REG_SP);
                if (entry < board->notes->entry_stack)
                    board->notes->entry_stack = entry;
            }
            counts[0]++;
            counts[1] += board->least[index];
            counts[2] += board->most[index];
            previous_end = at + size;
        } else {
            previous_end = 0;
        }
        board->executed[index] = 1;
    } else {
        previous_end = 0; /* a loop that lies beside the image */
    }
    previous_at = at;
}

/* The host's own status register then shows what the board's did, and the engine reads it as usual. */
static void show_flags(uint32_t before, uint32_t after)
{
    unsigned host = pf_get();
#if defined(__x86_64__)
    static const unsigned char bits[5][2] = {{0, 0}, {7, 1}, {1, 2}, {2, 3}, {3, 4}};
    host &= ~0x3fu;
#else
    static const unsigned char bits[5][2] = {{0, 0}, {7, 7}, {1, 1}, {2, 2}, {3, 3}};
    host &= ~FLAG_BITS;
#endif
    for (int k = 0; k < 5; k++)
        if (after >> bits[k][0] & 1u)
            host |= 1u << bits[k][1];
    if ((before ^ after) & MODE_BITS) {
        if (board->notes->mode_after < 0) {
            board->notes->mode_before = before & MODE_BITS;
            board->notes->mode_after = after & MODE_BITS;
        }
        host ^= PF_MODE_FLUSH & ~0x40u;
    }
    pf_set(host);
}

void pf_note_stack(void)
{
    const unsigned char *p = board->stack, *end = p + (board->stack_top - board->stack_low);
    while (p < end && *p == STACK_PATTERN)
        p++;
    int64_t lowest = (int64_t)board->stack_low + (p - board->stack);
    if (lowest < board->notes->lowest_stack)
        board->notes->lowest_stack = lowest;
}

/* Runs the image from an entry, its arguments in the first registers, until it comes back. Returns whether it did. */
static int go(uint32_t entry, const uint32_t *arguments, uint32_t stack)
{
    unsigned mode = pf_get();
    for (int k = 0; k < 4; k++)
        set(REG_R0 + k, arguments[k]);
    set(REG_SP, stack);
    set(REG_LR, board->return_address | 1u);
    if (board->fpu)
        set(REG_FPSCR, board->fpscr);
    previous_at = previous_end = 0;
    seen_seconds = 0.0;
    /* The emulator computes with the host's own floating point here and there: in the default mode. */
    pf_set(PF_MODE_DEFAULT);
    int more = 0, error = ((emu_start_type)board->emu_start)(board->uc, entry | 1u, board->return_address, 0, 0);
    do {
        if (!error && !board->notes->stopped)
            error = pf_interrupt_serve(&more);
    } while (more && !error && !board->notes->stopped);
    pf_set(mode);
    if (!error && !board->notes->stopped && get(REG_PC) == board->return_address)
        return 1;
    board->notes->error = error;
    note(1, get(REG_PC));
    return 0;
}

static void run(int number, const void *const *inputs, void *output, long n, volatile long *progress)
{
    const struct pf_board_slot *slot = &board->slot[number];
    uint32_t *words = (uint32_t *)board->block, offset = 64;
    position = progress;
    running = slot;
    ordinal_now = (uint32_t)progress[1];
    for (int k = 0; k < slot->inputs; k++) {
        memcpy(board->block + offset, inputs[k], (size_t)n * (size_t)slot->width[k]);
        words[k] = board->block_address + offset;
        offset += PF_AHEAD * 8;
    }
    const uint32_t arguments[4] = {board->block_address, board->block_address + offset, (uint32_t)n,
                                   board->progress_address};
    *board->progress = 0;
    board->progress[1] = (uint32_t)progress[1];
    board->progress[2] = (uint32_t)progress[2]; /* generated loops read the phase there; a long has 4 bytes here */
    if (board->runner != NULL) {
        uint32_t after = pf_served_call(board, slot->entry, arguments, progress);
        if (board->fpu)
            show_flags(board->fpscr, after);
        memcpy(output, board->block + offset, (size_t)n * (size_t)slot->output_width);
        progress[0] = n;
        return;
    }
    if (!go(slot->entry, arguments, board->stack_top)) {
        progress[0] = *board->progress;
        _exit(100);
    }
    if (board->fpu)
        show_flags(board->fpscr, get(REG_FPSCR));
    if (board->counting)
        pf_note_stack();
    memcpy(output, board->block + offset, (size_t)n * (size_t)slot->output_width);
    progress[0] = n;
}

/* One call into the image; a machine's, in one of several parts of a stretch. Returns whether it came back;
   flags: what it left in the status register is added to them. */
int pf_board_go(uint32_t entry, const uint32_t *arguments, uint32_t stack, volatile long *progress, int64_t start,
                uint32_t *flags)
{
    position = progress;
    position_start = start;
    *board->progress = 0;
    board->progress[2] = 0;
    int came_back = go(entry, arguments, stack);
    progress[0] = (long)start + (long)*board->progress;
    if (came_back && board->fpu) {
        *flags |= get(REG_FPSCR);
        show_flags(board->fpscr, *flags);
    }
    return came_back;
}

/* What runs next is counted from this place on; no code is left out. */
void pf_count_from(int64_t place)
{
    static const struct pf_board_slot none;
    running = &none;
    ordinal_now = (uint32_t)place;
}

#define LOOP(K) \
    static void loop##K(const void *const *inputs, void *output, long n, volatile long *progress) \
    { \
        run(K, inputs, output, n, progress); \
    }
LOOP(0) LOOP(1) LOOP(2) LOOP(3) LOOP(4) LOOP(5) LOOP(6) LOOP(7) LOOP(8)

void pf_board_use(struct pf_board *which)
{
    board = which;
    position = NULL;
    position_start = 0;
    seen_seconds = 0.0;
}

pf_loop pf_board_loop(int slot)
{
    static const pf_loop loops[9] = {loop0, loop1, loop2, loop3, loop4, loop5, loop6, loop7, loop8};
    return loops[slot];
}

void *pf_board_hook(int kind)
{
    static void *const hooks[9] = {(void *)on_block, (void *)on_instruction, (void *)on_exception,
                                   (void *)on_aligned_place, (void *)on_lacking, (void *)on_access,
                                   (void *)on_table_read, (void *)on_allocation,
                                   (void *)on_refused};
    return kind == 9 ? pf_interrupt_hook() : hooks[kind];
}

int64_t pf_board_size(void) { return (int64_t)sizeof(struct pf_board); }
