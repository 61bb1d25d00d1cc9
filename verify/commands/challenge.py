"""preflash challenge: would the claims notice a small wrong edit of the C?"""

from __future__ import annotations

import argparse
from pathlib import Path

from verify.console import ERRORS, width
from verify.errors import UsageError
from verify.options import add_options, plan_of

NAME = "challenge"
HELP = "make small wrong edits of the C, one at a time, and list those that no claim notices"
EXAMPLE = "preflash challenge voice_sheet.py --sample 50"
EXITS = f"0 done, 1 below --at-least, {ERRORS}"


def add(parser: argparse.ArgumentParser) -> None:
    """The arguments."""
    parser.add_argument("sheet", nargs="?", type=Path, metavar="SHEET", help="a sheet (default: the one sheet here)")
    parser.add_argument("--sample", type=int, metavar="N", help="only N of the edits, drawn by --seed (default: all)")
    parser.add_argument("--at-least", type=float, metavar="PERCENT", help="exit with 1 below this score")
    parser.add_argument("--reports", type=Path, metavar="FOLDER",
                        help="folder of the outcome (default: reports, beside the sheet)")
    add_options(parser.add_argument)


def run(options: argparse.Namespace) -> int:
    """Challenge, print, store the outcome."""
    from verify.accepted import sheet_or_record
    from verify.binding import cache_folder
    from verify.challenge import challenge
    from verify.challenge_lines import as_data, render
    from verify.evidence_store import in_use
    from verify.mutants import parse
    from verify.progress import ProgressLine
    from verify.reports.record import save_record
    from verify.sheet import load_sheet

    if options.sample is not None and options.sample < 1:
        raise UsageError("--sample must be at least 1", where=f"--sample {options.sample}", why="nothing would be tried",
                         todo="give a number of edits, or leave it out for all")
    path, _ = sheet_or_record(options.sheet)
    sheet = load_sheet(path)
    progress = ProgressLine()
    with in_use(cache_folder()):
        found = challenge(sheet, plan_of(vars(options).__getitem__), sample=options.sample, seed=options.seed,
                          workers=options.workers, progress=progress)
    progress.clear()
    parsed = {answer.mutant.source: answer.mutant.source for answer in found.answers}
    texts = {source: parse(source) for source in parsed}
    print("\n".join(render(found, texts, width())))
    place = (options.reports or sheet.file.parent / "reports") / f"{sheet.file.stem.removesuffix('_sheet')}_challenge.json"
    save_record(as_data(found, texts), place)
    print(f"outcome: {place}")
    if found.interrupted:
        return 130
    return 1 if options.at_least is not None and (found.score is None or 100 * found.score < options.at_least) else 0
