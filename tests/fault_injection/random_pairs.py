"""Random sources: a wrong constant, shift or width against the right twin."""

from tests.fault_injection.planted_families import Family, Pair

C = """\
static uint32_t xorshift(uint32_t x, int right)
{
    x ^= x << 13;
    x ^= x >> right;
    return x ^ (x << 5);
}
"""

PAIRS = [
    Pair(
        "constant", "uint32_t", "uint32_t state",
        "state * 1664525u + 1013904223u",
        "state * 1664525u + 1013904222u",
        'integers("state", 0, 4294967295, "", step=1000003)', "",
        "congruential_from_state", "multiplier=1664525, increment=1013904223",
        "lsb=0", "LSB",
    ),
    Pair(
        "multiplier", "uint16_t", "uint16_t state",
        "(uint16_t)(state * 25173u + 13849u)",
        "(uint16_t)(state * 25171u + 13849u)",
        'codes("state", bits=16)', "",
        "congruential_from_state", "multiplier=25173, increment=13849, bits=16",
        "lsb=0", "LSB",
    ),
    Pair(
        "float_state", "uint32_t", "uint32_t state",
        "(state * 69069u + 1u) & 0x7fffffffu",
        "(uint32_t)fmod((float)state * 69069.0f + 1.0f, 2147483648.0)",
        'integers("state", 0, 2147483647, "", step=100003)', "",
        "congruential_from_state", "multiplier=69069, increment=1, bits=31",
        "lsb=0", "LSB",
    ),
    Pair(
        "shift", "uint32_t", "uint32_t state",
        "xorshift(state, 17)",
        "xorshift(state, 16)",
        'integers("state", 1, 65535, "", step=7)', "",
        "xorshift_from_state", "shifts=(13, 17, 5)",
        "lsb=0", "LSB",
    ),
    Pair(
        "signed_shift", "uint16_t", "uint16_t state",
        "(uint16_t)((state >> 1) ^ (state & 1 ? 0xb400 : 0))",
        "(uint16_t)(((int16_t)state >> 1) ^ (state & 1 ? 0xb400 : 0))",
        'integers("state", 1, 65535, "", step=7)', "",
        "shift_register_from_state", "taps=0xb400, bits=16",
        "lsb=0", "LSB",
    ),
    Pair(
        "taps", "uint16_t", "uint16_t state",
        "(uint16_t)((state >> 1) | ((__builtin_popcount(state & 0x2du) & 1) << 15))",
        "(uint16_t)((state >> 1) | ((__builtin_popcount(state & 0x2fu) & 1) << 15))",
        'integers("state", 1, 65535, "", step=7)', "",
        "shift_register_parity_from_state", "taps=0x2d, bits=16",
        "lsb=0", "LSB",
    ),
    Pair(
        "one_sided", "float", "uint32_t state",
        "(float)((double)state / 2147483648.0 - 1.0)",
        "(float)((double)state / 4294967296.0)",
        'integers("state", 0, 4294967295, "", step=1000003)', "full scale",
        "level_from_state", "",
        "absolute=0.000001", "x the limit",
    ),
]

FAMILY = Family("random_sources", PAIRS, C)
