"""The harbour bell on the core: the good one passes, each fault of the first draft is seen in the board's builds only."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from tests.board.boards import NEEDED
from tests.fault_injection.planted import seen
from verify.hunting.plan import Plan
from verify.reports.record import plain
from verify.session import Check
from verify.sheet import load_sheet

pytestmark = [*NEEDED, pytest.mark.nightly]
DEMO = Path(__file__).parents[2] / "firmware_shim" / "demo" / "on_board"
FAILING = {"bell_wind_mean_q16": "no_undefined_behaviour board strict", "bell_swing_left": "finite board",
           "bell_loudness": "cost_within board"}
ROW = re.compile(r"\| \d+ \| (\w+) \| (\d+) \| `([^`]+)` \|")


@pytest.mark.parametrize("draft", ["", "_first_draft"], ids=["good", "first draft"])
def test_faults_are_seen_on_the_board_only(tmp_path: Path, draft: str) -> None:
    folder = tmp_path / "bell"
    shutil.copytree(DEMO, folder)
    sheet = load_sheet(folder / f"bell_core{draft}_sheet.py")
    record = plain(Check(sheet, Plan(every_value_up_to=2**13, sampled_cases=2**13), lambda *_: None, workers=2).run())
    for name, claim in FAILING.items():
        assert seen(record, name).failing() == ({claim} if draft else set()), name
        assert not seen(record, name).other() or draft


def test_each_fault_stands_on_its_line() -> None:
    lines = (DEMO / "bell_core_first_draft.c").read_text(encoding="utf-8").splitlines()
    rows = ROW.findall((DEMO / "FAULTS_ON_BOARD.md").read_text(encoding="utf-8"))
    assert {name for name, _, _ in rows} == set(FAILING)
    for _, line, code in rows:
        assert code in lines[int(line) - 1]
