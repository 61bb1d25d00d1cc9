"""accurate and stays_within on any output of a machine, each with a reference of its own; faults in the second only."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.fault_injection.planted import Seen, refusal, run, seen
from verify.hunting.plan import Plan

C = r"""
#include <math.h>
typedef struct { float rate, level, step, ratio, lamp, fade; int mode, held; } bell_t;
void bell_init(bell_t *s, float rate)
{
    s->rate = rate; s->level = s->lamp = 0.0f; s->mode = s->held = 0;
    s->step = 1.0f / (0.01f * rate); s->ratio = exp2f(-9.9657843f / (0.2f * rate));
    s->fade = exp2f(-9.9657843f / (0.1f * rate));
}
void bell_strike(bell_t *s) { s->held = (int)(0.02f * s->rate); s->lamp = 1.0f; s->mode = 1; }
void bell_step(bell_t *s, float *level, float *lamp)
{
    if (s->mode == 1) {
        s->level += s->step;
        if (s->level >= 1.0f) { s->level = 1.0f; s->mode = 2; }
    } else if (s->mode == 2) {
        s->level *= s->ratio;
        if (s->level < 1e-5f) { s->level = 0.0f; s->mode = 0; }
    }
    if (s->held > 0) s->held--;
    else s->lamp *= s->fade;
    if (s->lamp < 1e-6f) s->lamp = 0.0f;
    *level = s->level; *lamp = s->lamp;
}
"""
SHEET = """
from reference import envelope, gate
from verify import *
s = Sheet(sources=["plant.c"], flags="-O2 -std=c11", builds=["host"])
s.machine("bell", state="bell_t", init="bell_init(state, sample_rate_hz)", step="bell_step(state, &level, &lamp)",
    events=[event("strike", "bell_strike(state)")],
    outputs=[signal("level", "full scale"), signal("lamp", "full scale")], longest_seconds=0.5,
    reference={"level": envelope.attack_decay, "lamp": gate.lamp},
    constants={"level": {"attack": "1/100", "decay": "1/5", "silence": "1/100000"},
               "lamp": {"hold": "2/100", "decay": "1/10"}},
    claims=[accurate(absolute=0.002, because="heard"), accurate(absolute=0.002, of="lamp", because="seen"),
            stays_within(0, 1, of="lamp", because="full duty"), no_jump(1, because="x")])
"""


def checked(folder: Path, old: str = "", new: str = "") -> Seen:
    assert old in C
    return seen(run(folder, C.replace(old, new) if old else C, SHEET, Plan(scripts=64)), "bell")


def test_a_right_second_output_gives_no_alarm(tmp_path: Path) -> None:
    found = checked(tmp_path)

    assert (set(), {}) == (found.failing(), found.other())


FAULTS = {
    "the lamp fades 5 % slowly": ("exp2f(-9.9657843f / (0.1f * rate))", "exp2f(-9.9657843f / (0.105f * rate))",
                                  {"accurate absolute=0.002, lamp"}),
    "the lamp is held 1 ms too short": ("(int)(0.02f * s->rate)", "(int)(0.019f * s->rate)",
                                        {"accurate absolute=0.002, lamp"}),
    "a second strike in the attack adds up": ("s->lamp = 1.0f;", "s->lamp = s->mode == 1 ? 1.01f : 1.0f;",
                                                  {"accurate absolute=0.002, lamp", "stays_within 0, 1, lamp"}),
    "the level rises 3 % slowly": ("1.0f / (0.01f * rate)", "1.0f / (0.0103f * rate)", {"accurate absolute=0.002"}),
}


@pytest.mark.parametrize("name", [pytest.param(name, marks=() if "second" in name else pytest.mark.nightly)
                                  for name in sorted(FAULTS)])
def test_a_fault_in_one_output_is_named_with_it(tmp_path: Path, name: str) -> None:
    old, new, claims = FAULTS[name]
    found = checked(tmp_path, old, new)

    failing = {f"{claim['claim']} {claim['limit']}": claim for claim in found.entry["claims"] if claim["verdict"] == "fails"}

    assert claims == set(failing)
    for claim in failing.values():
        assert claim["witness"]["script"].count("strike") == (2 if "second" in name else 1)
        assert claim["trace"]["signal"] == ("lamp" if "lamp" in claim["limit"] else "level")


WRONG = {
    "no reference of this output": ('"lamp": gate.lamp}', '"level": envelope.attack_decay}', "constants of 'lamp'"),
    "no output of this name": ('"lamp": gate.lamp}', '"lam": gate.lamp}', "reference of 'lam'"),
    "a constant of the other one": ('"hold": "2/100"', '"attack": "2/100"', "lamp has no constant 'attack'"),
    "an output that is not there": ('of="lamp", because="seen"', 'of="glow", because="seen"', "no output is called 'glow'"),
    "a unit that does not fit": ('absolute=0.002, of="lamp"', 'hz=0.002, of="lamp"', "hz= does not fit"),
    "a unit for functions": ('absolute=0.002, of="lamp"', 'ulp=2, of="lamp"', "ulp=) is for functions"),
    "steps of a float": ('absolute=0.002, of="lamp"', 'lsb=2, of="lamp"', "lsb= does not fit a float output"),
    "constants of no output": ('constants={"level": {', 'constants={"attack": "1/100", "level": {', "constants of 'attack'"),
}


@pytest.mark.parametrize("name", sorted(WRONG))
def test_a_mistake_about_outputs_is_one_message(tmp_path: Path, name: str) -> None:
    old, new, words = WRONG[name]
    assert old in SHEET
    problem = refusal(tmp_path, C, SHEET.replace(old, new, 1))

    assert words in problem.what
