"""C of small machines, right as it stands; tests plant one fault in it by replacing text."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from tests.fault_injection.planted import Seen, run, seen, with_changes
from verify.hunting.plan import Plan

C = r"""
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
typedef struct { float rate, level, attack, decay, step, ratio; int mode; } strike_t;
void strike_init(strike_t *s, float rate)
{
    s->rate = rate; s->level = 0.0f; s->attack = 0.01f; s->decay = 0.5f; s->mode = 0;
    s->step = 0.0f; s->ratio = 0.0f;
}
void strike_attack(strike_t *s, float seconds) { s->attack = seconds; }
void strike_decay(strike_t *s, float seconds) { s->decay = seconds; }
void strike_strike(strike_t *s)
{
    float n = s->attack * s->rate;
    s->mode = 1;
    s->step = n > 1.0f ? 1.0f / n : 1.0f;
}
float strike_step(strike_t *s)
{
    if (s->mode == 1) {
        s->level += s->step;
        if (s->level >= 1.0f) {
            float n = s->decay * s->rate;
            s->level = 1.0f;
            s->mode = 2;
            s->ratio = n > 1.0f ? exp2f(-9.9657843f / n) : 0.0f;
        }
    } else if (s->mode == 2) {
        s->level *= s->ratio;
        if (s->level < 1e-5f) { s->level = 0.0f; s->mode = 0; }
    }
    return s->level;
}

typedef struct { float y, a; } smooth_t;
void smooth_init(smooth_t *s, float rate) { s->y = 0.0f; s->a = 1.0f - expf(-1.0f / (0.01f * rate)); }
float smooth_step(smooth_t *s, float x)
{
    s->y += s->a * (x - s->y);
    if (fabsf(s->y) < 1e-15f) s->y = 0.0f;
    return s->y;
}
void smooth_block(smooth_t *s, const float *in, float *out, int n)
{
    for (int i = 0; i < n; i++)
        out[i] = smooth_step(s, in[i]);
}

typedef struct { int on; unsigned left, least; } gate_t;
void gate_init(gate_t *g, float rate) { g->on = 0; g->left = 0; g->least = (unsigned)(0.002f * rate); }
int gate_step(gate_t *g, float volts)
{
    if (volts >= 1.6f) {
        if (!g->on) g->left = g->least;
        g->on = 1;
    } else if (volts <= 1.2f) {
        g->on = 0;
    }
    if (g->left > 0) { g->left--; return 1; }
    return g->on;
}

typedef struct { int16_t y; } knob_t;
void knob_init(knob_t *k) { k->y = 0; }
int16_t knob_step(knob_t *k, int16_t x)
{
    int32_t gap = x - k->y;
    k->y = (int16_t)(k->y + (gap >= 0 ? (gap + 15) / 16 : -((-gap + 15) / 16)));
    return k->y;
}
"""

SHEET = """
from reference import envelope, gate, smoothing
from verify import *
s = Sheet(sources=["plant.c"], flags="-O2 -std=c11")
"""

STRIKE = """
s.machine("strike", state="strike_t", init="strike_init(state, sample_rate_hz)", step="level = strike_step(state)",
    events=[event("strike", "strike_strike(state)"),
            event("attack", "strike_attack(state, attack)", binary32("attack", 0.0005, 0.1, "s")),
            event("decay", "strike_decay(state, decay)", binary32("decay", 0.005, 1, "s"))],
    outputs=[signal("level", "full scale")], reference=envelope.attack_decay, longest_seconds=1,
    constants={"attack": "1/100", "decay": "1/2", "silence": "1/100000"},
    claims=[accurate(absolute=0.002, because="heard as a click or a late peak"),
            stays_within(0, 1, because="full scale"), no_jump(0.6, because="clicks"),
            time_to(1, after="strike", seconds="attack", within_samples=2, because="attack as set")])
"""

SMOOTH = """
s.machine("smooth", state="smooth_t", init="smooth_init(state, sample_rate_hz)", step="y = smooth_step(state, x)",
    inputs=[binary32("x", -1, 1, "V")], outputs=[signal("y", "V")], reference=smoothing.one_pole, longest_seconds=1,
    constants={"target": "x", "seconds": "1/100"}, sample_rates_hz=[48_000, 44_100],
    claims=[accurate(absolute=1e-4, because="heard as steps"), stays_within(-1, 1, because="range"),
            no_overshoot(to="x", limit=1e-6, because="a smoother never overshoots")])
"""

BLOCKS = """
s.machine("blocks", state="smooth_t", init="smooth_init(state, sample_rate_hz)", block="smooth_block(state, x, y, n)",
    inputs=[binary32("x", -1, 1, "V")], outputs=[signal("y", "V")], longest_seconds=1,
    claims=[same_for_any_block_size(because="the audio interrupt may change its block length")])
"""

GATE = """
s.machine("gate", state="gate_t", init="gate_init(state, sample_rate_hz)", step="on = gate_step(state, volts)",
    inputs=[binary32("volts", 0, 5, "V")], outputs=[signal("on", "", ctype="int32_t")], longest_seconds=1,
    claims=[minimum_pulse(seconds=0.002, because="the sculpture's valve needs 2 ms"), stays_within(0, 1, because="a gate")])
"""

KNOB = """
s.machine("knob", state="knob_t", init="knob_init(state)", step="y = knob_step(state, x)",
    inputs=[integers("x", 0, 1023, "code")], outputs=[signal("y", "code", ctype="int16_t")], longest_seconds=1,
    claims=[settles(to="x", seconds=0.01, because="the last step must be reached"),
            no_overshoot(to="x", because="no way back")])
"""

FEW = Plan(scripts=384)


def planted(folder: Path, entry: str, *changes: tuple[str, str], plan: Plan = FEW) -> tuple[dict[str, Any], Seen]:
    """The record of one machine with changed C, and what it says of it."""
    text = with_changes(C, changes)
    record = run(folder, text, SHEET + entry, plan)
    name = entry.split('s.machine("')[1].split('"')[0]
    return record, seen(record, name)
