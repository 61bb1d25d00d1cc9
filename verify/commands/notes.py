"""preflash notes: voltage or code, note, wanted and got frequency, cents."""

from __future__ import annotations

import argparse
from pathlib import Path

NAME = "notes"
HELP = "the table that you would measure by hand: input, note, wanted Hz, got Hz, cents"
EXAMPLE = "preflash notes voice_sheet.py --by octave --csv voice_notes.csv"


def add(parser: argparse.ArgumentParser) -> None:
    """The arguments."""
    parser.add_argument("sheet", type=Path)
    parser.add_argument("--only", action="append", default=[], metavar="ROUTINE", help="only this routine")
    parser.add_argument("--by", choices=("semitone", "octave"), default="semitone", help="rows (default semitone)")
    parser.add_argument("--csv", type=Path, metavar="FILE", help="also write the tables to a file")
    parser.add_argument("--measured", type=Path, metavar="FILE", help="readings of the real board (columns value,hz): beside "
                        "the predicted pitch, the difference split into offset, gain and the rest")


def run(options: argparse.Namespace) -> int:
    """Measure and print."""
    from verify.notes import notes

    return notes(options.sheet, options.only, options.by, options.csv, options.measured)
