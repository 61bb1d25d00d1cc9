"""Outputs that a reference makes of other outputs as they came out: a level times a wave, a mix that saturates."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.fault_injection.planted import Seen, refusal, run, seen
from verify.hunting.plan import Plan

C = r"""
#include <math.h>
#include <stdint.h>
typedef struct { float rate, level, ratio, hz, before; uint32_t phase; } pluck_t;
void pluck_init(pluck_t *s, float rate)
{
    s->rate = rate; s->level = s->before = 0.0f; s->phase = 0; s->hz = 440.0f;
    s->ratio = exp2f(-9.9657843f / (0.2f * rate));
}
void pluck_strike(pluck_t *s) { s->level = 1.0f; }
void pluck_knob(pluck_t *s, int code) { s->hz = 55.0f * (float)code; }
void pluck_step(pluck_t *s, float *level, float *wave, float *out)
{
    float now = sinf((float)s->phase * 1.4629180792671596e-9f);
    s->phase += (uint32_t)(int64_t)((double)s->hz * 4294967296.0 / (double)s->rate + 0.5);
    float sum = 1.2f * (s->level * now) + 0.70710678f * now;
    *level = s->level; *wave = now; *out = sum > 1.0f ? 1.0f : sum < -1.0f ? -1.0f : sum;
    s->before = s->level;
    s->level *= s->ratio;
    if (s->level < 1e-5f) s->level = 0.0f;
}
"""
SHEET = """
from reference import combinations, gate, oscillators_in_time
from verify import *

def level(ctx, script):
    return gate.lamp(ctx, script, hold=0, decay="1/5")

def wave(ctx, script):
    return oscillators_in_time.from_frequency(ctx, combinations.settings_from(script, hz="55 * knob"))

def out(ctx, script):
    heard = {name: combinations.heard(script, name) for name in ("level", "wave")}
    played = combinations.product(heard["level"], heard["wave"])
    return combinations.mixed([("6/5", played), ("2**(-1/2)", heard["wave"])], low=-1, high=1)

s = Sheet(sources=["plant.c"], flags="-O2 -std=c11", builds=["host"], sample_rate_hz=48000)
s.machine("pluck", state="pluck_t", init="pluck_init(state, sample_rate_hz)",
    step="pluck_step(state, &level, &wave, &out)",
    events=[event("strike", "pluck_strike(state)"), event("knob", "pluck_knob(state, knob)", integers("knob", 1, 40, ""))],
    outputs=[signal("out", "full scale"), signal("level", "full scale"), signal("wave", "full scale")], longest_seconds=0.05,
    reference={"out": out, "wave": wave}, follows={"out": ["level", "wave"]},
    claims=[accurate(absolute=0.000001, because="a mix adds nothing"),
            accurate(absolute=0.003, of="wave", because="the pitch of the knob")])
"""


def checked(folder: Path, old: str = "", new: str = "") -> Seen:
    assert old in C
    return seen(run(folder, C.replace(old, new) if old else C, SHEET, Plan(scripts=48)), "pluck")


def limits(found: Seen) -> set[str]:
    return {f"{claim['claim']} {claim['limit']}".strip() for claim in found.entry["claims"] if claim["verdict"] == "fails"}


OUT, WAVE = "accurate absolute=1e-06", "accurate absolute=0.003, wave"
FAULTS = {
    "the level of a sample ago": ("1.2f * (s->level * now)", "1.2f * (s->before * now)", {OUT}),
    "another balance": ("0.70710678f * now", "0.7072f * now", {OUT}),
    "no saturation": ("sum > 1.0f ? 1.0f :", "", {OUT}),
    "the knob's pitch 0.1 % off": ("55.0f * (float)code", "55.055f * (float)code", {WAVE}),
    "a wave that is no number": ("*wave = now", "*wave = s->hz > 2000.0f ? s->hz / (s->before * 0.0f) : now",
                                 {"finite", WAVE}),
}


def test_a_right_mix_gives_no_alarm_and_says_what_it_was_judged_from(tmp_path: Path) -> None:
    found = checked(tmp_path)

    assert (set(), {}) == (found.failing(), found.other())
    assert "out is judged from level, wave as the firmware gave it" in found.entry["notes"]


@pytest.mark.parametrize("name", [pytest.param(name, marks=() if "ago" in name else pytest.mark.nightly)
                                  for name in sorted(FAULTS)])
def test_a_fault_is_named_at_the_output_where_it_sits(tmp_path: Path, name: str) -> None:
    old, new, claims = FAULTS[name]
    found = checked(tmp_path, old, new)

    assert claims <= limits(found)
    assert ({OUT, WAVE} - claims).isdisjoint(limits(found)), "what follows a wrong output is not wrong itself"
    assert not any("own fault" in fact for claim in found.entry["claims"] for fact in claim["facts"])


WRONG = {
    "itself": ('"out": ["level", "wave"]', '"out": ["out"]', "out follows itself"),
    "a circle": ('follows={"out": ["level", "wave"]}', 'follows={"out": ["wave"], "wave": ["out"]}', "out follows itself"),
    "no such output": ('["level", "wave"]', '["levle"]', "follows 'levle'"),
    "no such reference": ('follows={"out"', 'follows={"level"', "follows of 'level'"),
    "one name": ('["level", "wave"]}', '"level"}', "follows of 'out' is no list"),
    "a list where outputs are named": ('follows={"out": ["level", "wave"]}', 'follows=["level"]', "cannot be read"),
    "gain": ("claims=[", 'inputs=[binary32("x", -1, 1, "V")], claims=[gain_at(within_db=1, hz=[100], because="x"), ',
             "its reference follows other outputs"),
    "an input's name": ("claims=[", 'inputs=[binary32("wave", -1, 1, "V")], claims=[', "follows 'wave'"),
    "two knobs in one setting": ('hz="55 * knob"', 'hz="strike * knob"', "has no answer with these constants"),
}


@pytest.mark.parametrize("name", sorted(WRONG))
def test_a_mistake_about_what_is_followed_is_one_message(tmp_path: Path, name: str) -> None:
    old, new, words = WRONG[name]
    assert old in SHEET
    problem = refusal(tmp_path, C, SHEET.replace(old, new, 1))

    assert words in problem.what
    assert problem.todo
