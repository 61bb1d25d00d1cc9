"""Oscillators: wrong scale, table, sign or drifting phase against the right twin."""

from tests.fault_injection.planted_families import Family, Pair

C = """\
#define TURN 6.283185307179586
static float table_sine(uint32_t phase, int interpolated)
{
    uint32_t k = phase >> 26;
    double part = interpolated ? (double)(phase & 0x3ffffffu) / 67108864.0 : 0.0;
    double first = sin(TURN * (double)k / 64.0), second = sin(TURN * (double)(k + 1) / 64.0);
    return (float)(first + part * (second - first));
}
static float band_limited(double phase, double sign)
{
    double share = phase - floor(phase);
    double after = fmax(1.0 - share * 16.0, 0.0), before = fmax(1.0 - (1.0 - share) * 16.0, 0.0);
    return (float)(2.0 * share - 1.0 + sign * (after * after - before * before));
}
static float residual(double t, double half)
{
    double near = fmax(1.0 - fabs(t), 0.0);
    return (float)(t < 0.0 ? half * near * near : -half * near * near);
}
"""

PAIRS = [
    Pair(
        "radians", "float", "uint32_t phase",
        "(float)sin(TURN * (double)phase / 4294967296.0)",
        "(float)sin(TURN * (double)phase / 4294967295.0 * 0.999)",
        'integers("phase", 0, 4294967295, "", step=65537)', "full scale",
        "sine_from_phase_32bit", "",
        "absolute=0.0000001", "x the limit",
    ),
    Pair(
        "table", "float", "uint32_t phase",
        "table_sine(phase, 1)",
        "table_sine(phase, 0)",
        'integers("phase", 0, 4294967295, "", step=65537)', "full scale",
        "sine_from_phase_32bit", "",
        "absolute=0.0013", "x the limit",
    ),
    Pair(
        "saw", "float", "int32_t phase",
        "(float)(2.0 * ((double)phase / 4096.0 - floor((double)phase / 4096.0)) - 1.0)",
        "(float)(2.0 * fmod((double)phase / 4096.0, 1.0) - 1.0)",
        'fixed("phase", -1, 2, "turn", fraction_bits=12)', "full scale",
        "saw_from_phase", "",
        "absolute=0.000001", "x the limit",
    ),
    Pair(
        "triangle", "float", "int32_t phase",
        "(float)(1.0 - 4.0 * fabs((double)phase / 4096.0 + 0.25 - floor((double)phase / 4096.0 + 0.25) - 0.5))",
        "(float)(1.0 - 4.0 * fabs((double)phase / 4096.0 - floor((double)phase / 4096.0) - 0.5))",
        'fixed("phase", -1, 2, "turn", fraction_bits=12)', "full scale",
        "triangle_from_phase", "",
        "absolute=0.000001", "x the limit",
    ),
    Pair(
        "square", "float", "int32_t phase",
        "(phase & 4095) < 2048 ? 1.0f : -1.0f",
        "(phase & 4095) <= 2048 ? 1.0f : -1.0f",
        'fixed("phase", -1, 2, "turn", fraction_bits=12)', "full scale",
        "square_from_phase", "",
        "absolute=0.001", "x the limit",
    ),
    Pair(
        "blep", "float", "int32_t phase",
        "band_limited((double)phase / 4096.0, 1.0)",
        "band_limited((double)phase / 4096.0, -1.0)",
        'fixed("phase", 0, 2, "turn", fraction_bits=12)', "full scale",
        "band_limited_saw_from_phase", 'increment="1/16"',
        "absolute=0.000001", "x the limit",
    ),
    Pair(
        "residual", "float", "int32_t phase",
        "residual((double)phase / 4096.0, 0.5)",
        "residual((double)phase / 4096.0, 1.0)",
        'fixed("phase", -1, 2, "sample", fraction_bits=12)', "ratio",
        "step_residual_from_samples", "",
        "absolute=0.000001", "x the limit",
    ),
    Pair(
        "modulated", "float", "int32_t phase, float modulator",
        "(float)sin(TURN * (double)phase / 4096.0 + 2.0 * sin(TURN * (double)modulator))",
        "(float)sin(TURN * ((double)phase / 4096.0 + 2.0 * sin(TURN * (double)modulator)))",
        'fixed("phase", 0, 2, "turn", fraction_bits=12), values("modulator", [0.25], "turn")', "full scale",
        "phase_modulated_sine_from_phases", "index=2",
        "absolute=0.000001", "x the limit",
    ),
    Pair(
        "drift", "uint32_t", "uint32_t n",
        "39370533u * n",
        "(uint32_t)(int64_t)((double)0.0091666665f * (double)n * 4294967296.0)",
        'integers("n", 0, 48000000, "sample", step=4801)', "",
        "phase_32bit_after_samples", "increment=39370533",
        "lsb=0", "LSB",
    ),
]

FAMILY = Family("oscillator", PAIRS, C)
