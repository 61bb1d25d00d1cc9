"""What a parameter does that changes in mid-segment: the sheet says it, and firmware that does the other is found."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.fault_injection.planted import Seen, run, seen
from verify.hunting.plan import Plan

C = r"""
#include <math.h>
typedef struct { float rate, level, attack, release, up, down; int mode; } adsr_t;
static float step_of(const adsr_t *s, float seconds) { float n = seconds * s->rate; return n > 1.0f ? 1.0f / n : 1.0f; }
void adsr_init(adsr_t *s, float rate)
{
    s->rate = rate; s->level = 0.0f; s->mode = 0; s->attack = 0.01f; s->release = 0.02f;
    s->up = step_of(s, s->attack); s->down = step_of(s, s->release);
}
void adsr_attack(adsr_t *s, float seconds) { s->attack = seconds; AT_ONCE }
void adsr_release(adsr_t *s, float seconds) { s->release = seconds; AT_ONCE }
void adsr_gate(adsr_t *s, int on)
{
    if (on && s->mode != 1) { s->mode = 1; s->up = step_of(s, s->attack); }
    if (!on && s->mode == 1) { s->mode = 2; s->down = step_of(s, s->release); }
}
float adsr_step(adsr_t *s)
{
    if (s->mode == 1) { s->level += s->up; if (s->level > 1.0f) s->level = 1.0f; }
    if (s->mode == 2) { s->level -= s->down; if (s->level <= 0.0f) { s->level = 0.0f; s->mode = 0; } }
    return s->level;
}

typedef struct { float y, a; } lag_t;
void lag_init(lag_t *s) { s->y = 0.0f; s->a = 0.25f; }
void lag_set(lag_t *s, float a) { s->a = a; }
float lag_step(lag_t *s, float x) { s->y += s->a * (x - s->y); return s->y; }
"""
NOW = "s->up = step_of(s, s->attack); s->down = step_of(s, s->release);"
RELEASE_NOW = "s->down = step_of(s, s->release);"
ADSR = """
from reference import envelope
from verify import *
s = Sheet(sources=["plant.c"], flags="-O2 -std=c11", builds=["host"])
s.machine("adsr", state="adsr_t", init="adsr_init(state, sample_rate_hz)", step="level = adsr_step(state)",
    events=[event("gate", "adsr_gate(state, gate)", integers("gate", 0, 1, "")),
            event("attack", "adsr_attack(state, attack)", binary32("attack", 0.001, 0.2, "s")),
            event("release", "adsr_release(state, release)", binary32("release", 0.001, 0.2, "s"))],
    outputs=[signal("level", "full scale")], reference=envelope.attack_decay_sustain_release, longest_seconds=0.2,
    constants={"attack": "1/100", "release": "1/50", "decay": 0, "sustain": 1, "changes": CHANGES},
    claims=[accurate(absolute=0.002, because="heard")])
"""
LAG = """
from reference import smoothing
from verify import *
s = Sheet(sources=["plant.c"], flags="-O2 -std=c11", builds=["host"])
s.machine("lag", state="lag_t", init="lag_init(state)", step="y = lag_step(state, x)",
    events=[event("coefficient", "lag_set(state, a)", binary32("a", 0.001, 1, ""))],
    inputs=[binary32("x", 0, 1, "V")], outputs=[signal("y", "V")], reference=smoothing.one_pole, longest_seconds=0.1,
    constants={"target": "x", "coefficient": "1/4"}, without={"no_hidden_events": "its tail is left to fall"},
    claims=[accurate(absolute=1e-5, because="heard")])
"""


def checked(folder: Path, entry: str, does: str, *change: str) -> Seen:
    c = C.replace("AT_ONCE", does)
    assert not change or change[0] in c
    name = entry.split('s.machine("')[1].split('"')[0]
    return seen(run(folder, c.replace(*change) if change else c, entry, Plan(scripts=128)), name)


# What the firmware does, what the sheet says, whether they agree.
CASES = {
    "at once, as said": (NOW, '"now"', True),
    "at the next segment, as said": ("", '"next segment"', True),
    "only the release at once, as said": (RELEASE_NOW, '("release",)', True),
    "at once, and later is said": (NOW, '"next segment"', False),
    "later, and at once is said": ("", '"now"', False),
    "only the release at once, and the attack is said to be": (RELEASE_NOW, '"now"', False),
}
QUICK = ("at once, as said", "only the release at once, and the attack is said to be")


@pytest.mark.parametrize("name", [pytest.param(n, marks=() if n in QUICK else pytest.mark.nightly) for n in CASES])
def test_an_envelope_does_in_mid_segment_what_the_sheet_says(tmp_path: Path, name: str) -> None:
    does, says, agree = CASES[name]
    found = checked(tmp_path, ADSR.replace("CHANGES", says), does)

    assert found.failing() == (set() if agree else {"accurate host"}) and not found.other()
    if not agree:
        script = found.claim("accurate")["witness"]["script"]
        # A gate, what it changes on its way, and no more.
        assert script.count("gate") <= 2 and script.count("attack") + script.count("release") == 1


@pytest.mark.nightly
@pytest.mark.parametrize("fault", [False, True])
def test_a_smoother_of_a_stream_follows_its_setting(tmp_path: Path, fault: bool) -> None:
    change = ("{ s->a = a; }", "{ s->a = a > 0.9f ? 0.9f : a; }") if fault else ()
    found = checked(tmp_path, LAG, "", *change)

    assert found.failing() == ({"accurate host"} if fault else set()) and not found.other()
