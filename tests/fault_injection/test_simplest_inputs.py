"""Where single results are wrong, the input that is shown is one that a person types, and its own error stands beside it."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.fault_injection.planted import Plan, run, seen, sheet_text

pytestmark = pytest.mark.usefixtures("gcc")

C = """
#include <math.h>
#include <stdint.h>
uint16_t duty(uint16_t code) { return code > 99 ? (uint16_t)(code * 3) : code; }
float shade(float x, float y) { return x + y; }
float root(float x) { return sqrtf(x); }
float small(float x) { return x * 1e-20f * 1e-19f * (x > 0.3f ? 1.0f : 1e19f); }
"""
BOTH = '[binary32("x", -1, 1, "V"), binary32("y", -1, 1, "V")]'
ENTRIES = f"""\
f("duty", inputs=[codes("code", bits=12)], output="code", claims=[stays_within(0, 100, because="of duty")])
f("shade", inputs={BOTH}, output="V", claims=[stays_within(-1, 1, because="full scale")])
f("root", inputs=[binary32("x", -1, 1, "V")], output="V", claims=[])
f("small", inputs=[binary32("x", 0.1, 1, "V")], output="V", claims=[no_subnormals(because="slow")])
"""


def test_the_shown_input_is_simple(tmp_path: Path) -> None:
    record = run(tmp_path, C, sheet_text(ENTRIES), Plan(sampled_cases=1 << 16))
    shown = {}
    for name, claim in (("duty", "stays_within"), ("shade", "stays_within"), ("root", "finite"), ("small", "no_subnormals")):
        witness = seen(record, name).claim(claim)["witness"]
        shown[name] = [float(one["value"]) for one in witness["inputs"]], witness["error"]

    assert shown["duty"] == ([100], "outside by 200 code; at worst outside by 12185 code")
    (x, y), error = shown["shade"]
    assert abs(x + y) > 1 and len(f"{x:.7g} {y:.7g}") < 9 and error.startswith("outside by "), shown["shade"]
    (x,), error = shown["root"]
    assert -1 <= x < 0 and len(f"{x:.7g}") <= 4 and error == "the result is NaN"
    (x,), error = shown["small"]
    assert x == 1 and error == "the result is subnormal"
