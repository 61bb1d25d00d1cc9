/* Interruptions on the emulated board: a stretch of samples is stopped before one of its instructions, a setter (an
   event of the machine) runs to its end, the stretch goes on. Done for each instruction in turn; what comes out, then
   and in the samples after it, must be what comes out with the setter before the stretch, or after it. */
#define _GNU_SOURCE
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>
#include "engine_instances.h"
#include "board_bridge.h"

enum { REG_LR = 10, REG_PC = 11, REG_SP = 12, REG_R0 = 66, MOST_RECORDED = 1 << 16 };
/* What the core's exception entry puts on the stack at most, the floating-point registers included. */
#define FRAME_BYTES 104u
/* Beside the pointers and arguments of the call that is stopped. */
#define SETTER_ARGUMENTS 2048u

typedef int (*reg_type)(void *uc, int number, void *value);
typedef int (*emu_start_type)(void *uc, uint64_t begin, uint64_t until, uint64_t timeout, size_t count);
typedef int (*emu_stop_type)(void *uc);
typedef int (*context_type)(void *uc, void *context);
typedef int (*context_alloc_type)(void *uc, void **context);

static struct pf_board *board;
static struct pf_board_machine *played;
static const struct pf_moment *moment;
extern int pf_allocated;
static int recording, taken;
static int64_t seen, wanted = -1;
static uint32_t recorded[MOST_RECORDED];
static unsigned char closed[MOST_RECORDED];

static uint32_t get(int number)
{
    uint32_t value = 0;
    if (number)
        ((reg_type)board->reg_read)(board->uc, number, &value);
    return value;
}

static void set(int number, uint32_t value) { ((reg_type)board->reg_write)(board->uc, number, &value); }

/* Whether interrupts are masked. A raised base priority counts: the setter's own priority is not known here. */
static int masked(void)
{
    return (get(board->mask_register[0]) & 1u) || get(board->mask_register[1]) || (get(board->mask_register[2]) & 1u);
}

static void on_step(void *uc, uint64_t address, uint32_t size, void *user)
{
    (void)size; (void)user;
    if (recording) {
        if (seen < MOST_RECORDED) {
            recorded[seen] = (uint32_t)address;
            closed[seen] = (unsigned char)masked();
        }
        seen++;
    } else if (wanted >= 0 && seen++ == wanted) {
        wanted = -1;
        taken = 1;
        ((emu_stop_type)board->emu_stop)(uc);
    }
}

void *pf_interrupt_hook(void) { return (void *)on_step; }

/* Called where the emulator has stopped: runs the setter and goes on. Returns the emulator's error; *more: whether to ask again. */
int pf_interrupt_serve(int *more)
{
    static void *context;
    *more = 0;
    if (!taken)
        return 0;
    taken = 0;
    uint32_t at = get(REG_PC), stack = (get(REG_SP) - FRAME_BYTES) & ~7u;
    if (context == NULL && ((context_alloc_type)board->context_alloc)(board->uc, &context) != 0)
        _exit(97);
    ((context_type)board->context_save)(board->uc, context);
    uint32_t *pointers = (uint32_t *)(board->block + SETTER_ARGUMENTS);
    for (int k = 0; k < 4; k++) {
        pointers[k] = board->block_address + SETTER_ARGUMENTS + 64 + 16 * (uint32_t)k;
        if (moment->argument[k] != NULL)
            memcpy(board->block + SETTER_ARGUMENTS + 64 + 16 * k, moment->argument[k], 16);
    }
    set(REG_R0, played->state_address[0]);
    set(REG_R0 + 1, (uint32_t)moment->which);
    set(REG_R0 + 2, board->block_address + SETTER_ARGUMENTS);
    set(REG_SP, stack);
    set(REG_LR, board->return_address | 1u);
    int error = ((emu_start_type)board->emu_start)(board->uc, played->event | 1u, board->return_address, 0, 0);
    if (error || board->notes->stopped || get(REG_PC) != board->return_address)
        return error;
    ((context_type)board->context_restore)(board->uc, context);
    /* Leaving an exception opens the exclusive monitor. Not between the instructions of a conditional group. */
    if (board->clear_exclusive && !(get(board->status_register) & 0x0600fc00u)) {
        uint32_t until = board->clear_exclusive + 4;
        ((emu_start_type)board->emu_start)(board->uc, board->clear_exclusive | 1u, until, 0, 0);
    }
    *more = 1;
    return ((emu_start_type)board->emu_start)(board->uc, at | 1u, board->return_address, 0, 0);
}

/* A state with its variables, and the outputs of a stretch and of what follows. */
struct kept {
    struct memory state, regions;
    void *out[8];
};

static struct kept room(const struct pf_job *job, const struct pf_machine *m, int64_t samples)
{
    struct kept found = {pf_plain_memory(m->state_size), pf_plain_memory(pf_regions_size(job)), {0}};
    for (int64_t k = 0; k < m->outputs; k++)
        found.out[k] = pf_plain_memory(samples * pf_width[m->output_type[k]]).at;
    return found;
}

static void let_go(const struct pf_machine *m, struct kept *one)
{
    free(one->state.at);
    free(one->regions.at);
    for (int64_t k = 0; k < m->outputs; k++)
        free(one->out[k]);
}

static void keep(const struct pf_job *job, const struct instance *one, struct kept *to)
{
    memcpy(to->state.at, one->state.at, (size_t)one->state.size);
    pf_copy_script_regions(job, to->regions.at);
}

static void bring_back(const struct pf_job *job, struct instance *one, const struct kept *from)
{
    memcpy(one->state.at, from->state.at, (size_t)one->state.size);
    pf_restore_script_regions(job, from->regions.at);
}

static void play(const struct pf_job *job, const struct pf_machine *m, struct pf_script *s, struct instance *one,
                 int64_t at, int64_t n, struct kept *to)
{
    for (int k = 0; k < 3; k++)
        if (board->mask_register[k])
            set(board->mask_register[k], 0);
    for (int64_t done = 0; done < n;) {
        int64_t part = n - done < LONGEST_BLOCK ? n - done : LONGEST_BLOCK;
        pf_call_run(job, m, s, one, at + done, part, to->out);
        done += part;
    }
}

static double value_of(const struct pf_machine *m, const void *out, int64_t k, int64_t i)
{
    double y;
    int type = m->output_type[k];
    pf_to_double((const unsigned char *)out + i * pf_width[type], type, m->interruption->scale[k], &y, 1);
    return y;
}

/* First place (sample * 8 + output) in [at, end) at which two runs differ by more than the limit, -1 for none. */
static int64_t parting(const struct pf_machine *m, const struct kept *a, const struct kept *b, int64_t at, int64_t end)
{
    for (int64_t i = at; i < end; i++)
        for (int64_t k = 0; k < m->outputs; k++) {
            int width = pf_width[m->output_type[k]];
            if (memcmp((unsigned char *)a->out[k] + i * width, (unsigned char *)b->out[k] + i * width, (size_t)width) == 0)
                continue;
            double x = value_of(m, a->out[k], k, i), y = value_of(m, b->out[k], k, i);
            if (x == y || (x != x && y != y) || fabs(x - y) <= m->interruption->limit)
                continue;
            return i * 8 + k;
        }
    return -1;
}

static int same_bytes(const struct kept *a, const struct kept *b)
{
    return memcmp(a->state.at, b->state.at, (size_t)a->state.size) == 0 &&
           memcmp(a->regions.at, b->regions.at, (size_t)a->regions.size) == 0;
}

static void note(const struct pf_machine *m, struct pf_torn *t, int64_t point, int64_t at, const struct kept *got,
                 const struct kept *before, const struct kept *after, int64_t first, int64_t second)
{
    if (t->failing++)
        return;
    int64_t later = first > second ? first : second;
    t->point = point;
    t->address = recorded[point];
    t->previous = recorded[point > 0 ? point - 1 : 0];
    t->sample = later / 8 - at;
    t->output = later % 8;
    t->got = value_of(m, got->out[t->output], t->output, later / 8);
    t->before = value_of(m, before->out[t->output], t->output, later / 8);
    t->after = value_of(m, after->out[t->output], t->output, later / 8);
}

/* The stretch of one moment, interrupted at each instruction in turn. */
static void examine(const struct pf_job *job, const struct pf_machine *m, struct pf_script *s, struct instance *one,
                    struct pf_torn *t)
{
    const struct pf_interruption *p = m->interruption;
    int64_t at = moment->sample, n = moment->samples, end = at + n + p->following;
    struct pf_happening setter = {at, moment->which, {0}};
    memcpy(setter.argument, moment->argument, sizeof setter.argument);
    struct kept start = room(job, m, 0), before = room(job, m, end), after = room(job, m, end), now = room(job, m, end);
    keep(job, one, &start);
    seen = 0;
    recording = 1;
    play(job, m, s, one, at, n, &after);
    recording = 0;
    t->instructions = seen;
    t->left_masked = masked();
    pf_fire(job, m, s, one, &setter);
    keep(job, one, &after);
    play(job, m, s, one, at + n, end - at - n, &after);
    bring_back(job, one, &start);
    pf_fire(job, m, s, one, &setter);
    play(job, m, s, one, at, n, &before);
    keep(job, one, &before);
    play(job, m, s, one, at + n, end - at - n, &before);
    t->matters = parting(m, &before, &after, at, end) >= 0;
    int64_t points = t->instructions < MOST_RECORDED ? t->instructions : MOST_RECORDED, open = 0, number = 0;
    for (int64_t k = 0; k < points; k++)
        open += !closed[k];
    t->masked = points - open;
    for (int64_t k = 0; k < points; k++) {
        if (closed[k])
            continue;
        /* An even choice where there are too many. */
        int64_t place = number++;
        if (open > p->most_points && place * p->most_points / open == (place + 1) * p->most_points / open)
            continue;
        bring_back(job, one, &start);
        seen = 0;
        wanted = k;
        play(job, m, s, one, at, n, &now);
        wanted = -1;
        t->tried++;
        int64_t first = parting(m, &now, &before, at, at + n), second = parting(m, &now, &after, at, at + n);
        if (first < 0 || second < 0) {
            keep(job, one, &now);
            if ((first < 0 && same_bytes(&now, &before)) || (second < 0 && same_bytes(&now, &after)))
                continue;
            play(job, m, s, one, at + n, end - at - n, &now);
            if (first < 0)
                first = parting(m, &now, &before, at + n, end);
            if (second < 0)
                second = parting(m, &now, &after, at + n, end);
        }
        if (first >= 0 && second >= 0)
            note(m, t, k, at, &now, &before, &after, first, second);
    }
    bring_back(job, one, &start);
    t->done = 1;
    let_go(m, &start);
    let_go(m, &before);
    let_go(m, &after);
    let_go(m, &now);
}

void pf_interrupt_use(struct pf_board *which, struct pf_board_machine *one)
{
    board = which;
    played = one;
    recording = taken = 0;
    wanted = -1;
}

/* All scripts from the first on; moments are in the order of scripts and samples. */
void pf_interrupted(struct pf_job *job)
{
    const struct pf_machine *m = job->machine;
    const struct pf_interruption *p = m->interruption;
    struct instance one;
    struct memory clean = pf_plain_memory(pf_regions_size(job));
    pf_prepare_instance(m, &one, 0);
    pf_copy_script_regions(job, clean.at);
    for (int64_t k = m->first; k < m->scripts; k++) {
        struct pf_script *s = &m->script[k];
        int64_t at = 0, next = 0;
        job->shared->segment = k;
        pf_restore_script_regions(job, clean.at);
        pf_allocated = 0;
        pf_start_instance(job, m, s, &one, 1);
        for (int64_t i = 0; i < p->moments; i++) {
            moment = &p->moment[i];
            if (moment->script != k)
                continue;
            while (at < moment->sample) {
                next = pf_fire_due(job, m, s, &one, next, at);
                int64_t end = pf_stretch_end(s, next, at, m->block ? 64 : LONGEST_BLOCK, moment->sample);
                pf_call_run(job, m, s, &one, at, end - at, s->output);
                at = end;
            }
            next = pf_fire_due(job, m, s, &one, next, at);
            if (pf_allocated) /* memory of the heap would not be put back */
                p->torn[i].done = -1;
            else
                examine(job, m, s, &one, &p->torn[i]);
            s->done = at;
        }
        pf_end_instance(m, s, &one);
    }
    job->shared->done = 1;
}

int64_t pf_interruption_size(void) { return (int64_t)sizeof(struct pf_interruption); }
int64_t pf_torn_size(void) { return (int64_t)sizeof(struct pf_torn); }
