"""The command preflash: parsing and exit codes only.

Exit codes: 0 all hold, 1 something fails, 2 sheet or usage error, 3 undecided, vacuous or blocked,
130 interrupted.
"""

from __future__ import annotations

import argparse
import contextlib
import fcntl
import os
import shutil
import sys
import traceback
from collections.abc import Iterator, Sequence
from pathlib import Path

from firmware_shim.compiler import require_platform
from firmware_shim.errors import ShimError
from verify.errors import PreflashError, ToolFault, UsageError

DEMO = Path(__file__).resolve().parent.parent / "firmware_shim" / "demo"
CAUTION = "First power-up: low volume, no headphones. A voltage out of range can harm other gear."


def parser() -> argparse.ArgumentParser:
    """The whole command line."""
    top = argparse.ArgumentParser(
        prog="preflash",
        description="Check the math of an electronic instrument's firmware before it is flashed.",
        epilog="Exit codes: 0 all hold, 1 something fails, 2 sheet or usage error, 3 undecided, vacuous or blocked, "
        "130 interrupted. " + CAUTION,
    )
    commands = top.add_subparsers(dest="command", required=True, metavar="COMMAND")
    check = commands.add_parser("check", help="build, hunt, judge and report one or more sheets; default: the demo",
                                description="Example: preflash check voice_sheet.py --only hz_from_volts")
    check.add_argument("sheets", nargs="*", type=Path, metavar="SHEET", help="a *_sheet.py (default: bundled demo)")
    check.add_argument("--demo", choices=("good", "first-draft"), help="one of the two bundled demo firmwares")
    check.add_argument("--only", action="append", default=[], metavar="ROUTINE", help="check only this routine")
    check.add_argument("--thorough", action="store_true", help="every value up to 2^32 points, however long it takes")
    check.add_argument("--fresh", action="store_true", help="ignore evidence stored by earlier runs")
    check.add_argument("--cases", type=int, metavar="N", help="size of the even cover of large domains (default 33 554 432)")
    check.add_argument("--seed", type=int, default=7, help="seed of random samples (default 7)")
    check.add_argument("--workers", type=int, metavar="N", help="worker processes (default: one per processor)")
    check.add_argument("--reports", type=Path, metavar="FOLDER",
                       help="folder of the record (default: reports, beside the sheet)")
    check.add_argument("--quiet", action="store_true", help="print the closing lines only")
    look = commands.add_parser("look", help="a first answer for one C function, without a sheet",
                               description="Example: preflash look pitch.c:hz_from_volts 0 5")
    look.add_argument("target", metavar="FILE.c:FUNCTION")
    look.add_argument("low", nargs="?", type=float, help="low end of the first input (default 0, or that of its type)")
    look.add_argument("high", nargs="?", type=float, help="high end (default 5, or that of its type up to 65535)")
    look.add_argument("--flags", default="-O2", help='the author\'s flags, as --flags="-O2 -std=c11"')
    look.add_argument("--include", action="append", default=[], metavar="FOLDER", help="folder of headers")
    replay = commands.add_parser("replay", help="run one witness again, with everything that led to it",
                                 description="Example: preflash replay voice_sheet.py hz_from_volts volts=0x3c800000. "
                                 "Without inputs: all stored witnesses of the sheet.")
    replay.add_argument("sheet", type=Path)
    replay.add_argument("routine", nargs="?")
    replay.add_argument("inputs", nargs="*", metavar="NAME=VALUE", help="bits 0x3c800000, hex float or decimal")
    return top


def width() -> int:
    """Columns to write for: at least 60, at most 120, 80 when piped."""
    return min(120, max(60, shutil.get_terminal_size((80, 24)).columns)) if sys.stdout.isatty() else 80


def colour() -> bool:
    """Whether to use colour."""
    return sys.stdout.isatty() and "NO_COLOR" not in os.environ and os.environ.get("TERM") != "dumb"


@contextlib.contextmanager
def only_one(folder: Path) -> Iterator[None]:
    """One run per reports folder."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        lock = open(folder / ".lock", "w")  # noqa: SIM115 - held open for the whole run
    except OSError as problem:
        raise UsageError("the reports folder cannot be written", where=str(folder), why=str(problem),
                         todo="make it writable, or give --reports FOLDER") from problem
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        lock.close()
        raise UsageError("another preflash is at work here", where=str(folder), why="its record would be overwritten",
                         todo="wait for it, or give --reports FOLDER") from None
    try:
        yield
    finally:
        lock.close()


def check(options: argparse.Namespace) -> int:
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


def main(arguments: Sequence[str] | None = None) -> int:
    """Entry point; returns the exit code."""
    options = parser().parse_args(arguments)
    try:
        require_platform()
        if options.command == "check":
            return check(options)
        if options.command == "look":
            from verify.look import look

            return look(options.target, options.low, options.high, options.flags, options.include, width())
        from verify.replay import replay

        return replay(options.sheet, options.routine, options.inputs, width())
    except PreflashError as problem:
        print(problem, file=sys.stderr)
        return problem.exit_code
    except ShimError as problem:
        print(problem, file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("interrupted", file=sys.stderr)
        return 130
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except Exception as problem:
        # Whatever else goes wrong is a fault of preflash: said as such, in one message, and never a verdict.
        last = traceback.extract_tb(problem.__traceback__)[-1]
        print(ToolFault("preflash's own fault", where=f"{Path(last.filename).name}:{last.lineno}",
                        why=f"{type(problem).__name__}: {problem}",
                        todo="please report this with the sheet; nothing was judged"), file=sys.stderr)
        return 3


if __name__ == "__main__":
    sys.exit(main())
