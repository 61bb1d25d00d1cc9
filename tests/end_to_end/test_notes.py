"""preflash notes: the spot table of a sheet's pitch routines, printed and as CSV."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from verify.console import DEMO
from verify.errors import UsageError
from verify.notes import notes

# Handbook notes, C2 to C7 in equal temperament at A4 = 440 Hz (as in tests/external/test_pitch.py).
HANDBOOK_HZ = {"C2": 65.4064, "C3": 130.8128, "C4": 261.6256, "C5": 523.2511, "C6": 1046.502, "C7": 2093.005}


def test_octaves_of_the_good_bell_are_the_handbook_s(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "notes.csv"

    assert 0 == notes(DEMO / "good" / "bell_pitch_sheet.py", ["bell_hz_from_volts"], "octave", out)
    rows = list(csv.DictReader(out.open(encoding="utf-8")))
    assert list(HANDBOOK_HZ) == [row["note"] for row in rows]
    for row in rows:
        assert abs(float(row["wanted_hz"]) - HANDBOOK_HZ[row["note"]]) < 6e-5 * HANDBOOK_HZ[row["note"]] / 60
        assert abs(float(row["cents"])) < 0.01
    assert "not a proof" in capsys.readouterr().out


def test_the_first_draft_s_slope_shows(tmp_path: Path) -> None:
    out = tmp_path / "notes.csv"
    notes(DEMO / "first_draft" / "bell_pitch_sheet.py", ["bell_hz_from_volts"], "octave", out)
    cents = [float(row["cents"]) for row in csv.DictReader(out.open(encoding="utf-8"))]

    assert [0.0, -0.48, -0.96, -1.44, -1.92, -2.4] == [round(value, 2) + 0.0 for value in cents]


def test_a_sheet_without_pitch_is_told(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no pitch routine"):
        notes(DEMO / "good" / "bell_time_sheet.py", [], "octave", None)
    with pytest.raises(UsageError, match="no routine"):
        notes(DEMO / "good" / "bell_time_sheet.py", ["bell_wnd"], "octave", None)
