"""Whose fault it is when a sheet stops while it is read: the sheet's own, or preflash's."""

from __future__ import annotations

from pathlib import Path

import pytest

import verify.sheet
from verify.errors import SheetUnreadable, ToolFault
from verify.sheet_loading import load

SHEET = """\
from verify import Sheet, codes, stays_within
bell = Sheet(sources=["bell.c"])
bell.function("half", inputs=[codes("code", bits=4)], output="V", claims=[stays_within(0, 1, because="invented")])
"""


def test_a_name_that_preflash_itself_lacks_is_told_as_its_own_fault(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "bell_sheet.py"
    path.write_text(SHEET)
    monkeypatch.delattr(verify.sheet, "Routine")

    with pytest.raises(ToolFault) as caught:
        load(path)
    assert "'Routine' is not defined" in caught.value.why
    assert "please report this" in caught.value.todo


@pytest.mark.parametrize("line", ["wind = breeze + 1", "assert False", "from verify import gusts"])
def test_what_the_sheet_itself_does_stays_its_own(tmp_path: Path, line: str) -> None:
    path = tmp_path / "bell_sheet.py"
    path.write_text(f"{SHEET}{line}\n")

    with pytest.raises(SheetUnreadable, match="stopped with an error") as caught:
        load(path)
    assert "bell_sheet.py:4" in caught.value.where
