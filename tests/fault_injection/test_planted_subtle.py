"""Subtle faults in time, of a class each,
    as an author would make them: found with a small script; right twins are silent."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.fault_injection.planted import Seen, run, seen

pytestmark = [pytest.mark.usefixtures("gcc"), pytest.mark.nightly]

C = r"""
#include <math.h>
#include <stdint.h>
/* click when the attack changes in release and then a retrigger */
typedef struct { float rate, level, up, down, attack; int mode, dirty; } env_t;
static float per(float rate, float s) { float n = s * rate; return n > 1.0f ? 1.0f / n : 1.0f; }
void env_init(env_t *s, float rate)
{
    s->rate = rate; s->level = 0; s->mode = 0; s->dirty = 0;
    s->attack = 0.01f; s->up = per(rate, 0.01f); s->down = per(rate, 0.1f);
}
void env_attack(env_t *s, float t) { s->attack = t; if (FAULT && s->mode == 2 && s->level < 0.5f) s->dirty = 1; }
void env_gate(env_t *s, int on)
{
    if (on && s->mode != 1) { s->up = per(s->rate, s->attack); if (s->dirty) s->level = 0; s->dirty = 0; s->mode = 1; }
    if (!on && s->mode == 1) s->mode = 2;
}
float env_step(env_t *s)
{
    if (s->mode == 1) { s->level += s->up; if (s->level > 1) s->level = 1; }
    if (s->mode == 2) { s->level -= s->down; if (s->level <= 0) { s->level = 0; s->mode = 0; } }
    return s->level;
}
/* Q15 release that stops at one step */
typedef struct { int32_t level, step; int on; } rel_t;
void rel_init(rel_t *s,
    float rate) { s->level = 0; s->step = (int32_t)(32767.0f / (0.2f * rate) * 65536.0f); s->on = 0; }
void rel_gate(rel_t *s, int on) { s->on = on; if (on) s->level = 32767 << 16; }
int16_t rel_step(rel_t *s)
{
    if (!s->on) {
        if (s->level > (FAULT ? 65536 + s->step : s->step)) s->level -= s->step;
        else if (!FAULT) s->level = 0;
    }
    return (int16_t)(s->level >> 16);
}
/* a counter of 16 bits measures the period of a clock */
typedef struct { int last, started;
#if FAULT
 uint16_t n;
#else
 uint32_t n;
#endif
 uint32_t period; } clk_t;
void clk_init(clk_t *s) { s->last = 0; s->started = 0; s->n = 0; s->period = 0; }
void clk_gate(clk_t *s, int on)
{
    if (on && !s->last) { if (s->started) s->period = s->n; s->started = 1; s->n = 0; }
    s->last = on;
}
uint32_t clk_step(clk_t *s) { s->n++; return s->period; }
/* time wrong at 44.1 kHz only */
typedef struct { float level, up, ratio; int mode; } rate_t;
void rate_init(rate_t *s, float rate)
{
    s->level = 0; s->mode = 0;
    s->up = 1.0f / (0.01f * (FAULT && rate < 45000 ? 48000.0f : rate)); s->ratio = exp2f(-9.9657843f / (0.3f * rate));
}
void rate_strike(rate_t *s) { s->mode = 1; }
float rate_step(rate_t *s)
{
    if (s->mode == 1) { s->level += s->up; if (s->level >= 1) { s->level = 1; s->mode = 2; } }
    else if (s->mode == 2) { s->level *= s->ratio; if (s->level < 1e-5f) { s->level = 0; s->mode = 0; } }
    return s->level;
}
/* an edge inside a block triggers again at the next block */
typedef struct { int last; } trig_t;
void trig_init(trig_t *s) { s->last = 0; }
void trig_block(trig_t *s, const int32_t *gate, int32_t *out, int n)
{
    int before = s->last;
    for (int i = 0; i < n; i++) {
        out[i] = gate[i] && !before;
        before = gate[i];
    }
    s->last = FAULT ? gate[0] : before;
}
/* slew: falls by the wrong step just before it arrives */
typedef struct { float y, step; } slew_t;
void slew_init(slew_t *s, float rate) { s->y = 0; s->step = 20.0f / rate; }
float slew_step(slew_t *s, float x)
{
    float gap = x - s->y;
    if (gap > s->step) s->y += s->step;
    else if (gap < (FAULT ? 0 : -s->step)) s->y -= s->step;
    else s->y = x;
    return s->y;
}
/* a smoother that stops short in float */
typedef struct { float y, a; } lag_t;
void lag_init(lag_t *s, float rate) { s->y = 0; s->a = 1.0f - expf(-1.0f / (0.02f * rate)); }
float lag_step(lag_t *s, float x)
{
    float d = s->a * (x - s->y), y = s->y + d;
    if (!FAULT && y == s->y) y = nextafterf(y, x);
    if (!FAULT && fabsf(x - y) < 1e-9f) y = x;
    s->y = y;
    return y;
}
/* debounce whose count survives a bounce in the last sample */
typedef struct { int state, n; } deb_t;
void deb_init(deb_t *s) { s->state = s->n = 0; }
int32_t deb_step(deb_t *s, int32_t x)
{
    if (x == s->state) { if (!(FAULT && s->n == 47)) s->n = 0; }
    else if (++s->n >= 48) { s->state = x; s->n = 0; }
    return s->state;
}
/* a pulse retriggered within its last 64 samples is not made longer */
typedef struct { int left, last, least; } pul_t;
void pul_init(pul_t *s, float rate) { s->left = s->last = 0; s->least = (int)(0.005f * rate); }
void pul_gate(pul_t *s, int on)
{
    if (on && !s->last && !(FAULT && s->left > 0 && s->left <= 64)) s->left = s->least;
    s->last = on;
}
int32_t pul_step(pul_t *s) { if (s->left > 0) { s->left--; return 1; } return s->last; }
/* a ramp whose target is sent again on its way jumps */
typedef struct { float y, target, step; int n; float rate; } ramp_t;
void ramp_init(ramp_t *s, float rate) { s->y = s->target = 0; s->n = 0; s->rate = rate; s->step = 0; }
void ramp_to(ramp_t *s, float x)
{
    if (FAULT && x == s->target && s->n > 0) s->n = 1;
    else { s->n = (int)(0.02f * s->rate); s->step = (x - s->y) / (float)s->n; }
    s->target = x;
}
float ramp_step(ramp_t *s) { if (s->n > 0) { s->y += s->step; if (--s->n == 0) s->y = s->target; } return s->y; }
/* the release takes the attack's time if the gate ends in the sample in which it began */
typedef struct { float rate, level, up, down; int mode, age; } one_t;
void one_init(one_t *s, float rate)
{
    s->rate = rate; s->level = 0; s->mode = 0; s->up = per(rate, 0.002f); s->down = per(rate, 0.05f); s->age = 9;
}
void one_gate(one_t *s, int on)
{
    if (on && s->mode != 1) { s->mode = 1; s->age = 0; }
    if (!on && s->mode == 1) { s->mode = 2; if (!FAULT || s->age != 1) s->age = 9; }
}
float one_step(one_t *s)
{
    if (s->mode == 1) { s->level += s->up; if (s->level > 1) s->level = 1; if (s->age < 9) s->age++; }
    if (s->mode == 2) { s->level -= s->age == 1 ? s->up : s->down; if (s->level <= 0) { s->level = 0; s->mode = 0; } }
    return s->level;
}
"""

START = """
from reference import envelope, gate, smoothing
from verify import *
s = Sheet(sources=["plant.c"], flags="-O2 -std=c11 -DFAULT={fault}", builds=["host"])
G = integers("gate", 0, 1, "")
"""
MACHINES = {
    "env": """
s.machine("env", state="env_t", init="env_init(state, sample_rate_hz)", step="level = env_step(state)",
    events=[event("gate", "env_gate(state, gate)", G), event("attack", "env_attack(state, attack)",
    binary32("attack", 0.001, 0.5, "s"))],
    outputs=[signal("level", "full scale")], reference=envelope.attack_decay_sustain_release,
    constants={"attack": "1/100", "decay": 0, "sustain": 1, "release": "1/10"}, longest_seconds=0.5,
    claims=[accurate(absolute=0.002, because="as set"), no_jump(0.0209, because="clicks")])
""",
    "rel": """
s.machine("rel", state="rel_t", init="rel_init(state, sample_rate_hz)", step="level = rel_step(state)",
    events=[event("gate", "rel_gate(state, gate)", G)], outputs=[signal("level", "full scale", ctype="int16_t",
    fraction_bits=15)],
    longest_seconds=0.5, claims=[ends_at_zero(after="gate", value=0, seconds=0.205, because="as set"), stays_within(0, 1,
    because="as set")])
""",
    "clk": """
s.machine("clk", state="clk_t", init="clk_init(state)", step="period = clk_step(state)",
    events=[event("gate", "clk_gate(state, gate)", G)], outputs=[signal("period", "", ctype="uint32_t")],
    reference=gate.period, constants={"same_sample": "edge"}, longest_seconds=2, claims=[accurate(absolute=0,
    because="as set")])
""",
    "rate": """
s.machine("rate", state="rate_t", init="rate_init(state, sample_rate_hz)", step="level = rate_step(state)",
    events=[event("strike", "rate_strike(state)")], outputs=[signal("level", "full scale")], sample_rates_hz=[48000,
    44100],
    reference=envelope.attack_decay, constants={"attack": "1/100", "decay": "3/10", "silence": "1/100000"},
    longest_seconds=0.5,
    claims=[accurate(absolute=0.002, because="as set"), time_to(1, after="strike", seconds=0.01, within_samples=2,
    because="as set")])
""",
    "trig": """
s.machine("trig", state="trig_t", init="trig_init(state)", block="trig_block(state, gate, out, n)",
    inputs=[integers("gate", 0, 1, "")], outputs=[signal("out", "", ctype="int32_t")], reference=gate.edges,
    longest_seconds=0.2,
    claims=[accurate(absolute=0, because="as set"), one_event_per_edge(edge="gate", because="as set"),
    same_for_any_block_size(because="as set")])
""",
    "slew": """
s.machine("slew", state="slew_t", init="slew_init(state, sample_rate_hz)", step="y = slew_step(state, x)",
    inputs=[binary32("x", -1, 1, "V")], outputs=[signal("y", "V")], reference=smoothing.slew,
    constants={"target": "x", "per_second": 20},
    longest_seconds=0.5, claims=[accurate(absolute=1e-4, because="as set"), no_overshoot(to="x", because="as set")])
""",
    "lag": """
s.machine("lag", state="lag_t", init="lag_init(state, sample_rate_hz)", step="y = lag_step(state, x)",
    inputs=[binary32("x", -1, 1, "V")], outputs=[signal("y", "V")], reference=smoothing.one_pole,
    constants={"target": "x", "seconds": "1/50"},
    longest_seconds=1, claims=[accurate(absolute=1e-4, because="as set"), settles(to="x", seconds=0.6, because="as set")],
    without={"no_hidden_events": "its tail is left to fall"})
""",
    "deb": """
s.machine("deb", state="deb_t", init="deb_init(state)", step="out = deb_step(state, gate)",
    inputs=[integers("gate", 0, 1, "")], outputs=[signal("out", "", ctype="int32_t")], reference=gate.debounce,
    constants={"samples": 48},
    longest_seconds=0.2, claims=[accurate(absolute=0, because="as set")])
""",
    "pul": """
s.machine("pul", state="pul_t", init="pul_init(state, sample_rate_hz)", step="out = pul_step(state)",
    events=[event("gate", "pul_gate(state, gate)", G)], outputs=[signal("out", "", ctype="int32_t")],
    reference=gate.minimum_pulse,
    constants={"seconds": "5/1000", "same_sample": "edge"}, longest_seconds=0.2, claims=[accurate(absolute=0,
    because="as set")])
""",
    "ramp": """
s.machine("ramp", state="ramp_t", init="ramp_init(state, sample_rate_hz)", step="y = ramp_step(state)",
    events=[event("target", "ramp_to(state, target)", binary32("target", -1, 1, "V"))], outputs=[signal("y", "V")],
    reference=smoothing.ramp, constants={"seconds": "1/50"}, longest_seconds=0.2, claims=[accurate(absolute=1e-4,
    because="as set")],
    without={"no_hidden_events": "its tail is left to fall"})
""",
    "one": """
s.machine("one", state="one_t", init="one_init(state, sample_rate_hz)", step="level = one_step(state)",
    events=[event("gate", "one_gate(state, gate)", G)], outputs=[signal("level", "full scale")],
    reference=envelope.attack_decay_sustain_release, constants={"attack": "2/1000", "decay": 0, "sustain": 1,
    "release": "1/20"},
    longest_seconds=0.2, claims=[accurate(absolute=0.002, because="as set")])
""",
}
# Machine -> claims that must fail, most samples of the first one's witness, words in it.
FAULTS = {
    "env": ({"accurate", "no_jump"}, 16, ("attack", "gate")),
    "rel": ({"ends_at_zero"}, 10_500, ("gate",)),
    "clk": ({"accurate"}, 65_600, ("gate",)),
    "rate": ({"accurate", "time_to"}, 16, ("44100/",)),
    "trig": ({"accurate", "one_event_per_edge", "same_for_any_block_size"}, 128, ("gate",)),
    "slew": ({"accurate", "no_overshoot"}, 16, ("x@0",)),
    "lag": ({"settles"}, 30_000, ("x@0",)),
    "deb": ({"accurate"}, 128, ("gate@",)),
    "pul": ({"accurate"}, 256, ("gate",)),
    "ramp": ({"accurate"}, 16, ("target",)),
    "one": ({"accurate"}, 16, ("gate",)),
}


def checked(folder: Path, name: str, fault: int) -> Seen:
    return seen(run(folder, C, START.format(fault=fault) + MACHINES[name]), name)


@pytest.mark.parametrize("name", FAULTS)
def test_a_subtle_fault_is_found_with_a_small_script(tmp_path: Path, name: str) -> None:
    claims, most, words = FAULTS[name]
    found = checked(tmp_path, name, 1)

    assert {f"{claim} host" for claim in claims} == found.failing()
    script = found.claim(sorted(claims)[0])["witness"]["script"]
    assert int(script.split("/")[1]) <= most and all(word in script for word in words), script


@pytest.mark.parametrize("name", FAULTS)
def test_its_right_twin_gives_no_alarm(tmp_path: Path, name: str) -> None:
    found = checked(tmp_path, name, 0)

    assert (set(), {}) == (found.failing(), found.other())
