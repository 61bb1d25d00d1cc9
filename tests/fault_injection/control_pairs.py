"""Knobs and crossfades: a wrong range, law, gain or rounding against its right twin."""

from tests.fault_injection.planted_families import Family, Pair

PAIRS = [
    Pair(
        "linear", "float", "uint16_t code",
        "-5.0f + 10.0f * (float)code / 4095.0f",
        "-5.0f + 10.0f * (float)code / 4096.0f",
        'codes("code", bits=12)', "V",
        "linear_from_code", "low_code=0, high_code=4095, low=-5, high=5",
        "absolute=0.0005", "V",
    ),
    Pair(
        "exponential", "float", "uint16_t code",
        "20.0f * powf(1000.0f, (float)code / 4095.0f)",
        "20.0f * powf(1001.0f, (float)code / 4095.0f)",
        'codes("code", bits=12)', "Hz",
        "exponential_from_code", "low_code=0, high_code=4095, low=20, high=20000",
        "cents=0.1", "cents",
    ),
    Pair(
        "taper", "float", "uint16_t code",
        "10.0f * (powf(81.0f, (float)code / 4095.0f) - 1.0f) / 80.0f",
        "10.0f * (powf(64.0f, (float)code / 4095.0f) - 1.0f) / 63.0f",
        'codes("code", bits=12)', "s",
        "tapered_from_code", "low_code=0, high_code=4095, low=0, high=10, centre=1",
        "absolute=0.001", "x the limit",
    ),
    Pair(
        "squared", "float", "uint16_t code",
        "(float)code / 4095.0f * ((float)code / 4095.0f)",
        "(float)code / 4095.0f",
        'codes("code", bits=12)', "",
        "power_law_from_code", "low_code=0, high_code=4095, low=0, high=1, power=2",
        "absolute=0.001", "x the limit",
    ),
    Pair(
        "dead_band", "float", "int32_t x",
        "fmaxf(fabsf((float)x) - 100.0f, 0.0f) * (x < 0 ? -2048.0f : 2048.0f) / 1948.0f",
        "fmaxf(fabsf((float)x) - 100.0f, 0.0f) * (x < 0 ? -1.0f : 1.0f)",
        'integers("x", -2048, 2047, "code")', "",
        "dead_band_from_level", "half_width=100, full_scale=2048",
        "absolute=0.01", "x the limit",
    ),
    Pair(
        "swapped", "float", "uint16_t code",
        "cosf(1.57079633f * (float)code / 4095.0f)",
        "sinf(1.57079633f * (float)code / 4095.0f)",
        'fixed("code", 0, 1, "", fraction_bits=12)', "",
        "first_gain_equal_power_from_position", "",
        "absolute=0.001", "x the limit",
    ),
    Pair(
        "second_gain", "float", "uint16_t code",
        "sinf(1.57079633f * (float)code / 4096.0f)",
        "(float)code / 4096.0f",
        'fixed("code", 0, 1, "", fraction_bits=12)', "",
        "second_gain_equal_power_from_position", "",
        "absolute=0.00001", "x the limit",
    ),
    Pair(
        "scaled", "int32_t", "int32_t code",
        "code * 127 / 4095",
        "(code * 127) >> 12",
        'integers("code", -4095, 4095, "code")', "code",
        "scaled_from_code", "numerator=127, denominator=4095",
        "lsb=0", "LSB",
    ),
    Pair(
        "overflow", "int32_t", "int32_t code",
        "code * 1000 / 4095",
        "(int16_t)(uint32_t)(code * 1000) / 4095",
        'integers("code", 0, 4095, "code")', "code",
        "scaled_from_code", "numerator=1000, denominator=4095",
        "lsb=0", "LSB",
    ),
    Pair(
        "pickup", "int32_t", "int32_t before, int32_t now",
        "(before - 40) * (now - 40) <= 0",
        "(before - 40) * (now - 40) < 0",
        'integers("before", 0, 99, "code"), integers("now", 0, 99, "code")', "",
        "pickup_from_positions", "stored=40",
        "lsb=0", "LSB",
    ),
]

FAMILY = Family("control", PAIRS)
