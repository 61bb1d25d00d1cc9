"""preflash accept: keep what the check says now as the accepted record."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from verify.options import add_options, plan_of

NAME = "accept"
HELP = "store what the check finds as the accepted record, beside the sheet"
EXAMPLE = "preflash accept voice_sheet.py"


def add(parser: argparse.ArgumentParser) -> None:
    """The arguments."""
    parser.add_argument("target", nargs="?", type=Path, metavar="SHEET|RECORD",
                        help="a sheet (it is checked first) or a record of a check (default: the one sheet here)")
    parser.add_argument("--cost", action="store_true",
                        help="also keep cost, stack and size on the board (the sheet names a core)")
    add_options(parser.add_argument)


def run(options: argparse.Namespace) -> int:
    """Check where needed, store, and say what was stored."""
    from verify.accepted import accepted_path, counted_costs, save_accepted, sheet_or_record
    from verify.console import width
    from verify.fresh_record import fresh_record
    from verify.reports.terminal import blocked_lines, nothing_ran
    from verify.sheet import load_sheet

    sheet, record = sheet_or_record(options.target)
    if record is None:
        record = fresh_record(load_sheet(sheet), plan_of(vars(options).__getitem__), workers=options.workers)
        if record["interrupted"]:
            return 130
    words = [claim["verdict"] for routine in record["routines"] for claim in routine["claims"]]
    if nothing_ran(record):
        print("\n".join([*blocked_lines(record, width()), "nothing was accepted: nothing could be run"]), file=sys.stderr)
        return 3
    path = accepted_path(sheet)
    save_accepted(record, path, counted_costs(sheet, options.workers) if options.cost else None)
    others = ", ".join(f"{words.count(word)} {word}" for word in dict.fromkeys(words) if word != "holds")
    print(f"accepted: {path}, {len(record['routines'])} routines, {words.count('holds')} claims hold"
          + (f"; also kept as they are: {others}" if others else ""))
    return 0
