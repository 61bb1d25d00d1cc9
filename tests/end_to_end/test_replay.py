"""Replaying stored witnesses after a routine has been mended: nothing that the sheet does not claim may fail."""

from __future__ import annotations

from pathlib import Path

import pytest

from verify.command_line import main

pytestmark = pytest.mark.usefixtures("gcc")

SHEET = """\
from verify import Sheet, accurate, binary32, clamps
s = Sheet(sources=["v.c"], builds=["host"])
s.function("twice", inputs=[binary32("volts", 0, 5, "V")], output="V", reference=lambda ctx, volts: 2 * volts,
           claims=[accurate(absolute=1e-3, because="w"), clamps(nan="low", because="w")])
s.function("note", inputs=[binary32("volts", 0, 5, "V")], output="", reference=lambda ctx, volts: ctx.floor(2 * volts),
           claims=[accurate(absolute=0, band=0.01, because="w")])
"""
C = """\
#include <math.h>
float twice(float volts) { return 2.0f * (volts > 0.0f ? volts < 5.0f ? volts : 5.0f : 0.0f); }
float note(float volts) { return floorf(2.0f * volts + 0.01f); }
"""


def test_an_input_outside_the_range_and_one_within_a_band_are_right(
    tmp_path: Path, capsys: pytest.CaptureFixture[str],
) -> None:
    (tmp_path / "v.c").write_text(C)
    (tmp_path / "v_sheet.py").write_text(SHEET)
    (tmp_path / "v_witnesses.txt").write_text("twice | clamps(nan='low') | host | volts=0x40c00000\n"
                                              "note | accurate(absolute=0, band=0.01) | host | volts=0x3f7f7cee\n")

    assert 0 == main(["replay", str(tmp_path / "v_sheet.py")])
    said = capsys.readouterr().out
    assert "FAILS" not in said
    assert "x the limit: not claimed here" in said
    assert "band=0.01): +0: holds" in said
