"""preflash check: build, hunt, judge, report."""

from __future__ import annotations

import argparse
import contextlib
import gc
import os
import sys
import threading
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from verify.commands.compare import against_accepted, allowances
from verify.console import DEMO, colour, only_one, width
from verify.errors import UsageError
from verify.options import add_options, plan_of

if TYPE_CHECKING:
    from verify.sheet import Sheet

NAME = "check"
HELP = "build, hunt, judge and report one or more sheets; default: those of this folder, else the demo"
EXAMPLE = "preflash check voice_sheet.py --only hz_from_volts"
SUMMED = "0 all hold, 1 something fails, 2 sheet or usage error, 3 undecided, vacuous or blocked"
EXITS = f"{SUMMED} (no compiler, C that does not compile), 130 interrupted"


def add(parser: argparse.ArgumentParser) -> None:
    """The arguments."""
    parser.add_argument("sheets", nargs="*", type=Path, metavar="SHEET",
                        help="a *_sheet.py (default: those of this folder, if none the bundled demo)")
    parser.add_argument("--here", action="store_true", help="all sheets in this folder and below")
    parser.add_argument("--demo", choices=("good", "first-draft"), help="one of the two bundled demo firmwares")
    parser.add_argument("--only", action="append", default=[], metavar="ROUTINE",
                        help="check only this routine (or several: a,b)")
    add_options(parser.add_argument)
    parser.add_argument("--reports", type=Path, metavar="FOLDER",
                       help="folder of the record (default: reports, beside the sheet)")
    parser.add_argument("--quiet", action="store_true", help="print only what does not hold, and a total")
    parser.add_argument("--against-accepted", action="store_true",
                        help="compare with the accepted record; 1 also on a regression")
    allowances(parser)
    parser.add_argument("--annotations", action="store_true", help="also print ::error lines for a code host")


def run(options: argparse.Namespace) -> int:
    """Check all sheets; the exit code is that of the worst."""
    from firmware_shim.worker_starter import copied_starter, ready_starter
    from verify.own_memory import keep_memory

    gc.disable()  # what is imported stays: looking through it for what nothing uses takes a fifth of the time
    if getattr(options, "has_just_begun", False):
        copied_starter()  # before this process grows
    else:
        ready_starter()
    from verify.accepted import load_accepted
    from verify.binding import ready_engine
    from verify.fresh_record import record_stem
    from verify.progress import ProgressLine, SharedNotes
    from verify.reports.html_page import save_page
    from verify.reports.record import plain, save_record
    from verify.reports.terminal import counts_text
    from verify.session import Check
    from verify.sheet import load_sheet
    from verify.sheets_here import SUFFIX, mentions_verify, sheets_below
    from verify.sheets_side_by_side import results

    sheets = sheets_below(Path.cwd()) if options.here else list(options.sheets)
    if not sheets and not options.demo:
        sheets = [path for path in sorted(Path().glob(f"*{SUFFIX}")) if mentions_verify(path)]
    bundled = not sheets
    draft = "_first_draft" if options.demo == "first-draft" else ""
    if bundled:
        sheets = sorted((DEMO / (options.demo or "good").replace("-", "_")).glob("*_sheet.py"))
    plan = plan_of(vars(options).__getitem__)
    codes: list[int] = []
    routines: list[dict[str, Any]] = []
    pages: list[tuple[Path, dict[str, Any]]] = []
    waiting = ProgressLine()
    several = len(sheets) > 1
    ahead = threading.Thread(target=shared)
    if several:
        ahead.start()  # hashing leaves Python to others
    loaded = [load_sheet(path) for path in sheets]
    keep_memory()
    options.only = [name for given in options.only for name in given.split(",")]
    if bundled and options.only:
        loaded = [sheet for sheet in loaded if set(options.only) & set(sheet.names())] or loaded
    for sheet in loaded:
        unknown = [name for name in options.only if name not in sheet.names()]
        if unknown:
            from verify.errors import nearest_words

            raise UsageError(f"no routine {unknown[0]!r} in the sheet", where=f"--only {unknown[0]}",
                             why=str(sheet.file), todo=nearest_words(unknown[0], sheet.names()))
    stored = [load_accepted(sheet.file) if options.against_accepted else None for sheet in loaded]
    places = [(options.reports or (Path("reports") if bundled else sheet.file.parent / "reports"),
               record_stem(sheet, options.only, draft)) for sheet in loaded]

    notes, here = SharedNotes(len(loaded)), os.getpid()

    def meanwhile(number: int) -> None:
        note = notes.read(number)
        if note is not None:
            waiting(f"{loaded[number].file.name}: {note[0]}", note[1], note[2])

    def task(number: int) -> dict[str, Any]:
        sheet, (folder, stem) = loaded[number], places[number]
        line = ProgressLine(None if os.getpid() == here else False)
        progress = line if os.getpid() == here else partial(notes.write, number)
        witnesses = folder / f"{stem}_witnesses.txt" if bundled else None
        record = plain(Check(sheet, plan, progress, options.only, witnesses, options.workers).run())
        line.clear()
        unsaved = []
        for save, name in ((save_record, f"{stem_of(stem, record)}.json"), (save_page, f"{stem_of(stem, record)}.html")):
            try:
                save(record, folder / name)
            except UsageError as problem:
                unsaved.append(problem)
        for routine in record["routines"]:
            for claim in routine["claims"]:
                claim["profile"] = None  # drawn by now, and long: it need not travel
        record["unsaved"] = [str(problem) for problem in unsaved[:1]]
        if not unsaved and not record["interrupted"]:
            for ending in ("json", "html"):  # what an interrupted run left is out of date
                (folder / f"{stem}_interrupted.{ending}").unlink(missing_ok=True)
        return record

    with contextlib.ExitStack() as held:
        held.callback(waiting.clear)
        for folder in dict.fromkeys(folder.absolute() for folder, _ in places):
            held.enter_context(only_one(folder))
        if several:
            # Known before processes part, all this is read once.
            import numpy.random  # noqa: F401 - most sheets draw numbers

            ready_engine(loaded[0])
            ahead.join()
            gc.freeze()  # what is there stays shared: no collection writes to it
        records = held.enter_context(contextlib.closing(results([partial(task, number) for number in range(len(loaded))],
                                                                 meanwhile=meanwhile)))
        for sheet, (folder, stem), accepted, record in zip(loaded, places, stored, records, strict=True):
            waiting.clear()
            place = folder / stem_of(stem, record)
            codes += told(options, sheet, place, record, accepted, brief=bool(codes), last=sheet is loaded[-1])
            routines += record["routines"]
            if not record["unsaved"]:
                pages.append((place.with_name(f"{place.name}.html"), record))
            if sheet is not loaded[-1]:
                waiting.say(f"checking {loaded[loaded.index(sheet) + 1].file.name} ...")
    if len(loaded) > 1:
        print(f"\n{len(loaded)} sheets, {counts_text(routines)}")
        one = len({folder for folder, _ in places}) == 1
        more = draft + ("_only" if options.only else "")
        codes += begun(pages, places[0][0] if one else Path("reports"), more) if pages else []
    return next((code for code in (2, 130, 1, 3) if code in codes), 0)


def shared() -> None:
    """Read what the evidence of every sheet rests on."""
    from verify.evidence_store import own_text, package_versions, system_libraries

    with contextlib.suppress(OSError):  # met again by whoever needs it
        own_text()
        package_versions()
        system_libraries()


def begun(pages: list[tuple[Path, dict[str, Any]]], folder: Path, more: str) -> list[int]:
    """Write the page that leads to all others; the exit codes that it asks for."""
    from verify.reports.html_start import NAME, save_start_page

    path = folder / f"{NAME}{more}.html"
    try:
        save_start_page(pages, path)
    except UsageError as problem:
        print(problem)
        return [2]
    print(f"all reports: {path}")
    return []


def stem_of(stem: str, record: dict[str, Any]) -> str:
    """What an interrupted run has learned stands beside the whole record of before, never in its place."""
    return f"{stem}_interrupted" if record["interrupted"] else stem


def told(options: argparse.Namespace, sheet: Sheet, place: Path, record: dict[str, Any],
              accepted: dict[str, Any] | None, *, brief: bool, last: bool) -> list[int]:
    """Print one sheet's record; the exit codes that it asks for."""
    from verify.annotations import annotation_lines
    from verify.reports.record import exit_code
    from verify.reports.terminal import blocked_lines, nothing_ran, render, summary, unwell_lines

    text = render(record, width(), colour(), brief=brief, closing=last)
    if options.quiet:
        text = "\n".join([*blocked_lines(record, width()), *unwell_lines(record, width(), colour()),
                          *summary(record, width(), colour(), closing=last)]) + "\n"
    sys.stdout.write(text)
    unsaved = record["unsaved"]
    print("\n".join(unsaved) if unsaved else f"record: {place}.json, report: {place}.html", flush=True)
    codes = [2 if unsaved else exit_code(record)]
    if options.annotations:
        sys.stdout.write("".join(f"{line}\n" for line in annotation_lines(record, sheet)))
    if accepted is not None and not record["interrupted"] and not nothing_ran(record):
        lines, code = against_accepted(accepted, record, options)
        print("\n".join(lines))
        codes.append(code)
    return codes
