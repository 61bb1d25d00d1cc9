"""preflash report: a stored record as HTML, Markdown, CSV, JUnit XML or pictures; nothing is run."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from verify.errors import UsageError

NAME = "report"
HELP = "render a stored record: HTML (default), Markdown, CSV, JUnit XML or pictures; nothing is run"
EXAMPLE = "preflash report reports/voice.json --markdown"


def add(parser: argparse.ArgumentParser) -> None:
    """The arguments."""
    parser.add_argument("record", nargs="?", type=Path, help="a record (default: the newest one in reports/)")
    kind = parser.add_mutually_exclusive_group()
    for name in ("html", "markdown", "csv", "junit"):
        kind.add_argument(f"--{name}", dest="kind", action="store_const", const=name, help=f"write {name}")
    kind.add_argument("--pictures", dest="kind", action="store_const", const="pictures",
                      help="write each plot as PNG and SVG (--out FOLDER; default beside the record)")
    parser.set_defaults(kind="html")
    parser.add_argument("--out", type=Path, metavar="FILE", help="where to (HTML: default beside the record; others: print)")


def run(options: argparse.Namespace) -> int:
    """Render and write."""
    from verify.reports.html_page import save_page
    from verify.reports.record import is_cost, load_record
    from verify.reports.tables import csv_text, junit, markdown

    path = options.record or newest(Path("reports"))
    record = load_record(path)
    if options.kind == "html":
        out = options.out or path.with_suffix(".html")
        save_page(record, out)
        print(f"report: {out}")
        return 0
    if options.kind == "pictures":
        from verify.reports.pictures import save_pictures

        folder = options.out or path.parent / f"{path.stem}_pictures"
        print(f"pictures: {len(save_pictures(record, folder))} files in {folder}")
        return 0
    if is_cost(record):
        raise UsageError(f"a record of costs has no {options.kind} form", where=str(path),
                         why="preflash cost wrote it: it has figures and no claims",
                         todo="leave the option out for a page with bars, or name the record of a check")
    text = {"markdown": markdown, "csv": csv_text, "junit": junit}[options.kind](record)
    if options.out is None:
        sys.stdout.write(text)
        return 0
    try:
        options.out.write_text(text, encoding="utf-8")
    except OSError as problem:
        raise UsageError("the report cannot be written", where=str(options.out), why=str(problem),
                         todo="name a file in a folder that is there and writable") from problem
    print(f"report: {options.out}")
    return 0


def newest(folder: Path) -> Path:
    """The record written last. Errors: UsageError when there is none."""
    listed = [path for path in folder.glob("*.json") if not path.stem.endswith("_challenge")]
    found = sorted(listed, key=lambda path: path.stat().st_mtime)
    if not found:
        raise UsageError("there is no record here", where=str(folder), why="preflash check writes them",
                         todo="run preflash check, or name a record: preflash report FOLDER/reports/NAME.json")
    return found[-1]
