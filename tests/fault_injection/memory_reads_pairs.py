"""Table reads, ring addresses and counters: a missing guard point or a wrong wrap against the right twin."""

from tests.fault_injection.planted_families import Family, Pair

C = """\
static const float entry[8] = {0, 3, 8, -5, 1, -9, 6, 4};
static float linear_read(int32_t position, int32_t mask)
{
    int32_t k = (position >> 8) & 7, next = mask > 0 ? (k + 1) & mask : k < 7 ? k + 1 : 7;
    return entry[k] + (float)(position & 255) / 256.0f * (entry[next] - entry[k]);
}
static float cubic_read(int32_t position, float five)
{
    int32_t k = position >> 8;
    float t = (float)(position & 255) / 256.0f;
    float p = entry[(k + 7) & 7], q = entry[k & 7], r = entry[(k + 1) & 7], s = entry[(k + 2) & 7];
    return q + 0.5f * t * ((r - p) + t * ((2 * p - five * q + 4 * r - s) + t * (3 * (q - r) + s - p)));
}
"""

PAIRS = [
    Pair(
        "guard", "float", "int32_t position",
        "linear_read(position, 7)",
        "linear_read(position, -1)",
        'fixed("position", 0, 8, "sample", fraction_bits=8)', "",
        "linear_from_position", "table=[0, 3, 8, -5, 1, -9, 6, 4]",
        "absolute=0.0001", "x the limit",
    ),
    Pair(
        "nearest", "float", "int32_t position",
        "entry[(position >> 8) & 7]",
        "entry[((position + 128) >> 8) & 7]",
        'fixed("position", 0, 8, "sample", fraction_bits=8)', "",
        "entry_from_position", "table=[0, 3, 8, -5, 1, -9, 6, 4]",
        "absolute=0.001", "x the limit",
    ),
    Pair(
        "cubic", "float", "int32_t position",
        "cubic_read(position, 5.0f)",
        "cubic_read(position, 4.0f)",
        'fixed("position", 0, 8, "sample", fraction_bits=8)', "",
        "cubic_from_position", "table=[0, 3, 8, -5, 1, -9, 6, 4]",
        "absolute=0.0001", "x the limit",
    ),
    Pair(
        "ring", "int32_t", "int32_t write, int32_t delay",
        "(write - delay + 100) % 100",
        "(write - delay) % 100",
        'integers("write", 0, 99, "sample"), integers("delay", 0, 100, "sample")', "sample",
        "address_from_write_and_delay", "length=100",
        "lsb=0", "LSB",
    ),
    Pair(
        "full_ring", "int32_t", "int32_t write, int32_t delay",
        "(write - delay + 100) % 100",
        "write >= delay ? write - delay : write - delay + 101",
        'integers("write", 0, 99, "sample"), integers("delay", 0, 100, "sample")', "sample",
        "address_from_write_and_delay", "length=100",
        "lsb=0", "LSB",
    ),
    Pair(
        "ticks", "uint32_t", "uint32_t n",
        "n / 48u",
        "n * 1000u / 48000u",
        'integers("n", 0, 4294967295, "sample", step=4097)', "ms",
        "ticks_from_samples", "sample_rate_hz=48000",
        "lsb=0", "LSB",
    ),
    Pair(
        "ticks_rounded", "uint32_t", "uint32_t n",
        "(uint32_t)((uint64_t)n * 1000u / 44100u)",
        "n / 44u",
        'integers("n", 0, 1000000, "sample")', "ms",
        "ticks_from_samples", "sample_rate_hz=44100",
        "lsb=0", "LSB",
    ),
    Pair(
        "elapsed", "int32_t", "uint32_t now, uint32_t before",
        "(int32_t)((now - before) & 255u)",
        "(int32_t)(now > before ? now - before : before - now)",
        'codes("now", bits=8), codes("before", bits=8)', "ms",
        "elapsed_from_ticks", "bits=8",
        "lsb=0", "LSB",
    ),
]

FAMILY = Family("memory", PAIRS, C)
