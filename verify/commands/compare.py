"""preflash compare: what an edit changed, against the accepted record or against an older C."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from verify.console import width
from verify.options import add_options, plan_of

NAME = "compare"
HELP = "what changed since the accepted record, or between an older C and this one"
EXAMPLE = "preflash compare voice_sheet.py (against what was accepted)"


def add(parser: argparse.ArgumentParser) -> None:
    """The arguments."""
    parser.add_argument("target", nargs="?", type=Path, metavar="SHEET|RECORD",
                        help="a sheet (it is checked first) or a record of a check (default: the one sheet here)")
    allowances(parser)
    add_options(parser.add_argument)


def allowances(parser: argparse.ArgumentParser) -> None:
    """What does not count as a regression yet."""
    parser.add_argument("--allow-error", type=float, default=1.0, metavar="PERCENT",
                        help="growth of a worst error that is no regression (default 1)")
    parser.add_argument("--allow-cost", type=float, default=2.0, metavar="PERCENT",
                        help="growth of cost, stack or size that is no regression (default 2)")


def run(options: argparse.Namespace) -> int:
    """Print the differences; 1 on a regression, 0 otherwise."""
    from verify.accepted import load_accepted, sheet_or_record
    from verify.fresh_record import fresh_record
    from verify.sheet import load_sheet

    sheet, record = sheet_or_record(options.target)
    accepted = load_accepted(sheet)
    if record is None:
        record = fresh_record(load_sheet(sheet), plan_of(vars(options).__getitem__), workers=options.workers)
        if record["interrupted"]:
            return 130
    lines, code = against_accepted(accepted, record, options)
    print("\n".join(lines))
    return code


def against_accepted(accepted: dict[str, Any], record: dict[str, Any],
                     options: argparse.Namespace) -> tuple[list[str], int]:
    """Lines of the comparison with an accepted record, and the exit code."""
    from verify.accepted import condensed
    from verify.comparing import Allowed, compared, render

    allowed = Allowed(options.allow_error, options.allow_cost)
    found = compared(accepted, condensed(record), allowed, record.get("only"))
    title = "against the accepted record:"
    return render(found, title, width()), 1 if found.regressed else 0
