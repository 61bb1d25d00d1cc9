"""An event that a reference does not follow is told, never passed over in silence."""

from __future__ import annotations

from pathlib import Path

import pytest

from verify.machines.followed import unfollowed_notes
from verify.machines.machine import Machine
from verify.sheet import load_sheet

SHEET = """
from reference import filters_in_time, gate
from verify import *
s = Sheet(sources=["a.c"])
def own(ctx, script, *, level=1):
    return {}
s.machine("gate", state="g_t", init="g(state)", step="on = g_step(state, volts)", inputs=[binary32("volts", 0, 5, "V")],
  outputs=[signal("on", "", ctype="int32_t")], events=[event("high", "g_high(state, high)", binary32("high", 2, 4, "V"))],
  reference=gate.threshold, constants={"source": "volts", "high": 3, "low": 2}, claims=[])
for name in ("cutoff_hz", "cutoff"):
    s.machine(f"pole_{name}", state="p_t", init="p(state)", step="y = p_step(state, x)", inputs=[binary32("x", -1, 1, "")],
      outputs=[signal("y", "")], events=[event(name, f"p_set(state, {name})", binary32(name, 50, 8000, "Hz"))],
      reference=filters_in_time.first_order, constants={"cutoff_hz": 1000}, claims=[])
s.machine("own", state="p_t", init="p(state)", step="y = p_step(state)", outputs=[signal("y", "")],
  events=[event("level", "p_set(state, level)", binary32("level", 0, 1, ""))], reference=own, claims=[])
"""


@pytest.fixture
def machines(tmp_path: Path) -> dict[str, Machine]:
    (tmp_path / "a.c").write_text("")
    (tmp_path / "a_sheet.py").write_text(SHEET)
    return {machine.name: machine for machine in load_sheet(tmp_path / "a_sheet.py").machines}


def test_a_constant_that_is_also_an_event_is_told(machines: dict[str, Machine]) -> None:
    (text,) = unfollowed_notes(machines["gate"])

    assert text.endswith("its own words: band, low, source")
    assert text.startswith("the reference threshold does not follow the event 'high': what it sets stays as the sheet's")


def test_another_name_for_what_the_reference_follows_is_offered(machines: dict[str, Machine]) -> None:
    (text,) = unfollowed_notes(machines["pole_cutoff"])

    assert text.endswith("did you mean cutoff_hz?")
    assert () == unfollowed_notes(machines["pole_cutoff_hz"])


def test_a_reference_of_the_sheet_s_own_is_not_guessed_at(machines: dict[str, Machine]) -> None:
    assert () == unfollowed_notes(machines["own"])
