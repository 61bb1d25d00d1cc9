"""A block routine that writes one frame too far into an interleaved buffer: told by the buffer's own name."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.fault_injection.planted import Seen, run, seen

pytestmark = [pytest.mark.usefixtures("gcc"), pytest.mark.nightly]

C = r"""
typedef struct { float gain; } pan_t;
void pan_init(pan_t *p) { p->gain = 0.5f; }
void pan_block(pan_t *p, float *stereo, int n)
{
    for (int i = 0; i < 2 * n + BEYOND; i++) stereo[i] = p->gain;
}
"""
SHEET = """
from verify import Sheet, signal, stays_within
s = Sheet(sources=["plant.c"], flags="-O2 -DBEYOND=NUMBER", sample_rate_hz=48_000)
s.machine("pan", state="pan_t", init="pan_init(state)", block="pan_block(state, stereo, n)",
    interleaved={"stereo": ["left", "right"]}, outputs=[signal("left", "full scale"), signal("right", "full scale")],
    longest_seconds=0.02, scripts=8, claims=[stays_within(0, 1, because="the converter")])
"""


def checked(folder: Path, beyond: int) -> Seen:
    return seen(run(folder, C, SHEET.replace("NUMBER", str(beyond))), "pan")


def test_a_write_past_an_interleaved_buffer_names_it(tmp_path: Path) -> None:
    found = checked(tmp_path, 1)

    assert "no_undefined_behaviour strict" in found.failing()
    error = found.claim("no_undefined_behaviour", "strict")["witness"]["error"]
    assert "'stereo', interleaved by the sheet" in error and "plant.c:6" in error, error


def test_its_right_twin_is_silent(tmp_path: Path) -> None:
    found = checked(tmp_path, 0)

    assert (set(), {}) == (found.failing(), found.other())
