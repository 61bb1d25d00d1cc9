"""Knobs with a memory, recursions, increments and coarse filters: each fault is found, its right twin gives no alarm."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.fault_injection.filter_parts import FEW
from tests.fault_injection.planted import Seen, run, seen, with_changes

pytestmark = pytest.mark.usefixtures("gcc")

C = r"""
#include <math.h>
#include <stdint.h>
#define TURN 6.283185307179586
typedef struct { int32_t held; } knob_t;
void knob_init(knob_t *k) { k->held = 0; }
int32_t knob_step(knob_t *k, int32_t x)
{
    if (x > k->held + 4 || x < k->held - 4) k->held = x;
    return k->held;
}

typedef struct { int32_t stored, before, waits; } pick_t;
void pick_init(pick_t *p) { p->stored = p->waits = 0; p->before = -1; }
void pick_recall(pick_t *p, int32_t value) { p->stored = value; p->waits = 1; }
int32_t pick_step(pick_t *p, int32_t x)
{
    int32_t before = p->before < 0 ? x : p->before;
    if (p->waits && ((before <= p->stored && x >= p->stored) || (before >= p->stored && x <= p->stored))) p->waits = 0;
    p->before = x;
    return p->waits ? p->stored : x;
}

typedef struct { double c, s, x, y, rate; } turn_t;
void turn_init(turn_t *p, float rate) { p->rate = rate; p->x = 1; p->y = 0; p->c = 1; p->s = 0; }
void turn_hz(turn_t *p, float hz) { p->c = cos(TURN * hz / p->rate); p->s = sin(TURN * hz / p->rate); }
float turn_step(turn_t *p)
{
    double y = p->y, x = p->x * p->c - p->y * p->s;
    p->y = p->x * p->s + p->y * p->c;
    p->x = x;
    double g = 1.5 - 0.5 * (p->x * p->x + p->y * p->y);
    p->x *= g;
    p->y *= g;
    return (float)y;
}

typedef struct { float phase, step; } wrap_t;
static float wave[65];
void wrap_init(wrap_t *w) { w->phase = w->step = 0; for (int i = 0; i < 65; i++) wave[i] = (float)(2.0 * i / 64.0 - 1.0); }
void wrap_set(wrap_t *w, float s) { w->step = isfinite(s) ? s - floorf(s) : 0.0f; }
float wrap_step(wrap_t *w)
{
    float y = wave[(int)(w->phase * 64.0f)];
    w->phase += w->step;
    if (w->phase >= 1.0f) w->phase -= 1.0f;
    return y;
}

typedef struct { int64_t y; int32_t a; float rate; } lag_t;
void lag_init(lag_t *l, float rate) { l->rate = rate; l->y = 0; l->a = 3000 << 15; }
void lag_hz(lag_t *l, float hz) { l->a = (int32_t)lrint(1073741824.0 * (1 - exp(-TURN * hz / l->rate))); }
int16_t lag_step(lag_t *l, int16_t x)
{
    int64_t gap = (int64_t)x * 16777216 - l->y;
    l->y += (gap >> 15) * l->a >> 15;
    return (int16_t)((l->y + (1 << 23)) >> 24);
}

typedef struct { float held, last; int take; } hold_t;
void hold_init(hold_t *h) { h->held = h->last = 0; h->take = 0; }
void hold_take(hold_t *h) { h->take = 1; }
float hold_step(hold_t *h, float x)
{
    if (h->take) h->held = x;
    h->take = 0;
    h->last = x;
    return h->held;
}
"""
SHEET = """
from reference import control_in_time, memory_in_time, oscillators_in_time
from verify import *
s = Sheet(sources=["plant.c"], flags="-O2 -std=c11", builds=["host"])
WHY = "planted"
CODE = integers("x", 0, 1023, "code")
"""
OUT, FULL = 'outputs=[signal("y", "code", ctype="int32_t")]', 'outputs=[signal("y", "full scale")]'
EXACTLY = "accurate(absolute=0, because=WHY)"
MACHINES = {
    "knob": (f"""state="knob_t", init="knob_init(state)", step="y = knob_step(state, x)", inputs=[CODE], {OUT},
        reference=control_in_time.hysteresis, constants={{"width": 4}}""",
             f'{EXACTLY}, no_flutter("x", because=WHY)'),
    "pick": (f"""state="pick_t", init="pick_init(state)", step="y = pick_step(state, x)", inputs=[CODE], {OUT},
        events=[event("recall", "pick_recall(state, recall)", integers("recall", 0, 1023, "code"))],
        reference=control_in_time.pickup""", EXACTLY),
    "turn": (f"""state="turn_t", init="turn_init(state, sample_rate_hz)", step="y = turn_step(state)", {FULL},
        events=[event("hz", "turn_hz(state, hz)", binary32("hz", 20, 12000, "Hz"))],
        reference=oscillators_in_time.from_frequency, constants={{"hz": 0}}""",
             """keeps_going(hours=0.1, script=[(0, "hz", 440)], every_seconds=1, within=0.001, because=WHY)"""),
    "wrap": (f"""state="wrap_t", init="wrap_init(state)", step="y = wrap_step(state)", {FULL}, hostile=True,
        events=[event("step", "wrap_set(state, step)", binary32("step", -1e9, 1e9, ""))]""",
             "stays_within(-1, 1, because=WHY)"),
    "lag": ("""state="lag_t", init="lag_init(state, sample_rate_hz)", step="y = lag_step(state, x)",
        events=[event("cutoff_hz", "lag_hz(state, cutoff_hz)", binary32("cutoff_hz", 20, 4000, "Hz"))],
        inputs=[integers("x", -32768, 32767, "code")], outputs=[signal("y", "code", ctype="int16_t")]""",
            'settles(to="x", seconds=0.3, because=WHY), decays_to_zero(seconds=0.3, because=WHY)'),
    "hold": (f"""state="hold_t", init="hold_init(state)", step="y = hold_step(state, x)", {FULL},
        events=[event("hold", "hold_take(state)")], inputs=[binary32("x", -1, 1, "full scale")],
        reference=memory_in_time.sample_and_hold""", EXACTLY),
}
# Machine, the change, claims that fail, what is shown.
FAULTS = {
    "hysteresis to one side only": ("knob", ("x < k->held - 4", "x < k->held"), {"accurate"}, "code"),
    "a step too narrow": ("knob", ("x > k->held + 4", "x > k->held + 3"), {"accurate"}, "code"),
    "taken over without being picked up": ("pick", ("p->waits = 1;", "p->waits = value != 0;"), {"accurate"}, "code"),
    "picked up from below only": ("pick", (" || (before >= p->stored && x <= p->stored)", ""), {"accurate"}, "code"),
    "a recursion that grows": ("turn", ("1.5 - 0.5 * (p->x * p->x + p->y * p->y)", "1.0 + 1e-8"), {"keeps_going"},
                               "differs in period"),
    "increments beyond one turn": ("wrap", ("isfinite(s) ? s - floorf(s) : 0.0f", "s"),
                                   {"returns"}, "crash"),
    "a step that is never reached": ("lag", ("(l->y + (1 << 23)) >> 24", "l->y >> 24"), {"settles", "decays_to_zero"},
                                     "code"),
    "held one sample late": ("hold", ("if (h->take) h->held = x;", "if (h->take) h->held = h->last;"), {"accurate"},
                             "full scale"),
}
QUICK = ("picked up from below only",)


def planted(folder: Path, name: str, *changes: tuple[str, str]) -> Seen:
    text = with_changes(C, changes)
    entry, claims = MACHINES[name]
    sheet = f'{SHEET}s.machine("{name}", {entry}, longest_seconds=0.02, claims=[{claims}])\n'
    return seen(run(folder, text, sheet, FEW), name)


@pytest.mark.parametrize("name", [name if name == "pick" else pytest.param(name, marks=pytest.mark.nightly)
                                  for name in sorted(MACHINES)])
def test_right_machines_give_no_alarm(tmp_path: Path, name: str) -> None:
    found = planted(tmp_path, name)

    assert (set(), {}) == (found.failing(), found.other())


@pytest.mark.parametrize("name", [name if name in QUICK else pytest.param(name, marks=pytest.mark.nightly)
                                  for name in sorted(FAULTS)])
def test_the_fault_is_found(tmp_path: Path, name: str) -> None:
    machine, change, claims, says = FAULTS[name]
    found = planted(tmp_path, machine, change)

    assert {f"{claim} host" for claim in claims} == found.failing(), found.verdicts()
    witness = found.claim(sorted(claims)[0])["witness"]
    assert says in " | ".join(str(witness.get(part)) for part in ("got_text", "wanted", "error"))
    assert len([part for part in witness["script"].split(";")[1:] if part.strip()]) <= 4, witness["script"]
