"""Converter codes, clips and decibels: wrong rounding, clamp, scale or law against the right twin."""

from tests.fault_injection.planted_families import Family, Pair

PAIRS = [
    Pair(
        "cut", "int32_t", "float x",
        "(int32_t)rintf(fminf(fmaxf(x * 32768.0f, -32768.0f), 32767.0f))",
        "(int32_t)fminf(fmaxf(x * 32768.0f, -32768.0f), 32767.0f)",
        'binary32("x", 0.96, 1.01, "full scale")', "code",
        "code_from_level", 'bits=16, rounding="even", scale="power"',
        "lsb=0", "LSB",
    ),
    Pair(
        "halves_up", "int32_t", "float x",
        "(int32_t)rintf(fminf(fmaxf(x * 32768.0f, -32768.0f), 32767.0f))",
        "(int32_t)floorf(fminf(fmaxf(x * 32768.0f, -32768.0f), 32767.0f) + 0.5f)",
        'binary32("x", 0.96, 1.01, "full scale")', "code",
        "code_from_level", 'bits=16, rounding="even", scale="power"',
        "lsb=0", "LSB",
    ),
    Pair(
        "away", "int32_t", "float x",
        "(int32_t)roundf(fminf(fmaxf(x * 32768.0f, -32768.0f), 32767.0f))",
        "(int32_t)rintf(fminf(fmaxf(x * 32768.0f, -32768.0f), 32767.0f))",
        'binary32("x", -1.01, -0.96, "full scale")', "code",
        "code_from_level", 'bits=16, rounding="away", scale="power"',
        "lsb=0", "LSB",
    ),
    Pair(
        "clamp", "int32_t", "float x",
        "(int32_t)rintf(fminf(fmaxf(x * 32768.0f, -32768.0f), 32767.0f))",
        "(int32_t)rintf(fminf(fmaxf(x * 32768.0f, -32768.0f), 32768.0f))",
        'binary32("x", 0.96, 1.01, "full scale")', "code",
        "code_from_level", 'bits=16, rounding="even", scale="power"',
        "lsb=0", "LSB",
    ),
    Pair(
        "wraps", "int32_t", "float x",
        "(int16_t)rintf(fminf(fmaxf(x * 32768.0f, -32768.0f), 32767.0f))",
        "(int16_t)(int32_t)rintf(x * 32768.0f)",
        'binary32("x", -1.01, -0.96, "full scale")', "code",
        "code_from_level", 'bits=16, rounding="even", scale="power"',
        "lsb=0", "LSB",
    ),
    Pair(
        "scale", "int32_t", "float x",
        "(int32_t)rint(fmin(fmax((double)x * 8388607.0, -8388607.0), 8388607.0))",
        "(int32_t)rint(fmin(fmax((double)x * 8388608.0, -8388607.0), 8388607.0))",
        'binary32("x", 0.96, 1.01, "full scale")', "code",
        "code_from_level", 'bits=24, rounding="even", scale="largest"',
        "lsb=0", "LSB",
    ),
    Pair(
        "converter", "int32_t", "float volts",
        "(int32_t)roundf(fminf(fmaxf((5.0f - volts) * 409.5f, 0.0f), 4095.0f))",
        "(int32_t)roundf(fminf(fmaxf((5.0f + volts) * 409.5f, 0.0f), 4095.0f))",
        'binary32("volts", 4, 6, "V")', "code",
        "converter_code_from_volts", 'low_volts=5, high_volts=-5, bits=12, rounding="away"',
        "lsb=1.5", "LSB",
    ),
    Pair(
        "cubic", "float", "float x",
        "1.5f * fminf(x, 1.0f) - 0.5f * fminf(x, 1.0f) * fminf(x, 1.0f) * fminf(x, 1.0f)",
        "1.5f * x - 0.5f * x * x * x",
        'binary32("x", 0.96, 1.01, "full scale")', "full scale",
        "soft_clip_cubic_from_level", "",
        "absolute=0.000001", "x the limit",
    ),
    Pair(
        "drive", "float", "float x",
        "tanhf(2.0f * x)",
        "tanhf(x)",
        'binary32("x", 0.96, 1.01, "full scale")', "full scale",
        "soft_clip_tanh_from_level", "drive=2",
        "absolute=0.000001", "x the limit",
    ),
    Pair(
        "saturates", "int32_t", "int32_t a, int32_t b",
        "a + b > 127 ? 127 : a + b < -128 ? -128 : a + b",
        "(int8_t)(a + b)",
        'integers("a", -128, 127, "code"), integers("b", -128, 127, "code")', "code",
        "saturated_sum_from_codes", "bits=8",
        "lsb=0", "LSB",
    ),
    Pair(
        "mix", "int32_t", "int32_t a, int32_t b, int32_t c, int32_t d",
        "within_16(a + b + c + d)",
        "within_16(within_16(within_16(a + b) + c) + d)",
        ", ".join(f'integers("{name}", -32768, 32767, "")' for name in "abcd"), "code",
        "saturated_sum_from_codes", "bits=16",
        "lsb=0", "LSB",
    ),
    Pair(
        "power_db", "float", "int32_t db",
        "powf(10.0f, (float)db / 20.0f)",
        "powf(10.0f, (float)db / 10.0f)",
        'integers("db", -96, 24, "dB")', "ratio",
        "gain_from_db", "",
        "relative=0.00001", "relative",
    ),
]

C = "static int32_t within_16(int32_t x) { return x > 32767 ? 32767 : x < -32768 ? -32768 : x; }\n"

FAMILY = Family("output", PAIRS, C)
