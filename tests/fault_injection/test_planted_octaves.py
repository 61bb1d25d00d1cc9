"""A routine that steps within the octave doubles exactly all the same: no false alarm where sums round."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.fault_injection.planted import C_START, run, seen, sheet_text

pytestmark = pytest.mark.usefixtures("gcc")

C = (
    C_START
    + """
float steps_good(float v) { int k = (int)(v * 16.0f); return 65.4f * (float)(16 + k % 16) * (float)(1 << (k / 16)); }
float steps_bad(float v) { float y = steps_good(v); return v >= 3.0f ? y * 1.001f : y; }
"""
)
ENTRIES = """
for name in ["steps_good", "steps_bad"]:
    f(name, inputs=[binary32("volts", 0, 4.9, "V")], output="Hz", claims=[octave_doubles(cents=0.01, because=WHY)])
"""


def test_steps_that_double_hold_and_a_wrong_octave_fails(tmp_path: Path) -> None:
    record = run(tmp_path, C, sheet_text(ENTRIES))

    assert set() == seen(record, "steps_good").failing()
    assert {"octave_doubles host"} == seen(record, "steps_bad").failing()
