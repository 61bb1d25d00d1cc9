"""The command preflash new: options, the file's place, and never over what is there."""

from __future__ import annotations

import argparse
from pathlib import Path

from verify.errors import UsageError
from verify.new import sources_for, summary_lines, written_sheet
from verify.stub_request import sheet_of


def new(options: argparse.Namespace) -> int:
    """Write a sheet for the targets; exit code 0.

    Errors: UsageError if the file is there; whatever the build raises.
    """
    targets = [Path(target) for target in options.targets]
    out = Path(options.out) if options.out else targets[0].resolve().with_name(f"{targets[0].stem}_sheet.py")
    taken(out)
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        out.open("x", encoding="utf-8").close()
        out.unlink()
    except OSError as problem:
        raise UsageError(f"{out} cannot be written", where=str(out), why=problem.strerror or str(problem),
                         todo="choose a folder of your own: --out FOLDER/NAME_sheet.py") from problem
    sources = sources_for(targets)
    sheet = sheet_of(options, sources)
    text, entries = written_sheet(sheet, targets, out)
    taken(out)
    with out.open("x", encoding="utf-8") as stream:
        stream.write(text)
    print("\n".join(summary_lines(entries, out)))
    return 0


def taken(out: Path) -> None:
    """Raise when something is there already."""
    if out.exists():
        raise UsageError(f"{out.name} is there already", where=str(out), why="a sheet is never overwritten",
                         todo=f"remove it, or choose another name: --out {out.with_name('first_sheet.py').name}")
