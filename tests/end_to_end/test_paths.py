"""A path in every rendering: terminal, HTML, Markdown, CSV, replay, notes; and what it costs on the board."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest

from tests.fault_injection.planted import run, seen, shared_record
from tests.fault_injection.test_planted_paths import PATH, TONE, sheet, source
from verify.notes import notes
from verify.replay import replay
from verify.reports.html_page import page
from verify.reports.tables import csv_text, markdown
from verify.reports.terminal import render


def test_every_rendering_shows_the_same_budget() -> None:
    record = shared_record(source(offset="-0.01f"), sheet(PATH % ("", 20, ""), low=-0.01))
    budget = seen(record, "pitch").entry["budgets"][0]
    end = budget["end"]["text"].removesuffix(" cents")
    text, web, table = render(record, 80), page(record), markdown(record)

    assert all(end in shown for shown in (text, web, table))
    assert [] == [line for line in text.splitlines() if len(line) > 80 and "preflash replay" not in line]
    # One bar for each line and the whole, each with its number in words beside it, and the limit named.
    assert "error budget: 5 bars" in web and "the limit, 20" in web
    assert all(line["text"] in web for line in budget["lines"])
    rows = list(csv.reader(io.StringIO(csv_text(record).split("\r\n\r\n")[1])))
    assert ["stage", "stage", "stage", "quantisation", "end", "sum"] == [row[2] for row in rows[1:]]
    assert float(rows[5][4]) == budget["end"]["worst"]


def test_replay_and_notes_tell_each_stage(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "plant.c").write_text(source())
    (tmp_path / "plant_sheet.py").write_text(sheet(PATH % ("", 0.01, "")))

    assert 0 == replay(tmp_path / "plant_sheet.py", "pitch", ["code=819"], 200)
    told = capsys.readouterr().out
    assert "volts gives 0.999755859375 V, wanted there 0.999755859375; adds +0 cents at the end" in told
    assert "hz gives" in told and "increment gives" in told and "step/sample, wanted there" in told

    out = tmp_path / "notes.csv"
    assert 0 == notes(tmp_path / "plant_sheet.py", ["pitch"], "octave", out)
    rows = list(csv.DictReader(out.open(encoding="utf-8")))
    # 0 V is a little above C2 here.
    assert ["C#2", "C#3", "C#4", "C#5", "C#6"] == [row["note"] for row in rows]
    for row in rows:
        assert float(row["volts"]) == pytest.approx(float(row["value"]) * 5 / 4096)
        assert abs(float(row["cents"])) < 0.01 and 65 < float(row["got_hz"]) < 2100


@pytest.mark.nightly
def test_the_board_runs_the_functions_and_their_cost_is_summed(tmp_path: Path) -> None:
    import argparse

    from verify.commands.cost import add
    from verify.commands.cost import run as cost

    pytest.importorskip("unicorn")
    text = sheet(PATH % (', "tone"', 0.01, ""), more=TONE)
    text = text.replace('builds=["host"]', 'core="cortex-m4f", clock_hz=168_000_000')
    record = run(tmp_path, source(), text)
    found = seen(record, "pitch")

    assert set(found.verdicts().values()) == {"holds"} and "accurate board" in found.verdicts()
    assert ["host", "board"] == [budget["build"] for budget in found.entry["budgets"]]
    assert found.entry["budgets"][1]["cut"]
    parser = argparse.ArgumentParser()
    add(parser)
    assert 0 == cost(parser.parse_args([str(tmp_path / "plant_sheet.py"), "pitch"]))
    written = json.loads((tmp_path / "reports" / "plant_cost.json").read_text())
    (path,) = written["paths"]
    functions = [entry["instructions"]["most"] for entry in written["routines"] if "instructions" in entry]
    machine = next(entry for entry in written["routines"] if "parts" in entry)
    parts = [part["instructions"]["most"] for part in machine["parts"] if "init" not in part["name"]]
    assert 3 == len(functions) and 2 == len(parts)
    assert path["instructions"] == sum(functions) + sum(parts)
    assert [] == path["missing"] and not path["every_value"]
