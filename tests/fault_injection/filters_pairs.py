"""Filter coefficients and gains: wrong sign, Q, formula or cancellation against the right twin."""

from tests.fault_injection.planted_families import Family, Pair

C = """\
#define W(hz) (6.283185307179586 * (double)(hz) / 48000.0)
#define ALPHA_DB(hz) (sin(W(hz)) / (2.0 * pow(10.0, 0.7 / 20.0)))
static float peak(double w, double divisor)
{
    double a = pow(10.0, 6.0 / divisor), alpha = sin(w) / 1.4;
    return (float)((1.0 + alpha * a) / (1.0 + alpha / a));
}
"""

PAIRS = [
    Pair(
        "sign", "float", "int32_t hz",
        "(float)(-2.0 * cos(W(hz)) / (1.0 + sin(W(hz)) / 1.4))",
        "(float)(2.0 * cos(W(hz)) / (1.0 + sin(W(hz)) / 1.4))",
        'integers("hz", 20, 20000, "Hz")', "",
        "biquad_from_hz", 'kind="low pass", coefficient="a1", sample_rate_hz=48000, q="0.7"',
        "absolute=0.000001", "x the limit",
    ),
    Pair(
        "normalised", "float", "int32_t hz",
        "(float)((1.0 - sin(W(hz)) / 1.4) / (1.0 + sin(W(hz)) / 1.4))",
        "(float)(1.0 - sin(W(hz)) / 1.4)",
        'integers("hz", 20, 20000, "Hz")', "",
        "biquad_from_hz", 'kind="low pass", coefficient="a2", sample_rate_hz=48000, q="0.7"',
        "absolute=0.000001", "x the limit",
    ),
    Pair(
        "high", "float", "int32_t hz",
        "(float)((1.0 + cos(W(hz))) / 2.0 / (1.0 + sin(W(hz)) / 1.4))",
        "(float)((1.0 - cos(W(hz))) / 2.0 / (1.0 + sin(W(hz)) / 1.4))",
        'integers("hz", 20, 20000, "Hz")', "",
        "biquad_from_hz", 'kind="high pass", coefficient="b0", sample_rate_hz=48000, q="0.7"',
        "absolute=0.000001", "x the limit",
    ),
    Pair(
        "q_in_db", "float", "int32_t hz",
        "(float)(sin(W(hz)) / 1.4 / (1.0 + sin(W(hz)) / 1.4))",
        "(float)(ALPHA_DB(hz) / (1.0 + ALPHA_DB(hz)))",
        'integers("hz", 20, 20000, "Hz")', "",
        "biquad_from_hz", 'kind="band pass", coefficient="b0", sample_rate_hz=48000, q="0.7"',
        "absolute=0.000001", "x the limit",
    ),
    Pair(
        "peak_gain", "float", "int32_t hz",
        "peak((W(hz)), 40.0)",
        "peak((W(hz)), 20.0)",
        'integers("hz", 20, 20000, "Hz")', "",
        "biquad_from_hz", 'kind="peaking", coefficient="b0", sample_rate_hz=48000, q="0.7", gain_db=6',
        "absolute=0.000001", "x the limit",
    ),
    Pair(
        "cancels", "float", "int32_t hz",
        "(float)(-expm1(-W(hz)))",
        "1.0f - expf(-(float)W(hz))",
        'integers("hz", 20, 20000, "Hz")', "",
        "one_pole_from_hz", "sample_rate_hz=48000",
        "relative=0.000001", "relative",
    ),
    Pair(
        "small_angle", "float", "int32_t hz",
        "(float)(-expm1(-W(hz)))",
        "(float)W(hz)",
        'integers("hz", 20, 20000, "Hz")', "",
        "one_pole_from_hz", "sample_rate_hz=48000",
        "relative=0.0001", "relative",
    ),
    Pair(
        "state_variable", "float", "int32_t hz",
        "(float)(2.0 * sin((W(hz)) / 2.0))",
        "(float)(2.0 * sin(W(hz)))",
        'integers("hz", 20, 20000, "Hz")', "",
        "state_variable_from_hz", "sample_rate_hz=48000",
        "relative=0.000001", "relative",
    ),
    Pair(
        "prewarped", "float", "int32_t hz",
        "(float)tan((W(hz)) / 2.0)",
        "(float)((W(hz)) / 2.0)",
        'integers("hz", 20, 20000, "Hz")', "",
        "state_variable_trapezoidal_from_hz", "sample_rate_hz=48000",
        "relative=0.000001", "relative",
    ),
    Pair(
        "response", "float", "int32_t hz",
        "(float)(20.0 * log10(0.1 / sqrt(1.81 - 1.8 * cos(W(hz)))))",
        "(float)(10.0 * log10(0.1 / sqrt(1.81 - 1.8 * cos(W(hz)))))",
        'integers("hz", 20, 20000, "Hz")', "dB",
        "db_from_hz", 'b0="0.1", b1=0, b2=0, a1="-0.9", a2=0, sample_rate_hz=48000',
        "absolute=0.001", "x the limit",
    ),
]

FAMILY = Family("filters", PAIRS, C)
