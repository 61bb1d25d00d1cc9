/* Handlers for the compiler's own run-time checks. Each records and returns, so a run goes on.
   No allocation, no library call, no floating-point instruction: callable at any point of any code,
   and the floating-point flags of the code under test stay as they were.
   Layouts of the handlers' arguments: the public interface of -fsanitize=undefined (gcc 8 or later,
   clang 6 or later). */
#include <stddef.h>
#include <stdint.h>
#include "recorder.h"

#if defined(__arm__) && !defined(PF_EVENTS_AT)
#error "on a board the table of events lies at a fixed address"
#endif

#define HANDLER __attribute__((visibility("hidden"), noinline, used)) void

struct place { const char *file; uint32_t line, column; };
struct type { uint16_t kind, info; char name[1]; };
struct with_type { struct place place; const struct type *type; };
struct with_types { struct place place; const struct type *first, *second; };
struct mismatch { struct place place; const struct type *type; uint8_t log_alignment, access; };
struct conversion { struct place place; const struct type *from, *to; uint8_t kind; };
struct argument { struct place place, attribute; int32_t index; };
struct builtin { struct place place; uint8_t kind; };

enum { NO_CODE, ADD, SUB, MUL, NEGATE, DIVIDE_ZERO, DIVIDE_OVERFLOW, SHIFT_EXPONENT, SHIFT_NEGATIVE,
       SHIFT_RANGE, BOUNDS, FLOAT_CAST, NULL_ACCESS, MISALIGNED, OBJECT_SIZE, POINTER, NULL_ARGUMENT,
       NULL_RETURN, ARRAY_LENGTH, INVALID_BOOL, UNREACHABLE, NO_RETURN_VALUE, ZERO_BUILTIN, TRUNCATION,
       SIGN_CHANGE, ALIGNMENT_PROMISE, FUNCTION_TYPE, READ_BEYOND, WRITE_BEYOND,
       READ_ENDED, WRITE_ENDED, OVERLAP, READ_FREED, WRITE_FREED, CODES };

static const char words[CODES][48] = {
    "", "signed addition overflow", "signed subtraction overflow", "signed multiplication overflow",
    "negation overflow", "integer division by zero", "signed division overflow",
    "shift exponent out of range", "left shift of a negative value", "left shift out of the type's range",
    "array index out of bounds", "float to integer out of range", "null pointer access",
    "misaligned access", "access outside the object", "pointer arithmetic overflow",
    "null pointer argument", "null pointer returned", "array length not positive",
    "value not valid for its type", "unreachable code reached", "function ended without a value",
    "zero given to a bit-count builtin", "implicit conversion loses bits",
    "implicit conversion changes the sign", "broken alignment promise", "call through a wrong function type",
    "read outside", "write outside", "read of the ended local", "write of the ended local",
    "copy between overlapping stretches", "read of freed memory", "write of freed memory",
};

#if defined(PF_EVENTS_AT)
/* On the board nothing is attached: both lie at addresses of the runner's. */
static struct pf_events *table = (struct pf_events *)PF_EVENTS_AT;
static volatile long *now = (volatile long *)PF_POSITION_AT;
#else
static struct pf_events *table;
static volatile long *now;
#endif

__attribute__((visibility("default"))) void pf_recorder_attach(struct pf_events *events,
                                                               volatile long *position)
{
    table = events;
    now = position;
}

static void set_text(char *to, size_t room, const char *from)
{
    size_t length = 0, at = 0;
    if (from == NULL) from = "";
    while (from[length] != 0) length++;
    if (length >= room) from += length - (room - 1);
    for (; from[at] != 0; at++) to[at] = from[at];
    to[at] = 0;
}

static int same_tail(const char *tail, size_t room, const char *path)
{
    size_t length = 0, at = 0;
    if (path == NULL) path = "";
    while (path[length] != 0) length++;
    if (length >= room) path += length - (room - 1);
    while (tail[at] != 0 && tail[at] == path[at]) at++;
    return tail[at] == path[at];
}

static struct pf_operand operand(const struct type *type, uintptr_t value)
{
    struct pf_operand out = {0, 0, 0};
    if (type == NULL) return out;
    if (type->kind == 0) {
        out.width_bits = 1 << (type->info >> 1);
        out.form = (type->info & 1) ? 1 : 2;
        /* Wider than a machine word: the handler receives the address of the value. */
        out.bits = out.width_bits > 64 ? *(const uint64_t *)value : (uint64_t)value;
        if (out.form == 1 && out.width_bits < 64) {
            uint64_t sign = (uint64_t)1 << (out.width_bits - 1);
            out.bits &= (sign << 1) - 1;
            out.bits = (out.bits ^ sign) - sign;
        }
    } else if (type->kind == 1) {
        out.width_bits = type->info;
        out.form = 3;
        out.bits = out.width_bits > 64 ? *(const uint64_t *)value : (uint64_t)value;
    }
    return out;
}

static struct pf_operand plain(uintptr_t value)
{
    struct pf_operand out = {(uint64_t)value, 8 * (int32_t)sizeof value, 4};
    return out;
}

static void record(const struct place *place, int code, int operands, struct pf_operand first,
                   struct pf_operand second)
{
    struct pf_events *events = table;
    struct pf_event *event;
    int64_t at;
    if (events == NULL) return;
    for (at = 0; at < events->used; at++) {
        event = &events->event[at];
        if (event->line == place->line && event->column == place->column && event->code == code &&
            same_tail(event->file, sizeof event->file, place->file)) {
            event->count++;
            return;
        }
    }
    if (events->used >= (int64_t)(sizeof events->event / sizeof events->event[0])) {
        events->lost++;
        return;
    }
    event = &events->event[events->used];
    event->count = 1;
    event->position = now != NULL ? now[0] + now[1] : -1;
    event->operand[0] = first;
    event->operand[1] = second;
    event->operands = operands;
    event->code = code;
    event->line = place->line;
    event->column = place->column;
    set_text(event->kind, sizeof event->kind, words[code]);
    set_text(event->file, sizeof event->file, place->file);
    /* The entry counts only once it is whole: the process may die at the next instruction. */
    __asm__ volatile("" ::: "memory");
    events->used++;
}

static const struct pf_operand none = {0, 0, 0};

#if !defined(PF_EVENTS_AT)
#include "recorder_globals.h"
#include "recorder_strings.h"
#endif

#define OVERFLOW(name, code)                                                                      \
    HANDLER __ubsan_handle_##name##_overflow(struct with_type *data, uintptr_t left, uintptr_t right) \
    {                                                                                             \
        record(&data->place, code, 2, operand(data->type, left), operand(data->type, right));     \
    }
OVERFLOW(add, ADD)
OVERFLOW(sub, SUB)
OVERFLOW(mul, MUL)

HANDLER __ubsan_handle_negate_overflow(struct with_type *data, uintptr_t value)
{
    record(&data->place, NEGATE, 1, operand(data->type, value), none);
}

static int is_zero(const struct type *type, uintptr_t value)
{
    struct pf_operand seen = operand(type, value);
    if (seen.width_bits > 64) return seen.bits == 0 && ((const uint64_t *)value)[1] == 0;
    return seen.form == 3 ? (seen.bits << (64 - seen.width_bits + 1)) == 0 : seen.bits == 0;
}

HANDLER __ubsan_handle_divrem_overflow(struct with_type *data, uintptr_t left, uintptr_t right)
{
    record(&data->place, is_zero(data->type, right) ? DIVIDE_ZERO : DIVIDE_OVERFLOW, 2,
           operand(data->type, left), operand(data->type, right));
}

HANDLER __ubsan_handle_shift_out_of_bounds(struct with_types *data, uintptr_t left, uintptr_t right)
{
    struct pf_operand value = operand(data->first, left), by = operand(data->second, right);
    int code = SHIFT_RANGE;
    if ((by.form == 1 && (int64_t)by.bits < 0) || by.bits >= (uint64_t)value.width_bits)
        code = SHIFT_EXPONENT;
    else if (value.form == 1 && (int64_t)value.bits < 0)
        code = SHIFT_NEGATIVE;
    record(&data->place, code, 2, value, by);
}

HANDLER __ubsan_handle_out_of_bounds(struct with_types *data, uintptr_t index)
{
    record(&data->place, BOUNDS, 1, operand(data->second, index), none);
}

HANDLER __ubsan_handle_local_out_of_bounds(void)
{
    static const struct place unknown = {"", 0, 0};
    record(&unknown, BOUNDS, 0, none, none);
}

/* Old compilers give no place: then the first member points at a type, whose first two bytes are its
   kind, and those never look like the first two letters of a path. */
HANDLER __ubsan_handle_float_cast_overflow(void *data, uintptr_t value)
{
    static const struct place unknown = {"", 0, 0};
    const uint8_t *start = *(const uint8_t *const *)data;
    struct with_types *full = data;
    if (start != NULL && (start[0] + start[1] < 2 || start[0] == 0xff || start[1] == 0xff)) {
        record(&unknown, FLOAT_CAST, 1, operand((const struct type *)start, value), none);
        return;
    }
    record(&full->place, FLOAT_CAST, 1, operand(full->first, value), none);
}

HANDLER __ubsan_handle_type_mismatch_v1(struct mismatch *data, uintptr_t pointer)
{
    uintptr_t alignment = (uintptr_t)1 << data->log_alignment;
    int code = pointer == 0 ? NULL_ACCESS : (pointer & (alignment - 1)) ? MISALIGNED : OBJECT_SIZE;
    record(&data->place, code, 1, plain(pointer), none);
}

HANDLER __ubsan_handle_pointer_overflow(struct place *data, uintptr_t base, uintptr_t result)
{
    record(data, POINTER, 2, plain(base), plain(result));
}

HANDLER __ubsan_handle_nonnull_arg(struct argument *data)
{
    record(&data->place, NULL_ARGUMENT, 1, plain((uintptr_t)data->index), none);
}

HANDLER __ubsan_handle_nullability_arg(struct argument *data) { __ubsan_handle_nonnull_arg(data); }

HANDLER __ubsan_handle_nonnull_return_v1(void *data, struct place *place)
{
    (void)data;
    record(place, NULL_RETURN, 0, none, none);
}

HANDLER __ubsan_handle_nullability_return_v1(void *data, struct place *place)
{
    __ubsan_handle_nonnull_return_v1(data, place);
}

HANDLER __ubsan_handle_vla_bound_not_positive(struct with_type *data, uintptr_t bound)
{
    record(&data->place, ARRAY_LENGTH, 1, operand(data->type, bound), none);
}

HANDLER __ubsan_handle_load_invalid_value(struct with_type *data, uintptr_t value)
{
    record(&data->place, INVALID_BOOL, 1, operand(data->type, value), none);
}

/* The compiler emits nothing after these two calls: returning would run whatever bytes follow. The
   event is recorded, then the process stops here, which its supervisor sees as a crash. */
HANDLER __ubsan_handle_builtin_unreachable(struct place *data)
{
    record(data, UNREACHABLE, 0, none, none);
    __builtin_trap();
}

HANDLER __ubsan_handle_missing_return(struct place *data)
{
    record(data, NO_RETURN_VALUE, 0, none, none);
    __builtin_trap();
}

HANDLER __ubsan_handle_invalid_builtin(struct builtin *data)
{
    record(&data->place, ZERO_BUILTIN, 0, none, none);
}

/* clang only. Kinds: 0 integer truncation, 1 unsigned, 2 signed truncation, 3 sign change, 4 both. */
HANDLER __ubsan_handle_implicit_conversion(struct conversion *data, uintptr_t from, uintptr_t to)
{
    record(&data->place, data->kind == 3 ? SIGN_CHANGE : TRUNCATION, 2, operand(data->from, from),
           operand(data->to, to));
}

HANDLER __ubsan_handle_alignment_assumption(struct argument *data, uintptr_t pointer, uintptr_t alignment,
                                            uintptr_t offset)
{
    (void)offset;
    record(&data->place, ALIGNMENT_PROMISE, 2, plain(pointer), plain(alignment));
}

HANDLER __ubsan_handle_function_type_mismatch(struct with_type *data, uintptr_t function)
{
    record(&data->place, FUNCTION_TYPE, 1, plain(function), none);
}
