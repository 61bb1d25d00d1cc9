"""A check of one sheet from a command: the lock, the record on disk, the progress line."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from verify.console import only_one
from verify.hunting.plan import Plan
from verify.progress import ProgressLine
from verify.reports.record import plain, save_record
from verify.session import Check
from verify.sheet import Sheet


def record_stem(sheet: Sheet, only: Sequence[str] = (), more: str = "") -> str:
    """Name of a sheet's record. What was learned of some routines only stands beside the whole, never in its place."""
    part = bool(only) and set(only) != set(sheet.names())
    return sheet.file.stem.removesuffix("_sheet") + more + ("_only" if part else "")


def fresh_record(sheet: Sheet, plan: Plan, *, workers: int | None = None, only: Sequence[str] = (),
                 progress: Callable[[str, int, int], None] | None = None) -> dict[str, Any]:
    """Check a sheet and store its record in reports/ beside it; returns the record as stored.

    Errors: those of a check; UsageError when another run is at work in the folder.
    """
    folder = sheet.file.parent / "reports"
    line = ProgressLine()
    with only_one(folder):
        record: dict[str, Any] = plain(Check(sheet, plan, progress or line, only, workers=workers).run())
        line.clear()
        save_record(record, folder / f"{record_stem(sheet, only)}.json")
    return record
