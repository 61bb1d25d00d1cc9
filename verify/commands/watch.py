"""preflash watch: check again at each save."""

from __future__ import annotations

import argparse
import time
from pathlib import Path

from verify.console import width
from verify.options import add_options, plan_of

NAME = "watch"
HELP = "check a sheet again at each save and say what the edit did; Ctrl-C ends"
EXAMPLE = "preflash watch voice_sheet.py"
EXITS = "130 ended by Ctrl-C, 2 sheet or usage error"


def add(parser: argparse.ArgumentParser) -> None:
    """The arguments."""
    parser.add_argument("sheet", nargs="?", type=Path, metavar="SHEET", help="a sheet (default: the one sheet here)")
    add_options(parser.add_argument)


def run(options: argparse.Namespace) -> int:
    """Until Ctrl-C."""
    from verify.accepted import sheet_or_record
    from verify.watching import Watcher

    sheet, _ = sheet_or_record(options.sheet)
    watcher = Watcher(sheet, plan_of(vars(options).__getitem__), options.workers, width())
    print(f"watching {sheet.name} and its sources; Ctrl-C ends", flush=True)

    def say(lines: list[str]) -> None:
        print(f"{time.strftime('%H:%M:%S')}  " + "\n".join(lines), flush=True)

    try:
        return watcher.run(say)
    except KeyboardInterrupt:
        print("ended", flush=True)
        return 130
