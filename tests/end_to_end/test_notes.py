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


def measured_file(folder: Path, off: dict[float, float], lines: str = "") -> Path:
    """Readings of a board 3 cents sharp and 1.5 cents an octave wide; off: more cents at some voltage."""
    path = folder / "board.csv"
    hz = [(volts, c2 * 2 ** ((3 + 1.5 * volts + off.get(volts, 0)) / 1200)) for volts, c2 in
          enumerate(65.40639132514966 * 2**octave for octave in range(6))]
    path.write_text("value,hz\n" + "".join(f"{volts},{value!r}\n" for volts, value in hz) + lines, encoding="utf-8")
    return path


def test_readings_are_split_into_offset_gain_and_the_rest(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sheet = DEMO / "good" / "bell_pitch_sheet.py"
    assert 0 == notes(sheet, ["bell_hz_from_volts"], "octave", None, measured_file(tmp_path, {}))
    straight = capsys.readouterr().out
    assert 0 == notes(sheet, ["bell_hz_from_volts"], "octave", None, measured_file(tmp_path, {3: 6}))
    bent = capsys.readouterr().out

    def figure(text: str, word: str) -> float:
        return float(next(line for line in text.splitlines() if line.strip().startswith(word)).split()[1])

    assert abs(figure(straight, "offset") - 3) < 0.01 and abs(figure(straight, "gain") - 1.5) < 0.01
    assert figure(straight, "unexplained") < 0.01
    # By hand, least squares at 0 to 5: one value of 6 at 3 moves the mean by 1, the slope by 6 * 0.5 / 17.5.
    assert abs(figure(bent, "gain") - 1.5 - 3 / 17.5) < 0.01
    assert abs(figure(bent, "unexplained") - (6 - 1 - 0.5 * 3 / 17.5)) < 0.01


@pytest.mark.parametrize(("lines", "only", "words"), [
    ("2,loud\n", ["bell_hz_from_volts"], "no number"),
    ("9,440\n", ["bell_hz_from_volts"], "a reading at 9 V"),
    ("1,-3\n", ["bell_hz_from_volts"], "no pitch"),
    ("", [], "name none"),
])
def test_readings_that_say_nothing_are_refused(tmp_path: Path, lines: str, only: list[str], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        notes(DEMO / "good" / "bell_pitch_sheet.py", only, "octave", None, measured_file(tmp_path, {}, lines))
