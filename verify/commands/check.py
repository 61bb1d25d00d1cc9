"""preflash check: build, hunt, judge, report."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from verify.console import DEMO, colour, only_one, width
from verify.errors import UsageError

NAME = "check"
HELP = "build, hunt, judge and report one or more sheets; default: the demo"
EXAMPLE = "preflash check voice_sheet.py --only hz_from_volts"


def add(parser: argparse.ArgumentParser) -> None:
    """The arguments."""
    parser.add_argument("sheets", nargs="*", type=Path, metavar="SHEET", help="a *_sheet.py (default: bundled demo)")
    parser.add_argument("--demo", choices=("good", "first-draft"), help="one of the two bundled demo firmwares")
    parser.add_argument("--only", action="append", default=[], metavar="ROUTINE", help="check only this routine")
    parser.add_argument("--thorough", action="store_true", help="every value up to 2^32 points, however long it takes")
    parser.add_argument("--fresh", action="store_true", help="ignore evidence stored by earlier runs")
    parser.add_argument("--cases", type=int, metavar="N", help="size of the even cover of large domains (default 33 554 432)")
    parser.add_argument("--seed", type=int, default=7, help="seed of random samples (default 7)")
    parser.add_argument("--workers", type=int, metavar="N", help="worker processes (default: one per processor)")
    parser.add_argument("--reports", type=Path, metavar="FOLDER",
                       help="folder of the record (default: reports, beside the sheet)")
    parser.add_argument("--quiet", action="store_true", help="print the closing lines only")


def run(options: argparse.Namespace) -> int:
    """Check all sheets; the exit code is that of the worst."""
    from verify.hunting.plan import Plan, thorough
    from verify.progress import ProgressLine
    from verify.reports.record import exit_code, save_record
    from verify.reports.terminal import render, summary
    from verify.session import Check
    from verify.sheet import load_sheet

    sheets = list(options.sheets)
    bundled = not sheets
    if bundled:
        sheets = [DEMO / (options.demo or "good").replace("-", "_") / "bell_pitch_sheet.py"]
    plan = thorough() if options.thorough else Plan()
    changes = {"fresh": options.fresh, "seed": options.seed}
    if options.cases is not None:
        if options.cases < 1:
            raise UsageError("--cases must be at least 1", where=f"--cases {options.cases}", why="nothing would run",
                             todo="give a number of inputs, for example --cases 1000000")
        changes["sampled_cases"] = options.cases
    if options.workers is not None and options.workers < 1:
        raise UsageError("--workers must be at least 1", where=f"--workers {options.workers}",
                         why="nobody would run the firmware", todo="leave it out")
    codes = []
    for path in sheets:
        sheet = load_sheet(path)
        unknown = [name for name in options.only if name not in {r.name for r in sheet.routines}]
        if unknown:
            from verify.errors import nearest_words

            raise UsageError(f"no routine {unknown[0]!r} in the sheet", where=f"--only {unknown[0]}",
                             why=str(path), todo=nearest_words(unknown[0], [r.name for r in sheet.routines]))
        folder = options.reports or (Path("reports") if bundled else sheet.path.parent / "reports")
        stem = sheet.path.stem.removesuffix("_sheet") + ("_first_draft" if options.demo == "first-draft" else "")
        progress = ProgressLine()
        with only_one(folder):
            run = Check(sheet, type(plan)(**{**plan.__dict__, **changes}), progress, options.only,
                        folder / f"{stem}_witnesses.txt" if bundled else None, options.workers)
            record = run.run()
            progress.clear()
            save_record(record, folder / f"{stem}.json")
        text = "\n".join(summary(record, width(), colour())) + "\n" if options.quiet else render(record, width(), colour())
        sys.stdout.write(text)
        print(f"record: {folder / f'{stem}.json'}")
        codes.append(exit_code(record))
    return next((code for code in (130, 1, 3) if code in codes), 0)
