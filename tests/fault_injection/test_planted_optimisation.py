"""A result that hangs on the level of optimisation is found; routines that do not are left alone."""

from __future__ import annotations

from pathlib import Path

from tests.fault_injection.planted import Seen, run, seen, sheet_text

C = """\
#include <stdint.h>
int doubled_and_halved(int code) { int y = code * 2; return y / 2; }
int right(int code) { return (int)((uint32_t)code * 2u / 2u & 0x7fffu); }
float third(float volts) { return volts / 3.0f; }
"""
SHEET = sheet_text("""
f("doubled_and_halved", inputs=[integers("code", 2**30 - 8, 2**30 + 8, "code")], output="code",
  claims=[same_at_any_optimisation(because=WHY)])
f("right", inputs=[integers("code", 0, 32767, "code")], output="code", claims=[same_at_any_optimisation(because=WHY)])
f("third", inputs=[binary32("volts", 1, 2, "V")], output="V",
  claims=[same_at_any_optimisation(because=WHY, ulp=0, also=["-ffast-math"])])
""")


def entries(folder: Path) -> dict[str, Seen]:
    record = run(folder, C, SHEET)
    return {name: seen(record, name) for name in ("doubled_and_halved", "right", "third")}


def failing_levels(found: Seen) -> set[str]:
    return {c["label"] for c in found.entry["claims"] if c["claim"] == "same_at_any_optimisation" and c["verdict"] == "fails"}


def test_levels_that_disagree_are_named_with_a_witness(tmp_path: Path) -> None:
    found = entries(tmp_path)

    assert {"same_at_any_optimisation(-O0)"} == failing_levels(found["doubled_and_halved"])
    claim = next(c for c in found["doubled_and_halved"].entry["claims"] if c["label"].endswith("(-O0)"))
    assert int(claim["witness"]["inputs"][0]["value"]) >= 2**30
    assert "with -O0" in claim["witness"]["error"]
    assert {"same_at_any_optimisation(-ffast-math, ulp=0)"} == failing_levels(found["third"])
    assert set() == failing_levels(found["right"])
    assert set() == found["right"].failing()
