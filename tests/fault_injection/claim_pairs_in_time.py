"""A fault and its right twin for every claim about a machine, each judged by that claim alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tests.fault_injection.claim_pairs import C_START, SHEET_START, named

STREAM = 'inputs=[binary32("x", -1, 1, "V")]'
CODE = 'inputs=[integers("x", 0, 1023, "code")]'
GATE = 'inputs=[integers("x", 0, 1, "")]'
SET = 'events=[event("set", "NAME_set(state, value)", binary32("value", 0, 1, "V"))]'
STRIKE = 'events=[event("strike", "NAME_set(state, 1.0f)")]'


@dataclass(frozen=True)
class TimedPair:
    """One claim about a machine: the body of float step(s_t *s, float x) and the text in it (or in init, set) that the fault
    replaces. entry: inputs, events, reference and the like, NAME stands for the entry's own name."""

    word: str
    claim: str
    step: str
    fault: tuple[str, str]
    says: str
    entry: str = ""
    init: str = ""
    set: str = ""
    more: str = ""
    block: bool = False
    heavy: bool = False
    board: bool = False


RAMP = "s->y += s->y < s->z ? 0.05f : 0.0f; return s->y;"
FALL = "s->y *= 0.98f; if (s->y < 1e-5f) s->y = 0.0f; return s->y;"
LAG = "int32_t gap = (int32_t)x - s->on; s->on += gap >= 0 ? (gap + 15) / 16 : -((-gap + 15) / 16); return (float)s->on;"
WAVE = "float y = sinf(1.46291808e-9f * (float)(int32_t)s->p); s->p += s->n; return y;"
STRUCK = ("if (s->on == 1) { s->y += 0.01f; if (s->y >= 1.0f) { s->y = 1.0f; s->on = 2; } } "
          "else if (s->on == 2) { s->y -= 0.002f; if (s->y <= 0.0f) { s->y = 0.0f; s->on = 0; } } return s->y;")
LAG_OF = "s->y += 0.1f * (x - s->y); if (fabsf(s->y) < 1e-20f) s->y = 0.0f; return s->y;"
NOISE = "s->p = s->p >> 1 ^ (s->p & 1u ? 0xb8u : 0u); return (float)s->p * (1.0f / 128.0f) - 1.0f;"
PHASES = 'reference=envelope.attack_decay, constants=dict(attack="1/10", decay="1/2", shape="linear")'

MACHINES = [
    TimedPair("accurate", "accurate(absolute=0, because=WHY)",
              "s->line[s->n & 7u] = x; x = s->line[(s->n - 3u) & 7u]; s->n++; return x;",
              ("- 3u", "- 2u"), "V", STREAM + ', reference=memory_in_time.delay_line, constants={"delay": 3}'),
    TimedPair("decays_to_zero", "decays_to_zero(seconds=1, because=WHY)", LAG_OF,
              ("if (fabsf(s->y) < 1e-20f)", "if (fabsf(s->y) < 0.0f)"), "", STREAM),
    TimedPair("deterministic", "deterministic(because=WHY)", "return (float)s->n++;", ("s->n++",
              "(s->n++ + (uint32_t)clock() % 2u)"), "",
              more="#include <time.h>\n"),
    TimedPair("ends_at_zero", 'ends_at_zero(after="strike", seconds=1, because=WHY)', FALL, ("s->y = 0.0f;", "s->y = 1e-5f;"),
              "", STRIKE, set="s->y = x;"),
    TimedPair("falling_in", 'falling_in("decay", because=WHY)', STRUCK, ("-= 0.002f;",
              "-= s->n++ % 9u ? 0.00236f : -0.0009f;"),
              "", STRIKE + ", " + PHASES, set="s->on = 1;"),
    TimedPair("finite", "finite(because=WHY)", "return 1.0f / (x + 1.5f);", ("1.5f", "1.0f"), "inf", STREAM),
    TimedPair("fresh_after_init", "fresh_after_init()", "s->y += 0.001f; return s->y;", ("s->y = 0.0f", "s->z = 0.0f"), "",
              init="s->y = 0.0f;"),
    TimedPair("gain_at", "gain_at(wanted={83: -3.4, 21: -0.3}, within_db=1, settle_seconds=0.2, measure_seconds=0.2, "
              "because=WHY)", "s->y += 0.4f * (x - s->y); return s->y;", ("0.4f", "0.2f"), "dB", STREAM),
    TimedPair("in_bounds", "in_bounds(because=WHY)", "s->line[s->n & 7u] = x; s->n++; return x;", ("s->n & 7u", "s->n % 9u"),
              "",
              STREAM),
    TimedPair("instances_independent", "instances_independent()", "s->y += x; return s->y;", ("s->y", "shared"), "", STREAM,
              more="static float shared;\n"),
    TimedPair("keeps_frequency", 'keeps_frequency(hz="hz", cents=0.05, hours=0.05, because=WHY)', WAVE,
              ("s->p += s->n;", "s->p += s->n; if (s->p < 4000000u) s->p += 40000000u;"), "cents",
              'events=[event("hz", "NAME_set(state, hz)", binary32("hz", 10, 40, "Hz"))]',
              init="s->n = 4294967u * 20u;", set="s->n = (uint32_t)(x * 4294967.296 + 0.5);", heavy=True),
    TimedPair("keeps_going", "keeps_going(hours=0.05, every_seconds=0.1, because=WHY)", "return (float)(s->n++ % 100u);",
              ("s->n++ %", "(s->n < 100000u ? s->n++ : s->n) %"), "period"),
    TimedPair("mean_within", "mean_within(0, 0.02, samples=4096, because=WHY)", NOISE, ("- 1.0f", "- 0.9f"),
              "mean", init="s->p = 1;"),
    TimedPair("minimum_pulse", "minimum_pulse(samples=16, because=WHY)",
              "if (x != 0.0f && !s->on) s->left = 16; s->on = x != 0.0f; if (s->left > 0) { s->left--; return 1.0f; } "
              "return (float)s->on;", ("left = 16", "left = 15"), "short", GATE + ", scripts=64"),
    TimedPair("never_locks", "never_locks(longest_run=8, period=255, because=WHY)", NOISE, ("0xb8u", "0xb0u"), "repeats",
              init="s->p = 1;"),
    TimedPair("no_flutter", 'no_flutter("x", settle_samples=8, rest_samples=4, noisy_samples=32, because=WHY)',
              "int32_t gap = (int32_t)x - s->on; if (gap > 2 || gap < -2) s->on = (int32_t)x; return (float)(s->on / 128);",
              ("if (gap > 2 || gap < -2)", "if (gap)"), "changes", CODE),
    TimedPair("no_hidden_events", "no_hidden_events(because=WHY)",
              "float part = x > -0.9f ? 1.0f / (x + 1.0f) : 10.0f; return part > 9.0f ? 9.0f : part;", ("x > -0.9f",
              "x > -2.0f"),
              "zero", STREAM),
    TimedPair("no_jump", "no_jump(0.06, because=WHY)", RAMP, ("0.05f", "0.07f"), "", SET, set="s->z = x;"),
    TimedPair("no_overshoot", 'no_overshoot(to="x", because=WHY)', LAG, ("(gap + 15) / 16", "(gap + 30) / 16"), "", CODE),
    TimedPair("no_subnormals", "no_subnormals(because=WHY)", FALL, ("< 1e-5f", "< 0.0f"), "subnormal", init="s->y = 1.0f;"),
    TimedPair("no_undefined_behaviour", "no_undefined_behaviour(because=WHY)",
              "s->p += 99999999u; return (float)(s->p >> 8);",
              ("s->p += 99999999u", "s->on += 99999999"), "overflow"),
    TimedPair("one_event_per_edge", 'one_event_per_edge(edge="x", spacing_samples=4, latency_samples=4, because=WHY)',
              "int32_t now = x != 0.0f; int32_t up = now && !s->on; s->on = now; return (float)up;",
              ("now && !s->on", "now && !s->on && ++s->n % 4u"), "lost", GATE),
    TimedPair("period_within", "period_within(seconds=0.048, samples=0, because=WHY)", "return (float)(s->n++ % 48u == 0);",
              ("48u", "47u"), "1 sample off"),
    TimedPair("recovers_from_nan", "recovers_from_nan(seconds=0.048, because=WHY)",
              "s->y += 0.5f * (x - s->y); if (isnan(s->y) || isinf(s->y)) s->y = 0.0f; return s->y;",
              ("isnan(s->y) || ", ""), "", STREAM + ", hostile=True"),
    TimedPair("returns", "returns(because=WHY)", "if (s->n < 900u) s->n++; return x;", ("s->n < 900u) s->n++",
              "++s->n == 900u) abort()"),
              "SIG", STREAM),
    TimedPair("rising_in", 'rising_in("attack", because=WHY)', STRUCK, ("+= 0.01f;", "+= s->n++ % 9u ? 0.0115f : -0.001f;"),
              "",
              STRIKE + ", " + PHASES, set="s->on = 1;"),
    TimedPair("same_for_any_block_size", "same_for_any_block_size(because=WHY)", "s->y += 0.1f * (x - s->y); return s->y;",
              ("s->y += 0.1f", "if (first) s->y = x; s->y += 0.1f"), "", STREAM, block=True),
    TimedPair("same_at_any_optimisation", 'same_at_any_optimisation(because=WHY, also=["-ffast-math"])',
              "return x;", ("return x;", "return (x + 1e8f) - 1e8f;"), "", STREAM, heavy=True),
    TimedPair("same_when_flushed", "same_when_flushed(because=WHY)", "volatile float y = x * 1e-30f; return y * 1e30f;",
              ("1e-30f; return y * 1e30f", "1e-40f; return y * 1e38f"), "", STREAM),
    TimedPair("settles", 'settles(to="x", seconds=0.2, because=WHY)', LAG, ("(gap + 15) / 16", "gap / 16"), "", CODE),
    TimedPair("stays_stable", "stays_stable(peak=2, because=WHY)", "s->y += s->z * (x - s->y); return s->y;",
              ("x;", "2.5f * x;"), "", STREAM + ", " + SET, init="s->z = 0.5f;", set="s->z = x;"),
    TimedPair("stays_within", "stays_within(-1, 1, because=WHY)",
              "x *= 3.0f; return x > 1.0f ? 1.0f : x < -1.0f ? -1.0f : x;",
              ("x < -1.0f", "x < -2.0f"), "beyond", STREAM),
    TimedPair("time_to", 'time_to(1, after="strike", seconds=0.096, within_samples=4, because=WHY)',
              "s->y += s->on ? 0.0104166670f : 0.0f; if (s->y > 1.0f) s->y = 1.0f; return s->y;", ("0.0104166670f",
              "0.0099f"), "",
              STRIKE, set="s->on = 1; s->y = 0.0f;"),
    TimedPair("cost_within", "cost_within(instructions=120, because=WHY)", "return x;",
              ("return x;", "volatile float y = x; for (int i = 0; i < 40; i++) y += 1.0f; return y;"), "instructions",
              STREAM,
              heavy=True, board=True),
    TimedPair("same_on_board", "same_on_board(bits=True, because=WHY)", "return x;",
              ("return x;", "return x + (float)sizeof(long);"), "this computer", STREAM, heavy=True, board=True),
    TimedPair("safe_when_interrupted_by", 'safe_when_interrupted_by("set", because=WHY)',
              "float z = ((volatile s_t *)s)->z; return z + z;", ("return z + z", "return z + ((volatile s_t *)s)->z"), "",
              SET,
              set="s->z = x;", heavy=True, board=True),
]

STATE = "typedef struct { float rate, y, z; uint32_t n, p; int32_t on, left; float line[8]; } s_t;\n"


def body_of(pair: TimedPair, text: str, end: str) -> str:
    """One of the pair's bodies, with the fault at the wrong end."""
    return text.replace(*pair.fault) if end == "wrong" else text


def c_in_time(pairs: Sequence[TimedPair]) -> str:
    """The C of pairs of machines."""
    text = C_START + "#include <string.h>\n" + STATE
    for pair in pairs:
        assert any(pair.fault[0] in part for part in (pair.step, pair.init, pair.set)), pair.word
        text += pair.more
        for end in ("right", "wrong"):
            name, own = named(pair.word, "machine", end), pair.word == "fresh_after_init"
            cleared = "" if own else "memset(s, 0, sizeof *s); "
            text += (f"void {name}_init(s_t *s, float rate) {{ {cleared}s->rate = rate; {body_of(pair, pair.init, end)} }}\n"
                     f"void {name}_set(s_t *s, float x) {{ (void)s; (void)x; {body_of(pair, pair.set, end)} }}\n"
                     f"static float {name}_do(s_t *s, float x, int first) {{ (void)s; (void)x; (void)first; "
                     f"{body_of(pair, pair.step, end)} }}\n"
                     f"float {name}_step(s_t *s, float x) {{ return {name}_do(s, x, 0); }}\n"
                     f"void {name}_block(s_t *s, const float *x, float *y, int n) "
                     f"{{ for (int i = 0; i < n; i++) y[i] = {name}_do(s, x[i], i == 0); }}\n")
    return text


def sheet_in_time(pairs: Sequence[TimedPair], builds: str, more: str = "", families: str = "envelope, memory_in_time") -> str:
    """The sheet of pairs of machines, judged by these families of references."""
    text = SHEET_START.replace("def same", f"from reference import {families}\ndef same", 1)
    text += f's = Sheet(sources=["plant.c"], flags="-O2", builds={builds}, sample_rate_hz=1000{more})\n'
    for pair in pairs:
        for end in ("right", "wrong"):
            name = named(pair.word, "machine", end)
            source = "x" if "inputs=" in pair.entry else "0.0f"
            runs = f'block="{name}_block(state, x, y, n)"' if pair.block else f'step="y = {name}_step(state, {source})"'
            scripts = "" if "scripts=" in pair.entry else "scripts=4, "
            text += (f's.machine("{name}", state="s_t", init="{name}_init(state, sample_rate_hz)", {runs}, {scripts}'
                     f'outputs=[signal("y", "V")], **alone([{pair.claim}], "fresh_after_init", "instances_independent"), '
                     f'{pair.entry.replace("NAME", name)})\n')
    return text
