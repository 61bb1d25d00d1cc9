"""The repeat of stored evidence runs while another routine is judged, and still stands before its own verdict."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from firmware_shim.crew import Ahead, Crew
from verify import reuse
from verify.errors import ToolFault
from verify.evidence import Evidence
from verify.hunting.plan import Plan
from verify.routine import Routine
from verify.session import Check
from verify.sheet import load_sheet

pytestmark = pytest.mark.usefixtures("gcc", "private_cache")

SHEET = """\
from verify import Sheet, codes, stays_within
two = Sheet(sources=["two.c"], flags="-O2", builds=["host"])
for name in ("one", "other"):
    two.function(name, inputs=[codes("code", bits=12)], output="", claims=[stays_within(0, 40_000, because="invented")])
# FOLDER
"""


def prepared(folder: Path) -> Check:
    (folder / "two.c").write_text("int one(int code) { return code * 2; }\nint other(int code) { return code * 3; }\n")
    (folder / "two_sheet.py").write_text(SHEET.replace("FOLDER", str(folder)))
    return checked(folder)


def checked(folder: Path) -> Check:
    return Check(load_sheet(folder / "two_sheet.py"), Plan(), lambda *_: None, workers=2)


def test_the_next_repeat_begins_before_this_routine_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first = prepared(tmp_path).run()
    seen: list[str] = []
    begin, tell = Crew.ahead, Check.note

    def ahead(self: Crew, job: Any) -> Ahead:
        seen.append(f"repeats {job.loop.removeprefix('pf_loop_')}")
        return begin(self, job)

    monkeypatch.setattr(Crew, "ahead", ahead)
    monkeypatch.setattr(Check, "note", lambda self, entry: (seen.append(f"told {entry['name']}"), tell(self, entry)))
    again = checked(tmp_path).run()

    assert ["repeats one", "repeats other", "told one", "told other"] == seen
    assert again["routines"] == first["routines"]


def test_a_repeat_that_differs_is_met_in_its_turn(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    prepared(tmp_path).run()
    run_again = reuse.run_again

    def differs(hunt: Any, evidence: Evidence, *more: Any) -> int:
        return 7 if hunt.bound.routine.name == "other" else run_again(hunt, evidence, *more)

    monkeypatch.setattr(reuse, "run_again", differs)
    check = checked(tmp_path)
    with pytest.raises(ToolFault, match="stored evidence and a repeat differ") as problem:
        check.run()
    assert problem.value.where.startswith("other, host")
    assert ["one"] == [entry["name"] for entry in check.routines]
    monkeypatch.undo()
    assert [("other", "host")] == checked(tmp_path).run()["evidence"]["hunted"]


def test_what_is_learned_meanwhile_counts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    prepared(tmp_path).run()
    entry = Check.entry

    def learned(self: Check, routine: Routine) -> dict[str, Any]:
        if routine.name == "other":
            self.remembering.add("other")
        return entry(self, routine)

    monkeypatch.setattr(Check, "entry", learned)
    assert [("other", "host")] == checked(tmp_path).run()["evidence"]["hunted"]
