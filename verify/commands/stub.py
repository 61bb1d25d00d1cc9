"""preflash stub: stand-ins for vendor headers that are not on this computer."""

from __future__ import annotations

import argparse

NAME = "stub"
HELP = "stand-ins for headers and names that are not on this computer"
EXAMPLE = "preflash stub main.cpp voice.c --include inc"
EXITS = "0 it compiles with the stand-ins, 2 usage error, 3 it still does not compile"


def add(parser: argparse.ArgumentParser) -> None:
    """The arguments."""
    parser.add_argument("targets", nargs="+", metavar="SHEET|SOURCE", help="one sheet, or the sources")
    build_options(parser)


def build_options(parser: argparse.ArgumentParser) -> None:
    """How the sources are compiled; the same for stub and new."""
    parser.add_argument("--include", action="append", default=[], metavar="FOLDER", help="folder of headers")
    parser.add_argument("--define", action="append", default=[], metavar="NAME[=VALUE]")
    parser.add_argument("--flags", default=None, help='the author\'s flags, as --flags="-O2 -std=c11"')
    parser.add_argument("--compile-commands", default="", metavar="FILE", help="compile_commands.json of the build")


def run(options: argparse.Namespace) -> int:
    """Write what is missing; 0 when the sources build now, 3 when something is left to do."""
    from verify.binding import cache_folder
    from verify.stub import make_stubs, stub_lines
    from verify.stub_request import request_of

    request, base = request_of(options)
    stubs = make_stubs(request, base, cache_folder())
    print("\n".join(stub_lines(stubs, base)))
    return 0 if stubs.builds else 3
