"""preflash compare: what an edit changed, against the accepted record or against an older C."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from verify.console import ERRORS, width
from verify.errors import UsageError
from verify.options import add_options, plan_of

NAME = "compare"
HELP = "what changed since the accepted record, or between an older C and this one"
EXAMPLE = "preflash compare voice_sheet.py; preflash compare --old HEAD~1 voice_sheet.py"
EXITS = f"0 no regression (with --old: all the same), 1 a regression or a difference, {ERRORS}"


def add(parser: argparse.ArgumentParser) -> None:
    """The arguments."""
    parser.add_argument("target", nargs="?", type=Path, metavar="SHEET|RECORD",
                        help="a sheet (it is checked first) or a record of a check (default: the one sheet here)")
    parser.add_argument("--old", metavar="REVISION|FOLDER",
                        help="compare the outputs of the C as it was then with those of now")
    parser.add_argument("--only", action="append", default=[], metavar="ROUTINE", help="with --old: only this routine")
    allowances(parser)
    add_options(parser.add_argument)


def allowances(parser: argparse.ArgumentParser) -> None:
    """What does not count as a regression yet."""
    parser.add_argument("--allow-error", type=float, default=1.0, metavar="PERCENT",
                        help="growth of a worst error that is no regression (default 1)")
    parser.add_argument("--allow-cost", type=float, default=2.0, metavar="PERCENT",
                        help="growth of cost, stack or size that is no regression (default 2)")


def run(options: argparse.Namespace) -> int:
    """Print the differences; 1 on a regression (with --old: on any difference), 0 otherwise."""
    from verify.accepted import counted_costs, load_accepted, sheet_or_record
    from verify.fresh_record import fresh_record
    from verify.reports.terminal import blocked_lines, nothing_ran
    from verify.sheet import load_sheet

    sheet, record = sheet_or_record(options.target)
    plan = plan_of(vars(options).__getitem__)
    if options.old is not None:
        return old_and_new(options, sheet, plan)
    accepted = load_accepted(sheet)
    if record is None:
        record = fresh_record(load_sheet(sheet), plan, workers=options.workers)
        if record["interrupted"]:
            return 130
    if nothing_ran(record):
        print("\n".join([*blocked_lines(record, width()), "nothing was compared: nothing could be run"]), file=sys.stderr)
        return 3
    costs = counted_costs(sheet, options.workers) if "cost" in accepted["builds"] else None
    lines, code = against_accepted(accepted, record, options, costs)
    print("\n".join(lines))
    return code


def old_and_new(options: argparse.Namespace, path: Path, plan: Any) -> int:
    """Compare the outputs of two versions of the C."""
    from verify.binding import cache_folder
    from verify.errors import nearest_words
    from verify.evidence_store import in_use
    from verify.old_and_new import compare_sources
    from verify.old_and_new_lines import render
    from verify.older_source import older_source
    from verify.progress import ProgressLine
    from verify.sheet import load_sheet

    sheet = load_sheet(path)
    names = [routine.name for routine in sheet.routines]
    for name in options.only:
        if name not in names:
            raise UsageError(f"no function {name!r} in the sheet", where=f"--only {name}", why=str(path),
                             todo=nearest_words(name, names))
    progress = ProgressLine()
    with in_use(cache_folder()), older_source(options.old, sheet.file) as older:
        found = compare_sources(sheet, older, plan, options.workers, progress, options.only)
        progress.clear()
        flags = sheet.flags if isinstance(sheet.flags, str) else " ".join(sheet.flags)
        print("\n".join(render(found, older.name, flags, width())))
    machines = ", ".join(machine.name for machine in sheet.machines)
    if machines:
        print(f"  not compared: {machines} (only functions are)")
    return 0 if all(difference.identical for difference in found) else 1


def against_accepted(accepted: dict[str, Any], record: dict[str, Any],
                     options: argparse.Namespace, costs: dict[str, Any] | None = None) -> tuple[list[str], int]:
    """Lines of the comparison with an accepted record, and the exit code."""
    from verify.accepted import condensed
    from verify.comparing import Allowed, compared, render

    allowed = Allowed(options.allow_error, options.allow_cost)
    found = compared(accepted, condensed(record, costs), allowed, record.get("only"))
    title = "against the accepted record:"
    return render(found, title, width()), 1 if found.regressed else 0
