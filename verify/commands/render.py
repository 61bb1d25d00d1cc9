"""preflash render: a machine under a script, to be listened to."""

from __future__ import annotations

import argparse
import textwrap
from pathlib import Path

from verify.console import ERRORS
from verify.machines.script_form import FORM

NAME = "render"
HELP = "a machine as sound: firmware, reference, difference"
EXAMPLE = "preflash render voice_sheet.py strikes.txt --machine strike"
EXITS = f"0 written, 1 written up to where the firmware stopped, {ERRORS}"


def add(parser: argparse.ArgumentParser) -> None:
    """The arguments."""
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("sheet", type=Path)
    parser.add_argument("script", help='a file (form above), witness:N, or a quoted line that preflash printed')
    parser.add_argument("--machine", metavar="NAME", help="which machine of the sheet, or path that ends in one")
    parser.add_argument("--output", metavar="NAME", help="which of its outputs (default: the first)")
    parser.add_argument("--out", type=Path, metavar="NAME", help="NAME_firmware.wav, _reference, _difference")
    parser.add_argument("--overwrite", action="store_true", help="replace files that are there")
    parser.add_argument("--full-scale", type=float, metavar="VALUE", help="the value that is full scale (1)")
    parser.add_argument("--level", type=float, default=0.0, metavar="DB", help="louder or softer, all three")
    parser.add_argument("--raise-difference", type=float, default=0.0, metavar="DB", help="the difference only")
    parser.description = f"{parser.description}\n\n{FORM}"
    parser.epilog = textwrap.fill(str(parser.epilog), 78)


def run(options: argparse.Namespace) -> int:
    """Run and write."""
    from verify.rendering import Wish, render

    return render(Wish(options.sheet, options.script, options.machine, options.output, options.out, options.overwrite,
                       options.full_scale, options.level, options.raise_difference))
