"""preflash look: a first answer without a sheet."""

from __future__ import annotations

import argparse

from verify.console import ERRORS, width

NAME = "look"
HELP = "a first answer for one C function, without a sheet"
EXAMPLE = "preflash look pitch.c:hz_from_volts 0 5"
EXITS = f"0 nothing found, 1 something fails, {ERRORS}"


def add(parser: argparse.ArgumentParser) -> None:
    """The arguments."""
    parser.add_argument("target", metavar="FILE.c:FUNCTION")
    parser.add_argument("low", nargs="?", type=float, help="low end of the first input (default 0, or that of its type)")
    parser.add_argument("high", nargs="?", type=float, help="high end (default 5, or that of its type up to 65535)")
    parser.add_argument("--flags", default="-O2", help='the author\'s flags, as --flags="-O2 -std=c11"')
    parser.add_argument("--include", action="append", default=[], metavar="FOLDER", help="folder of headers")


def run(options: argparse.Namespace) -> int:
    """Compile, run, print."""
    from verify.look import look

    return look(options.target, options.low, options.high, options.flags, options.include, width())
