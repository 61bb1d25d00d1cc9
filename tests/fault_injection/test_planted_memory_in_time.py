"""Faults of delay lines, ticks, holds and noise: each found by one claim alone; right twins give no alarm."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.fault_injection.filter_parts import FEW, OFF
from tests.fault_injection.planted import Seen, run, seen, with_changes

pytestmark = [pytest.mark.usefixtures("gcc"), pytest.mark.nightly]

C = r"""
#include <stdint.h>
typedef struct { float line[64]; uint32_t at, delay; } late_t;
void late_init(late_t *d) { for (int i = 0; i < 64; i++) d->line[i] = 0.0f; d->at = 0; d->delay = 10; }
void late_delay(late_t *d, int32_t delay) { d->delay = delay < 0 ? 0u : delay > 63 ? 63u : (uint32_t)delay; }
float late_step(late_t *d, float x)
{
    d->line[d->at & 63u] = x;
    float y = d->line[(d->at - d->delay) & 63u];
    d->at++;
    return y;
}

typedef struct { uint32_t ms, part; } tick_t;
void tick_init(tick_t *t) { t->ms = 0xfffffff0u; t->part = 0; }
uint32_t tick_step(tick_t *t)
{
    uint32_t now = t->ms;
    t->part += 1000u;
    if (t->part >= 44100u) { t->part -= 44100u; t->ms++; }
    return now;
}

typedef struct { float held; int pending; } hold_t;
void hold_init(hold_t *h) { h->held = 0.0f; h->pending = 0; }
void hold_take(hold_t *h) { h->pending = 1; }
float hold_step(hold_t *h, float x)
{
    if (h->pending) h->held = x;
    h->pending = 0;
    return h->held;
}

typedef struct { uint32_t state; } noise_t;
void noise_init(noise_t *n) { n->state = 0xace1u; }
void noise_seed(noise_t *n, uint32_t seed) { n->state = seed & 0xffffu ? seed & 0xffffu : 0xace1u; }
float noise_step(noise_t *n)
{
    uint32_t now = n->state;
    n->state = (now >> 1) ^ ((now & 1u) ? 0xb400u : 0u);
    return (float)((int32_t)now - 32768) * (1.0f / 32768.0f);
}
"""

SHEET = """
from reference import memory_in_time, random_in_time
from verify import *
s = Sheet(sources=["plant.c"], flags="-O2 -std=c11", builds=["host"])
def exactly(): return accurate(absolute=0, because="memory changes nothing")
"""

MACHINES = {
    "late": """
s.machine("late", state="late_t", init="late_init(state)", step="y = late_step(state, x)",
    events=[event("delay", "late_delay(state, delay)", integers("delay", 0, 63, "sample"))],
    inputs=[binary32("x", -1, 1, "full scale")], outputs=[signal("y", "full scale")], longest_seconds=0.02,
    reference=memory_in_time.delay_line, constants={{"delay": 10}}, claims=[{claims}], {more})
""",
    "tick": """
s.machine("tick", state="tick_t", init="tick_init(state)", step="y = tick_step(state)", sample_rates_hz=[44_100],
    outputs=[signal("y", "", ctype="uint32_t")], longest_seconds=0.05, reference=memory_in_time.ticks,
    constants={{"start": 0xfffffff0}}, claims=[{claims}], {more})
""",
    "hold": """
s.machine("hold", state="hold_t", init="hold_init(state)", step="y = hold_step(state, x)", scripts=8,
    reference=memory_in_time.sample_and_hold,
    events=[event("hold", "hold_take(state)")], inputs=[binary32("x", -1, 1, "full scale")],
    outputs=[signal("y", "full scale")], longest_seconds=0.02, claims=[{claims}], {more})
""",
    "noise": """
s.machine("noise", state="noise_t", init="noise_init(state)", step="y = noise_step(state)",
    events=[event("seed", "noise_seed(state, seed)", integers("seed", {low}, 65535, ""))],
    outputs=[signal("y", "full scale")], longest_seconds=0.02, reference=random_in_time.shift_register,
    constants={{"taps": 0xB400, "bits": 16, "seed": 0xACE1, "output": "level"}}, claims=[{claims}], {more})
""",
}
LOCKS = 'never_locks(because="a wind that stops", longest_run=1, period=65535)'
MEAN = 'mean_within(0, 0.02, because="a level of its own")'
RIGHT = {"late": "exactly()", "tick": "exactly()", "hold": "exactly()", "noise": f"exactly(), {LOCKS}, {MEAN}"}


def planted(folder: Path, name: str, claims: str, *changes: tuple[str, str], protected: bool = False) -> Seen:
    text = with_changes(C, changes)
    # The reference follows seeds as they are; 0, which the firmware replaces, is a matter of never_locks.
    low = 1 if "exactly" in claims else 0
    entry = MACHINES[name].format(claims=claims, more="" if protected else OFF, low=low)
    return seen(run(folder, text, SHEET + entry, FEW), name)


@pytest.mark.parametrize("name", sorted(RIGHT))
def test_right_machines_give_no_alarm(tmp_path: Path, name: str) -> None:
    found = planted(tmp_path, name, RIGHT[name], protected=True)

    assert {} == found.other()
    assert set() == found.failing()


FAULTS = {
    "a delay of one sample more": ("late", "exactly()", ("d->at - d->delay)", "d->at - d->delay - 1u)"), "full scale"),
    "written after it was read": (
        "late", "exactly()", ("    d->line[d->at & 63u] = x;\n    float y = d->line[(d->at - d->delay) & 63u];\n",
                              "    float y = d->line[(d->at - d->delay) & 63u];\n    d->line[d->at & 63u] = x;\n"),
        "full scale"),
    "a tick that saturates": ("tick", "exactly()", ("t->ms++;", "if (t->ms < 0xffffffffu) t->ms++;"), ""),
    "locks at a seed of zero": (
        "noise", LOCKS, ("seed & 0xffffu ? seed & 0xffffu : 0xace1u", "seed & 0xffffu"), "it stands still"),
    "taps of a short period": ("noise", LOCKS, ("0xb400u", "0xa800u"), "it repeats after"),
    "half of the range": (
        "noise", MEAN, ("((int32_t)now - 32768) * (1.0f / 32768.0f)", "(int32_t)now * (1.0f / 65536.0f)"), "a mean of 0.5"),
}


@pytest.mark.parametrize("name", sorted(FAULTS))
def test_planted_fault_is_found_by_its_claim_alone(tmp_path: Path, name: str) -> None:
    machine, claim, change, says = FAULTS[name]
    found = planted(tmp_path, machine, claim, change)
    word = "accurate" if claim == "exactly()" else claim.split("(")[0]

    assert {f"{word} host"} == found.failing(), found.verdicts()
    witness = found.claim(word)["witness"]
    assert says in " | ".join([witness["got_text"], witness["error"]])
