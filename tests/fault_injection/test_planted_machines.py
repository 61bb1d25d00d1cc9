"""Faults in time: each found by the claim that is there for it, with a short script; right twins give no alarm."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.fault_injection.machine_parts import BLOCKS, GATE, KNOB, SMOOTH, STRIKE, planted


@pytest.mark.parametrize("entry", [STRIKE, SMOOTH, BLOCKS, GATE, KNOB], ids=["strike", "smooth", "blocks", "gate", "knob"])
def test_right_machines_give_no_alarm(tmp_path: Path, entry: str) -> None:
    _, found = planted(tmp_path, entry)

    assert {} == found.other()
    assert set() == found.failing()
    assert all(claim["strength"]["kind"] == "tried" for claim in found.entry["claims"])


FAULTS = {
    "retrigger from zero clicks": (
        STRIKE, ("s->mode = 1;\n", "s->mode = 1; s->level = 0.0f;\n"), {"no_jump", "accurate"}, 4),
    "attack twice as long": (STRIKE, ("1.0f / n : 1.0f", "0.5f / n : 1.0f"), {"time_to", "accurate"}, 1),
    "decay uses the attack's time": (
        STRIKE, ("float n = s->decay * s->rate;", "float n = s->attack * s->rate;"), {"accurate"}, 2),
    "rate taken as 44.1 kHz": (STRIKE, ("s->rate = rate;", "s->rate = 44100.0f;"), {"time_to", "accurate"}, 1),
    "peak not clamped": (STRIKE, ("s->level = 1.0f;\n", "\n"), {"stays_within"}, 2),
    "tail falls into subnormals": (STRIKE, ("if (s->level < 1e-5f)", "if (s->level < 0.0f)"), {"no_hidden_events"}, 2),
    "strike lost within 32 samples of another": (
        STRIKE, ("void strike_strike(strike_t *s)\n{\n", "void strike_strike(strike_t *s)\n{\n"
                 "    if (s->mode == 1 && s->level < 0.3f && s->attack < 0.05f && s->decay > 0.3f)\n"
                 "        { s->mode = 0; return; }\n"),
        {"accurate"}, 3),
    "uninitialised field": (STRIKE, ("s->level = 0.0f; s->attack", "s->attack"), {"fresh_after_init"}, 1),
    "static local shared by instances": (
        SMOOTH, ("    s->y += s->a * (x - s->y);\n    if (fabsf(s->y) < 1e-15f) s->y = 0.0f;\n    return s->y;",
                 "    static float y; y += s->a * (x - y);\n    if (fabsf(y) < 1e-15f) y = 0.0f;\n    s->y = y;\n"
                 "    return y;"),
        {"instances_independent"}, 1),
    "writes an unused field of another instance": (
        STRIKE, ("float strike_step(strike_t *s)\n{\n", "float strike_step(strike_t *s)\n{\n    static strike_t *first;\n"
                 "    if (!first) first = s;\n    if (first->mode != 2) first->ratio = s->level + 1.0f;\n"),
        {"instances_independent"}, 2),
    "smoother overshoots": (SMOOTH, ("s->y += s->a * (x - s->y);", "s->y += 1.9f * (x - s->y);"), {"no_overshoot"}, 2),
    "smoother ten times too slow": (SMOOTH, ("(0.01f * rate)", "(0.1f * rate)"), {"accurate"}, 1),
    "smoother ignores the rate": (SMOOTH, ("(0.01f * rate)", "(0.01f * 48000.0f)"), {"accurate"}, 1),
    "state kept only per block": (
        BLOCKS, ("        out[i] = smooth_step(s, in[i]);", "        out[i] = i ? smooth_step(s, in[i]) : s->y;"),
        {"same_for_any_block_size"}, 2),
    "writes one sample past its block": (
        BLOCKS, ("for (int i = 0; i < n; i++)\n        out[i]", "for (int i = 0; i <= n; i++)\n        out[i]"),
        {"returns"}, 1),
    "pulse one sample short": (GATE, ("g->left = g->least;", "g->left = g->least - 1;"), {"minimum_pulse"}, 2),
    "pulse ends with the gate": (GATE, ("g->on = 0;\n    }", "g->on = 0; g->left = 0;\n    }"), {"minimum_pulse"}, 2),
    "smoother stops one step short": (
        KNOB, ("(gap + 15) / 16 : -((-gap + 15) / 16)", "gap / 16 : -(-gap / 16)"), {"settles"}, 1),
    "hang on one event": (
        STRIKE, ("float n = s->attack * s->rate;\n    s->mode = 1;",
                 "float n = s->attack * s->rate;\n    s->mode = 1;\n"
                 "    while (s->attack > 0.0999f) { __asm__ volatile(\"\"); }"),
        {"returns"}, 2),
    "crash on one value": (
        STRIKE, ("s->decay = seconds; }", "s->decay = seconds; if (seconds > 0.999f) *(volatile int *)8 = 1; }"),
        {"returns"}, 1),
}


# A hang costs a time limit for each failing script; a quicker one stands in test_planted_escapes.
SLOW = {"hang on one event", "smoother ignores the rate", "decay uses the attack's time", "peak not clamped"}


@pytest.mark.parametrize("name", [pytest.param(n, marks=[pytest.mark.nightly] if n in SLOW else []) for n in sorted(FAULTS)])
def test_planted_fault_is_found_with_a_short_script(tmp_path: Path, name: str) -> None:
    entry, change, claims, most_events = FAULTS[name]
    _, found = planted(tmp_path, entry, change)
    failing = {word.split()[0] for word in found.failing()}

    assert claims <= failing
    for claim in claims:
        witness = found.claim(claim)["witness"]
        assert witness is not None
        happenings = [part for part in witness["script"].split(";")[1:] if part.strip()]

        assert len(happenings) <= most_events + 1
        assert witness["replay"].startswith("preflash replay plant_sheet.py ")
        if claim == "no_hidden_events":
            assert re.match(r"subnormal operand in strike_step at plant\.c:\d+, at sample \d+$", witness["error"])
        if claim == "accurate":
            assert witness["wanted"].endswith(f"  (reference {found.entry['reference']})")
            assert " = " in witness["with"]


def test_a_write_into_another_instance_is_told_by_its_place(tmp_path: Path) -> None:
    entry, change, _, _ = FAULTS["writes an unused field of another instance"]
    _, found = planted(tmp_path, entry, change)

    assert {"instances_independent"} == {word.split()[0] for word in found.failing()}
    error = found.claim("instances_independent")["witness"]["error"]
    assert "one instance wrote into the state of another by sample" in error
    assert "byte 2" in error
