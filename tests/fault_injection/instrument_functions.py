"""Functions of an instrument between its converters: oscillator, filter, control, output, memory, random; right and wrong.

Each row is judged by one claim, which is the only one switched on; one sheet holds them all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tests.fault_injection.claim_pairs import C_START, SHEET_START


@dataclass(frozen=True)
class Row:
    """right and wrong: C expressions of the parameters. small: Python, true of the witness's inputs in their units.

    says: what the failing claim must show. more: further arguments of the sheet's entry.
    """

    name: str
    claim: str
    result: str
    parameters: str
    right: str
    wrong: str
    inputs: str
    output: str
    says: str
    small: str
    more: str = ""
    build: str = "host"


EXACTLY = "accurate(lsb=0, because=WHY)"
SIGNED = 'integers("x", -2048, 2047, "code")'
LEVEL = 'fixed("raw", -2, 2, "full scale", fraction_bits=10)'

C = """\
#include <string.h>
#define LEVEL ((double)raw / 1024.0)
static float poly_sine(int32_t raw, int folded)
{
    float x = (float)raw / 4096.0f * 4.0f;                    /* quarters of a turn */
    float sign = x >= 2.0f ? -1.0f : 1.0f;
    if (x >= 2.0f) x -= 2.0f;
    if (folded && x > 1.0f) x = 2.0f - x;
    float s = x * x;
    return sign * x * (1.5707949f + s * (-0.6459210f + s * (0.0794876f - s * 0.0043625f)));
}
static float saw_of(int32_t raw, float least)
{
    float step = (float)raw / 1024.0f, size = fmaxf(fabsf(step), least);
    return 0.25f / size * size + fminf(0.5f, step);
}
static float turn_of(float x) { float y = x - floorf(x); return y < 1.0f ? y : 0.0f; }
static float turned(float phase, float step, int once)
{
    phase += step;
    if (once) return phase - floorf(phase);
    while (phase >= 1.0f) phase -= 1.0f;
    while (phase < 0.0f) phase += 1.0f;
    return phase;
}
typedef struct { float cutoff, level, detune; } panel_t;
static void panel(panel_t *p, uint16_t x, float share)
{
    float t = (float)x / 4095.0f;
    p->cutoff = 20.0f * powf(500.0f, t);
    p->level = t * share;
    p->detune = -0.5f + t;
}
void panel_right(panel_t *p, uint16_t x) { panel(p, x, 0.8f); }
void panel_level(panel_t *p, uint16_t x) { panel(p, x, 0.5f); }
void panel_order(panel_t *p, uint16_t x)
{
    panel(p, x, 0.8f);
    p->detune = -0.5f + p->level;                             /* reads what another target holds already */
}
static int32_t past_rest(int32_t x, int32_t low, int32_t high) { return x > high ? x - high : x < low ? x - low : 0; }
static float powers(int32_t raw, int bent)
{
    float t = (float)raw / 1024.0f, a = cosf(1.57079633f * t), b = sinf(1.57079633f * t);
    return bent ? a * a + b * b : (1.0f - t) * (1.0f - t) + t * t;
}
static int32_t to_24(double x, double low, double high) { return (int32_t)lrint(fmin(fmax(x, low), high)); }
static float clipped(float x) { return fminf(fmaxf(x, -1.0f), 1.0f); }
static float rational(float x) { return x * (27.0f + x * x) / (27.0f + 9.0f * x * x); }
static float mean_of(const float *x, int n) { float sum = 0; for (int i = 0; i < n; i++) sum += x[i]; return 0.125f * sum; }
static int32_t narrow(const int32_t *x)
{
    int16_t sum = 0;
    for (int i = 0; i < 8; i++) sum = (int16_t)(sum + x[i]);
    return sum;
}
static int32_t wide(const int32_t *x)
{
    int32_t sum = 0;
    for (int i = 0; i < 8; i++) sum += x[i];
    return sum > 32767 ? 32767 : sum < -32768 ? -32768 : sum;
}
static const float guarded[9] = {0, 3, 8, -5, 1, -9, 6, 4, 0}, bare[8] = {0, 3, 8, -5, 1, -9, 6, 4};
static float between(const float *table, uint32_t phase)
{
    uint32_t k = phase >> 29;
    float t = (float)(phase & 0x1fffffffu) * (1.0f / 536870912.0f);
    return table[k] + t * (table[k + 1] - table[k]);
}
static float nearest_of(uint32_t phase) { return bare[(phase + 0x10000000u) >> 29 & 7u]; }
"""
SHEET = """
from reference import control, filters, memory, oscillator, output
def turns(ctx, x): return x - ctx.floor(x)
def next_turn(ctx, phase, step): return (phase + step) - ctx.floor(phase + step)
def word(ctx, hz): return ctx.floor(hz * 65536 / 48000)
def due(ctx, now, start): return ctx.minimum(ctx.floor(memory.elapsed_from_ticks(ctx, now, start) / 48), 1)
def rested(ctx, x): return ctx.maximum(x - 64, 0) + ctx.minimum(x + 64, 0)
"""
VOICES = ", ".join(f'values("v{i}", [-1, 0, 1], "full scale")' for i in range(8))
CODES = ", ".join(f'values("v{i}", [-32768, 0, 32767], "code")' for i in range(8))
V_FLOAT = ", ".join(f"float v{i}" for i in range(8))
V_CODE = ", ".join(f"int32_t v{i}" for i in range(8))
V_ALL = ", ".join(f"v{i}" for i in range(8))

OSCILLATOR = [
    Row("sine_by_polynomial", "accurate(absolute=0.00001, because=WHY)", "float", "int32_t raw", "poly_sine(raw, 1)",
        "poly_sine(raw, 0)", 'fixed("raw", 0, 0.9999, "turn", fraction_bits=12)', "full scale", "x the limit",
        "0.25 < x[0]", "reference=oscillator.sine_from_phase"),
    Row("negative_increment_to_a_word", "no_undefined_behaviour(because=WHY)", "uint32_t", "float hz",
        "(uint32_t)(int64_t)(hz * 89478.485f)", "(uint32_t)(hz * 89478.485f)",
        'values("hz", [-440, -1, 0, 1, 440, 24000], "Hz")', "", "float", "x[0] < 0", build="strict"),
    Row("negative_increment", "stays_within(0, 1, because=WHY)", "float", "float step", "step - floorf(step)",
        "step - (float)(int32_t)step", 'values("step", [n / 64 for n in range(-256, 257)], "turn")', "turn", "outside by",
        "x[0] < 0"),
    Row("a_turn_that_rounds_to_one", "stays_within(0, 1 - 2**-24, because=WHY)", "float", "float x", "turn_of(x)",
        "x - floorf(x)", 'binary32("x", -3.0e-8, -2.9e-8, "turn")', "turn", "outside by", "True"),
    Row("zero_increment", "finite(because=WHY)", "float", "int32_t raw", "saw_of(raw, 1e-6f)", "saw_of(raw, 0.0f)",
        'fixed("raw", -0.5, 0.5, "turn", fraction_bits=10)', "full scale", "NaN", "0 == x[0]"),
    Row("huge_increment", "returns(because=WHY)", "float", "float phase, float step", "turned(phase, step, 1)",
        "turned(phase, step, 0)", 'values("phase", [0, 0.5], "turn"), values("step", [-0.25, 0, 0.25, 1, 1e12], "turn")',
        "turn", "hang", "0 == x[0] and 1e11 < x[1]"),
    Row("infinite_increment", 'clamps(nan="finite", because=WHY)', "float", "float step",
        "fminf(fmaxf(step == step ? step : 0.0f, 0.0f), 0.5f)",
        "step < 0.0f ? 0.0f : step > 0.5f ? step - floorf(step) : step",
        'values("step", [0, 0.25, 0.5], "turn")', "turn", "outside", "True"),
]
FILTER = [
    Row("coefficient_rounded", "accurate(lsb=0.51, because=WHY)", "int32_t", "int32_t hz",
        "(int32_t)lrint(-32768.0 * expm1(-6.283185307179586 * hz / 48000.0))",
        "(int32_t)(-32768.0 * expm1(-6.283185307179586 * hz / 48000.0))", 'integers("hz", 20, 8000, "Hz")',
        'fixed_output("", fraction_bits=15)', "LSB", "True",
        "reference=filters.one_pole_from_hz, constants=dict(sample_rate_hz=48000)"),
    Row("high_pass_coefficient", "accurate(absolute=0.000001, because=WHY)", "float", "int32_t hz",
        "(float)exp(-6.283185307179586 * hz / 48000.0)", "(float)(1.0 / (1.0 + 6.283185307179586 * hz / 48000.0))",
        'integers("hz", 20, 8000, "Hz")', "", "x the limit", "True",
        "reference=lambda ctx, hz: 1 - filters.one_pole_from_hz(ctx, hz, sample_rate_hz=48000)"),
]
CONTROL = [
    Row("one_knob_level", "accurate(absolute=0.0001, because=WHY)", "", "panel_t level", "panel_right", "panel_level",
        'codes("x", bits=12)', "", "x the limit", "True",
        'reference=control.linear_from_code, constants=dict(low_code=0, high_code=4095, low=0, high="0.8")'),
    Row("one_knob_detune", "accurate(absolute=0.0001, because=WHY)", "", "panel_t detune", "panel_right", "panel_order",
        'codes("x", bits=12)', "", "x the limit", "True",
        'reference=control.linear_from_code, constants=dict(low_code=0, high_code=4095, low="-0.5", high="0.5")'),
    Row("dead_band_on_one_side", 'symmetric("odd", lsb=0, because=WHY)', "int32_t", "int32_t x", "past_rest(x, -64, 64)",
        "past_rest(x, 0, 64)", 'integers("x", -2047, 2047, "code")', "code", "opposite", "abs(x[0]) <= 2047"),
    Row("dead_band_that_jumps", EXACTLY, "int32_t", "int32_t x", "past_rest(x, -64, 64)",
        "x > 64 || x < -64 ? x : 0", SIGNED, "code", "LSB", "64 < abs(x[0])", "reference=rested"),
    Row("crossfade_linear", "accurate(absolute=0.000001, because=WHY)", "float", "float a, float b, int32_t t",
        "a + (float)t / 1024.0f * (b - a)", "a * (1.0f - (float)t / 1024.0f) + b * (float)t / 1023.0f",
        'values("a", [-1, 0, 1], "full scale"), values("b", [-1, 0, 1], "full scale"), '
        'fixed("t", 0, 1, "", fraction_bits=10)', "full scale", "x the limit", "x[1] != 0",
        "reference=control.crossfade_linear_from_levels"),
    Row("crossfade_of_equal_power", "stays_within(0.9999, 1.0001, because=WHY)", "float", "int32_t raw", "powers(raw, 1)",
        "powers(raw, 0)", 'fixed("raw", 0, 1, "", fraction_bits=10)', "", "outside by", "0 < x[0] < 1"),
    Row("scaling_in_a_promoted_int", "no_undefined_behaviour(because=WHY)", "uint32_t", "uint16_t code, uint16_t gain",
        "(uint32_t)code * gain >> 16", "(uint32_t)(code * gain >> 16)",
        'codes("code", bits=16), values("gain", [60000], "")', "code", "overflow", "(35792, 60000) == tuple(x)",
        build="strict"),
]
OUTPUT = [
    Row("clamp_of_24_bits", EXACTLY, "int32_t", "int32_t raw", "to_24(LEVEL * 8388608.0, -8388608.0, 8388607.0)",
        "to_24(LEVEL * 8388608.0, -8388608.0, 8388608.0)", LEVEL, "code", "+1 LSB", "x[0] >= 1",
        'reference=output.code_from_level, constants=dict(bits=24, rounding="even", scale="power")'),
    Row("wrap_of_24_bits", EXACTLY, "int32_t", "int32_t raw", "to_24(LEVEL * 8388608.0, -8388608.0, 8388607.0)",
        "(int32_t)((uint32_t)lrint(LEVEL * 8388608.0) << 8) >> 8", LEVEL, "code", "LSB", "x[0] >= 1 or x[0] < -1",
        'reference=output.code_from_level, constants=dict(bits=24, rounding="even", scale="power")'),
    Row("rounding_of_24_bits", EXACTLY, "int32_t", "int32_t x", "to_24((double)x / 8.0, -8388608.0, 8388607.0)",
        "(int32_t)((double)x / 8.0)", 'fixed("x", -0.001, 0.001, "full scale", fraction_bits=26)', "code", "1 LSB",
        "abs(x[0]) < 0.001", 'reference=output.code_from_level, constants=dict(bits=24, rounding="even", scale="power")'),
    Row("symmetry_of_24_bits", 'symmetric("odd", lsb=0, because=WHY)', "int32_t", "int32_t raw",
        "to_24(LEVEL * 8388607.0, -8388607.0, 8388607.0)", "to_24(LEVEL * 8388607.0, -8388608.0, 8388607.0)", LEVEL, "code",
        "opposite", "abs(x[0]) > 1"),
    Row("offset_by_rounding_down", 'symmetric("odd", lsb=0, because=WHY)', "int32_t", "int32_t raw",
        "(int32_t)lrint(LEVEL * 100.0)", "(int32_t)floor(LEVEL * 100.0)", LEVEL, "code", "opposite", "x[0] != 0"),
    Row("soft_clip_that_turns", "rising(because=WHY)", "float", "int32_t raw",
        "clipped((float)LEVEL) * (1.5f - 0.5f * clipped((float)LEVEL) * clipped((float)LEVEL))",
        "(float)(LEVEL * (1.5 - 0.5 * LEVEL * LEVEL))", LEVEL, "full scale", "step -", "abs(x[0]) >= 0.99"),
    Row("soft_clip_that_leaves", "stays_within(-1, 1, because=WHY)", "float", "int32_t raw",
        "rational(fminf(fmaxf(3.0f * (float)LEVEL, -3.0f), 3.0f))", "rational(3.0f * (float)LEVEL)", LEVEL, "full scale",
        "outside by", "abs(x[0]) > 1"),
    Row("one_voice_left_out", "accurate(absolute=0.000001, because=WHY)", "float", V_FLOAT,
        f"mean_of((float[]){{{V_ALL}}}, 8)", f"mean_of((float[]){{{V_ALL}}}, 7)", VOICES, "full scale", "x the limit",
        "x[7] != 0 and not any(x[:7])", 'reference=output.mix_from_levels, constants=dict(gain="1/8")'),
    Row("a_mix_that_wraps", EXACTLY, "int32_t", V_CODE, f"wide((int32_t[]){{{V_ALL}}})", f"narrow((int32_t[]){{{V_ALL}}})",
        CODES, "code", "LSB", "sum(x) > 32767 or sum(x) < -32768",
        "reference=output.saturated_sum_from_codes, constants=dict(bits=16)"),
]
MEMORY = [
    Row("no_guard_point", "in_bounds(because=WHY)", "float", "uint32_t phase", "between(guarded, phase)",
        "between(bare, phase)", 'integers("phase", 0, 4294967295, "", step=65537)', "", "bare", "x[0] >= 7 * 2**29",
        build="strict"),
    Row("guard_point_not_the_first", "accurate(absolute=0.00001, because=WHY)", "float", "uint32_t phase",
        "between(guarded, phase)", "nearest_of(phase)", 'integers("phase", 0, 4294967295, "", step=65537)', "",
        "x the limit", "True", "reference=memory.linear_from_phase_32bit, constants=dict(table=[0, 3, 8, -5, 1, -9, 6, 4])"),
    Row("due_over_the_wrap", EXACTLY, "int32_t", "uint32_t now, uint32_t start", "now - start >= 48u", "now >= start + 48u",
        'values("now", [*range(0, 96), *range(2**32 - 96, 2**32)], "sample"), '
        'values("start", [0, 1, 2**32 - 64, 2**32 - 49, 2**32 - 48, 2**32 - 1], "sample")',
        "", "LSB", "True", "reference=due"),
    Row("samples_in_a_float", EXACTLY, "uint32_t", "uint32_t n", "n / 48u", "(uint32_t)((float)n / 48.0f)",
        'integers("n", 16777000, 16779999, "sample")', "ms", "LSB", "True",
        "reference=memory.ticks_from_samples, constants=dict(sample_rate_hz=48000)"),
]
RANDOM = [
    Row("noise_beyond_its_range", "stays_within(-1, 1, because=WHY)", "float", "uint16_t state",
        "(float)(int16_t)state / 32768.0f", "(float)(int16_t)state / 32767.0f", 'codes("state", bits=16)', "full scale",
        "outside by", "32768 == x[0]"),
    Row("noise_of_one_sign", "reaches_both_ends(-1, 1, within=0.001, because=WHY)", "float", "uint16_t state",
        "(float)(int16_t)state / 32768.0f", "(float)(state >> 1) / 32768.0f", 'codes("state", bits=16)', "full scale",
        "lowest", "True"),
]
ROWS = [*OSCILLATOR, *FILTER, *CONTROL, *OUTPUT, *MEMORY, *RANDOM]


# One of each family in the default set.
QUICK = ("sine_by_polynomial", "coefficient_rounded", "crossfade_of_equal_power", "soft_clip_that_turns", "due_over_the_wrap",
         "noise_beyond_its_range")


def beside(row: Row) -> list[Row]:
    """The rows that are checked through the same sheet."""
    return [other for other in ROWS if (other.build, other.name in QUICK) == (row.build, row.name in QUICK)]


def c_of_rows(rows: Sequence[Row]) -> str:
    """The C of rows."""
    text = C_START + C
    for row in rows:
        for end, body in (("right", row.right), ("wrong", row.wrong)):
            if row.result:
                text += f"{row.result} {row.name}_{end}({row.parameters}) {{ return {body}; }}\n"
    return text


def sheet_of_rows(rows: Sequence[Row]) -> str:
    """The sheet of rows: each with its claim alone."""
    text = SHEET_START + SHEET + 's = Sheet(sources=["plant.c"], flags="-O2", builds=["' + rows[0].build + '"])\n'
    for row in rows:
        for end, body in (("right", row.right), ("wrong", row.wrong)):
            more = row.more
            if not row.result:
                more += (f', call="{body}(&p, x); result = p.{row.parameters.split()[1]}", local="panel_t p", '
                         f'input_types=dict(x="uint16_t")')
            result = row.output if "(" in row.output else f'"{row.output}"'
            text += (f's.function("{row.name}_{end}", inputs=[{row.inputs}], output={result}, {more + ", " if more else ""}'
                     f"**alone([{row.claim}]))\n")
    return text
