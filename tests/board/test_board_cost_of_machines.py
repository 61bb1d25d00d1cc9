"""Costs of machines: steps, blocks and events counted; the dear script is hunted for."""

from __future__ import annotations

import functools
import json
import tempfile
from pathlib import Path

import pytest

from tests.board.boards import NEEDED
from tests.fault_injection.planted import run, seen
from verify.command_line import main
from verify.hunting.plan import Plan
from verify.reports.html_page import page

pytestmark = NEEDED

C = r"""
#include <stdint.h>
#include <string.h>
typedef struct { float y, target; int32_t left; } part_t;
static void start(part_t *s) { memset(s, 0, sizeof *s); }
/* 40 rounds of four instructions or so, at one setting only. */
static void set(part_t *s, float x) { s->target = x; if (x == 1.0f) s->left = 3; }
static float step(part_t *s)
{
    s->y += 0.25f * (s->target - s->y);
    if (s->left > 0) { s->left--; for (int i = 0; i < 40; i++) __asm__ volatile("nop"); }
    return s->y;
}
static float even(part_t *s) { s->y += 0.25f * (s->target - s->y); return s->y; }
static void dear_set(part_t *s, float x) { s->target = x; for (int i = 0; i < 50; i++) __asm__ volatile("nop"); }
static void block(part_t *s, const float *in, float *out, int n)
{
    for (int i = 0; i < n; i++) { s->y = in[i]; out[i] = s->y * 0.5f; }
}
static void rated(part_t *s, float rate_hz) { start(s); s->target = 1.0f / rate_hz; }
static float promoted(part_t *s) { s->y *= 0.4; return s->y; }
static float deep(part_t *s) { volatile uint8_t room[300]; room[0] = 1; room[299] = 2; return s->y + room[0]; }
"""
SHEET = """
from verify import *
s = Sheet(sources=["plant.c"], flags="-O2 -std=gnu11 -ffp-contract=off", core="cortex-m4f", clock_hz=1_000_000,
          sample_rate_hz=1000, builds=["board"])
off = dict.fromkeys(("no_hidden_events", "fresh_after_init", "no_undefined_behaviour", "deterministic", "finite",
                     "instances_independent", "returns"), "not the point")
def m(name, step, claims, set="set(state, x)", called="set", init="start(state)"):
    s.machine(name, state="part_t", init=init, step=step, events=[event(called, set, binary32("x", 0, 1, ""))],
        longest_seconds=0.05, outputs=[signal("y", "")], without=off, claims=claims)
n = lambda **more: cost_within(because="planted", **more)
m("step", "y = step(state)", [n(instructions=100), n(instructions=250), n(percent=8), n(percent=90), n(cycles=190)])
m("even", "y = even(state)", [n(instructions=60)])
m("dear_event", "y = even(state)", [n(instructions=60)], set="dear_set(state, x)")
m("named_step", "y = even(state)", [n(instructions=60)], set="dear_set(state, x)", called="step")
m("deep", "y = deep(state)", [n(instructions=60)])
m("rated", "y = even(state)", [n(instructions=60)], init="rated(state, sample_rate_hz)")
m("promoted", "y = promoted(state)", [n(instructions=400)])
s.machine("block", state="part_t", init="start(state)", block="block(state, x, y, n)", inputs=[binary32("x", -1, 1, "V")],
    outputs=[signal("y", "V")], without=off, longest_seconds=0.05, claims=[n(instructions=100), n(percent=1), n(percent=5)])
"""


@functools.cache
def record() -> tuple[dict, Path]:  # type: ignore[type-arg]
    folder = Path(tempfile.mkdtemp())
    return run(folder, C, SHEET, Plan(scripts=8)), folder


def verdicts(name: str) -> dict[str, str]:
    return {claim["label"]: claim["verdict"] for claim in seen(record()[0], name).entry["claims"]}


def claim(name: str, label: str) -> dict:  # type: ignore[type-arg]
    return next(c for c in seen(record()[0], name).entry["claims"] if c["label"] == label)


def test_dear_step_is_hunted_for_and_told_with_its_script() -> None:
    found = verdicts("step")

    assert found["cost_within(instructions=100)"] == "fails"
    assert found["cost_within(instructions=250)"] == "holds"
    witness = claim("step", "cost_within(instructions=100)")["witness"]
    assert " set 0x3f800000" in witness["script"]
    assert "step at sample" in witness["error"]


def test_cycles_are_an_estimate_with_two_ends() -> None:
    found = verdicts("step")

    assert found["cost_within(percent=8)"] == "fails"
    assert found["cost_within(percent=90)"] == "holds"
    assert "estimate" in claim("step", "cost_within(percent=90)")["verdict_text"]
    assert "cycles by" in " ".join(claim("step", "cost_within(percent=90)")["facts"])


def test_even_machine_holds_and_dear_event_is_found() -> None:
    assert verdicts("even") == {"cost_within(instructions=60)": "holds"}
    assert verdicts("dear_event") == {"cost_within(instructions=60)": "fails"}
    assert "event set" in claim("dear_event", "cost_within(instructions=60)")["witness"]["error"]


def test_an_event_called_step_is_not_the_step() -> None:
    found = claim("named_step", "cost_within(instructions=60)")

    assert "event step at sample" in found["witness"]["error"]
    most = {part["name"]: part["instructions"]["most"] for part in found["costs"]}
    assert most["step"] < 60 < most["event step"]


def test_block_is_counted_whole_and_its_share_is_of_its_own_time() -> None:
    found = verdicts("block")

    assert found["cost_within(instructions=100)"] == "fails"
    assert (found["cost_within(percent=1)"], found["cost_within(percent=5)"]) == ("undecided", "holds")


def test_cost_command_prints_machines(capsys: pytest.CaptureFixture[str]) -> None:
    folder = record()[1]

    names = ("step", "deep", "rated", "promoted")
    assert 0 == main(["cost", str(folder / "plant_sheet.py"), *names])
    stored = json.loads((folder / "reports" / "plant_cost.json").read_text())
    step, deep, rated, promoted = (next(e for e in stored["routines"] if e["name"] == name) for name in names)
    told = " ".join(capsys.readouterr().out.split())
    parts = {part["name"]: part for part in step["parts"]}
    assert {"step", "event set", "init"} == set(parts)
    assert parts["step"]["instructions"]["most"] >= parts["step"]["instructions"]["least"] + 120
    assert parts["step"]["instructions"]["median"] < parts["step"]["instructions"]["least"] + 20
    assert 0 < parts["step"]["handing_over"] < 25
    assert 300 <= deep["stack_bytes"] < 420
    assert step["stack_bytes"] < 200

    # The rate comes as a double, which is no arithmetic of the firmware's; what is inlined is code all the same.
    assert [] == rated["double_arithmetic"]
    (site,) = promoted["double_arithmetic"]
    assert site["place"].startswith("plant.c:") and "__aeabi_dmul" in site["calls"]
    assert step["code_bytes"] >= step["inlined_bytes"] >= 40
    assert "of them inlined" in told
    assert "sum step, deep, rated, promoted, once per sample each:" in told


def test_a_report_draws_each_part_of_a_machine() -> None:
    found = record()[0]
    (block,) = [r for r in found["routines"] if r["name"] == "block"]
    (claim,) = [c for c in block["claims"] if c["label"] == "cost_within(percent=5)"]

    part = next(part for part in claim["costs"] if part["name"] == "block of 64 samples")
    assert [100 * end * 1000 / 1_000_000 / 64 for end in part["cycles"]] == pytest.approx(part["percent"])
    text = page(found)
    for name in ("step: step", "step: event set", "block: block of 64 samples"):
        assert f"<code>{name}</code>" in text
