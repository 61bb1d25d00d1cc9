"""Pictures for pasting, and errors too large for any scale: a stretch that fails is never left out of a plot."""

from __future__ import annotations

import json
import struct
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from tests.fault_injection.machine_parts import STRIKE, planted
from tests.fault_injection.planted import C_START, run, sheet_text
from verify.command_line import main
from verify.errors import UsageError
from verify.hunting.plan import Plan
from verify.reports.html_page import page
from verify.reports.pictures import save_pictures
from verify.reports.record import lines_of

LOST = C_START + """\
float hz(float volts)
{
    if (volts > 1.75f) return -3.0f;
    if (volts < 1.25f) return nanf("");
    return 65.40639f * exp2f(volts * 0.999f);
}
"""
SHEET = sheet_text("""
f("hz", inputs=[binary32("volts", 1, 2, "V")], output="Hz", reference=pitch.hz_from_volts,
  constants={"zero_volt_hz": "440 * 2**(-33/12)"}, claims=[accurate(cents=0.1, because="x")])
""")


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory, gcc: str) -> dict[str, dict[str, Any]]:
    folder = tmp_path_factory.mktemp("drawn")
    pitch = run(folder / "pitch", LOST, SHEET, Plan(every_value_up_to=1000, sampled_cases=100_000))
    change = ("s->mode = 1;\n", "s->mode = 1; s->level = 0.0f;\n")
    machine, _ = planted(folder / "machine", STRIKE, change, plan=Plan(scripts=64))
    return {"pitch": json.loads(lines_of(pitch)), "machine": json.loads(lines_of(machine))}


@pytest.mark.parametrize("name", ["pitch", "machine"])
def test_each_plot_becomes_a_png_and_an_svg(records: dict[str, dict[str, Any]], tmp_path: Path, name: str) -> None:
    pytest.importorskip("matplotlib")
    files = save_pictures(records[name], tmp_path / "pictures")

    plots = [c for r in records[name]["routines"] for c in r["claims"] if c["profile"] or c.get("trace")]
    assert {".png", ".svg"} == {file.suffix for file in files}
    assert 2 * len(plots) == len(files) > 0
    for file in files:
        if file.suffix == ".svg":
            assert ElementTree.parse(file).getroot().tag.endswith("svg")
        else:
            head = file.read_bytes()[:24]
            assert b"\x89PNG" == head[:4]
            assert (1280, 512) == struct.unpack(">II", head[16:24])


def test_pictures_of_one_record_are_the_same_each_time(records: dict[str, dict[str, Any]], tmp_path: Path) -> None:
    pytest.importorskip("matplotlib")
    first = [file.read_bytes() for file in save_pictures(records["pitch"], tmp_path / "a")]

    assert first == [file.read_bytes() for file in save_pictures(records["pitch"], tmp_path / "b")]


def test_a_record_without_plots_says_so(records: dict[str, dict[str, Any]], tmp_path: Path) -> None:
    pytest.importorskip("matplotlib")
    with pytest.raises(UsageError, match="nothing to draw"):
        save_pictures({**records["pitch"], "routines": []}, tmp_path)


def test_the_command_draws_a_stored_record(
    records: dict[str, dict[str, Any]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("matplotlib")
    stored = tmp_path / "voice.json"
    stored.write_text(lines_of(records["pitch"]), encoding="utf-8")

    assert 0 == main(["report", str(stored), "--pictures"])
    assert f"2 files in {tmp_path / 'voice_pictures'}" in capsys.readouterr().out


def test_what_no_scale_can_show_is_marked(records: dict[str, dict[str, Any]]) -> None:
    (claim,) = [c for c in records["pitch"]["routines"][0]["claims"] if c["claim"] == "accurate"]
    low, high = claim["profile"]["beyond"]

    assert ("the result is no number", "the error is infinite") == (low[2], high[2])
    assert low[0] == 1.0
    assert low[1] == pytest.approx(1.25, abs=0.002)
    assert high[0] == pytest.approx(1.75, abs=0.002)
    assert high[1] == 2.0
    covered = [b[0] for b in claim["profile"]["bins"]]
    assert min(covered) == pytest.approx(1.25, abs=0.002)
    assert max(covered) == pytest.approx(1.75, abs=0.002)
    text = page(records["pitch"])
    assert 2 == text.count('<rect class="beyond"')
    assert "the error is infinite" in text
    assert "the result is no number" in text
