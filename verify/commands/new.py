"""preflash new: a first sheet from headers or sources."""

from __future__ import annotations

import argparse

from verify.commands.stub import build_options

NAME = "new"
HELP = "write a first sheet from headers or sources: runs at once, guesses marked"
EXAMPLE = "preflash new voice.h"


def add(parser: argparse.ArgumentParser) -> None:
    """The arguments."""
    parser.add_argument("targets", nargs="+", metavar="HEADER|FILE", help="headers or sources whose functions are wanted")
    parser.add_argument("--out", default="", metavar="SHEET", help="where to write (default: NAME_sheet.py beside the first)")
    build_options(parser)


def run(options: argparse.Namespace) -> int:
    """Write the sheet and say what is in it."""
    from verify.new_command import new

    return new(options)
