"""preflash replay: one witness, or all stored ones, again."""

from __future__ import annotations

import argparse
from pathlib import Path

from verify.console import ERRORS, width

NAME = "replay"
HELP = "run one witness again, with everything that led to it"
EXAMPLE = "preflash replay voice_sheet.py hz_from_volts volts=0x3c800000 (without inputs: all stored witnesses)"
EXITS = f"0 all witnesses hold now, 1 one still fails, {ERRORS}"


def add(parser: argparse.ArgumentParser) -> None:
    """The arguments."""
    parser.add_argument("sheet", type=Path)
    parser.add_argument("routine", nargs="?")
    parser.add_argument("inputs", nargs="*", metavar="NAME=VALUE", help="bits 0x3c800000, hex float or decimal")


def run(options: argparse.Namespace) -> int:
    """Run and print."""
    from verify.replay import replay

    return replay(options.sheet, options.routine, options.inputs, width())
