"""Machines of an instrument between its converters: what only time shows of oscillators, filters, memory and noise."""

from __future__ import annotations

from dataclasses import dataclass

from tests.fault_injection.claim_pairs_in_time import STREAM, TimedPair

FAMILIES = "control_in_time, filters_in_time, memory_in_time, oscillators_in_time, random_in_time"


@dataclass(frozen=True)
class Timed(TimedPair):
    """A pair. small: most lines of the witness's script; shows: what stands in it."""

    small: int = 3
    shows: str = ""

    @property
    def claim_name(self) -> str:
        """What the record calls the claim."""
        return self.claim.split("(")[0]


EXACTLY = "accurate(absolute=0, because=WHY)"
DELAY = (STREAM + ', reference=memory_in_time.delay_line, constants={"delay": 3, "most_samples": 7}, '
         'events=[event("delay", "NAME_set(state, (float)delay)", integers("delay", 0, 8, "sample"))]')
RING = "s->line[s->n & 7u] = x; x = s->line[(s->n - (uint32_t)s->left) & 7u]; s->n++; return x;"
STEP = 'events=[event("step", "NAME_set(state, step)", binary32("step", -0.5, 0.5, "turn"))]'
INDEX = 'events=[event("index", "NAME_set(state, index)", binary32("index", 0, {0}, ""))]'
TURN = "1.46291808e-9f * (float)(int32_t)"

MACHINES = [
    Timed("delay_of_a_whole_ring", EXACTLY, RING, ("x > 7.0f ? 7 : ", ""), "V", DELAY, init="s->left = 3;",
          set="s->left = x > 7.0f ? 7 : (int32_t)x;", shows="delay"),
    Timed("delay_of_nothing", EXACTLY, RING,
          ("s->line[s->n & 7u] = x; x = s->line[(s->n - (uint32_t)s->left) & 7u];",
           "float y = s->line[(s->n - (uint32_t)s->left) & 7u]; s->line[s->n & 7u] = x; x = y;"), "V", DELAY,
          init="s->left = 3;", set="s->left = x > 7.0f ? 7 : (int32_t)x;", shows="delay"),
    Timed("delay_between_samples", "accurate(absolute=1e-6, because=WHY)",
          "s->line[s->n & 7u] = x; uint32_t k = (uint32_t)s->z; float t = s->z - (float)k, a = s->line[(s->n - k) & 7u]; "
          "x = a + t * (s->line[(s->n - k - 1u) & 7u] - a); s->n++; return x;", ("- k - 1u", "- k + 1u"), "x the limit",
          STREAM + ', reference=memory_in_time.delay_line, constants={"delay": 3}, '
          'events=[event("delay", "NAME_set(state, delay)", binary32("delay", 0, 6, "sample"))]',
          init="s->z = 3.0f;", set="s->z = x;"),
    Timed("noise_of_a_short_period", "never_locks(longest_run=8, period=256, because=WHY)",
          "s->p = (s->p * 5u + 3u) & 255u; return (float)s->p;", ("5u", "7u"), "repeats after", ""),
    Timed("noise_that_stands", "never_locks(longest_run=8, period=256, because=WHY)",
          "s->p = (s->p * 5u + 3u) & 255u; return (float)s->p;", ("* 5u + 3u", "* 4u + 3u"), "stands still", ""),
    Timed("noise_of_another_generator", EXACTLY,
          "float y = (float)s->p; s->p = (s->p * 25173u + 13849u) & 0xffffu; return y;",
          ("& 0xffffu", "& 0x7fffu"), "V", "reference=random_in_time.congruential, "
          "constants=dict(multiplier=25173, increment=13849, bits=16)"),
    Timed("pulse_over_the_wrap", "minimum_pulse(samples=12, because=WHY)",
          "float y = s->on && (int32_t)(s->p - s->n) > 0; s->n++; return y;", ("(int32_t)(s->p - s->n) > 0", "s->n < s->p"),
          "short", 'events=[event("strike", "NAME_set(state, 1.0f)")]', init="s->n = 0xfffffff0u;",
          set="s->on = 1; s->p = s->n + 12u;"),
    Timed("ticks_over_the_wrap", EXACTLY, "uint32_t now = s->n; if (++s->left == 2) { s->left = 0; s->n++; } "
          "return (float)(now & 255u);", ("now & 255u", "now % 255u"), "V",
          'reference=memory_in_time.ticks, constants=dict(ticks_per_second=500, start=250, bits=8)', init="s->n = 250u;"),
    Timed("phase_below_zero", "stays_within(0, 1, because=WHY)",
          "float y = s->y; s->y += s->z; s->y -= floorf(s->y); return y;",
          ("s->y -= floorf(s->y);", "if (s->y >= 1.0f) s->y -= 1.0f;"), "", STEP, set="s->z = x;", shows="step"),
    Timed("increment_of_no_number", "recovers_from_nan(seconds=0.048, because=WHY)",
          "float y = s->y; s->y += s->z; s->y -= floorf(s->y); return y;", ("isfinite(x) ? x : 0.0f", "x"), "",
          STEP + ", hostile=True", set="s->z = isfinite(x) ? x : 0.0f;", shows="step"),
    Timed("index_in_turns", "accurate(absolute=0.0001, because=WHY)",
          f"float y = sinf({TURN}s->n + s->z * sinf({TURN}s->p)); s->n += 214748365u; s->p += 85899346u; return y;",
          ("s->z * sinf", "6.2831853f * s->z * sinf"), "x the limit", INDEX.format(4) + ", longest_seconds=0.5, "
          "reference=oscillators_in_time.phase_modulated, constants=dict(carrier_hz=50, modulator_hz=20, index=0)",
          set="s->z = x;", shows="index"),
    Timed("modulator_one_sample_ahead", "accurate(absolute=0.0001, because=WHY)",
          f"float y = sinf({TURN}s->n + s->z * sinf({TURN}s->p)); s->n += 214748365u; s->p += 85899346u; return y;",
          ("float y", "s->p += 85899346u; float y"), "x the limit", INDEX.format(4) + ", longest_seconds=0.5, "
          "reference=oscillators_in_time.phase_modulated, constants=dict(carrier_hz=50, modulator_hz=20, index=0)",
          set="s->z = x;", shows="index"),
    Timed("a_pair_that_never_returns", "returns(because=WHY)",
          f"float a = s->z * s->y; a = remainderf(a, 6.2831853f); s->y = sinf({TURN}s->n + a); s->n++; return s->y;",
          ("a = remainderf(a, 6.2831853f);", "while (a > 3.1415927f) a -= 6.2831853f;"),
          "hang", INDEX.format("1e9"), set="s->z = x;", shows="index"),
    Timed("high_pass_of_the_sample_before", "accurate(absolute=0.00001, because=WHY)",
          "s->y += 0.26959735f * (x - s->y); return x - s->y;",
          ("s->y += 0.26959735f * (x - s->y); return x - s->y;", "x -= s->y; s->y += 0.26959735f * x; return x;"),
          "x the limit", STREAM + ", reference=filters_in_time.first_order, "
          'constants=dict(kind="high pass", cutoff_hz=50)'),
    Timed("high_pass_that_leaves_dc", 'settles(to="x", gain=0, seconds=0.3, because=WHY)',
          "int32_t gap = (int32_t)x * 256 - s->left; s->left += gap / 16; return (float)((gap + 128) >> 8);",
          ("* 256 - s->left; s->left += gap / 16; return (float)((gap + 128) >> 8)",
           "- s->left; s->left += gap / 16; return (float)gap"), "", 'inputs=[integers("x", 0, 1023, "code")]'),
    Timed("held_a_sample_late", EXACTLY, "if (s->on) s->y = x; s->on = 0; s->z = x; return s->y;",
          ("s->y = x;", "s->y = s->z;"), "V", STREAM + ', reference=memory_in_time.sample_and_hold, '
          'events=[event("hold", "NAME_set(state, 1.0f)")]', set="s->on = 1;", shows="hold"),
]
