"""The terminal and the reports folder as commands meet them."""

from __future__ import annotations

import contextlib
import fcntl
import os
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

from verify.errors import UsageError

DEMO = Path(__file__).resolve().parent.parent / "firmware_shim" / "demo"
# What every command means by them.
ERRORS = "2 sheet or usage error, 3 it could not be run (no compiler, C that does not compile), 130 interrupted"
CAUTION = "First power-up: low volume, no headphones. A voltage out of range can harm other gear."


def width() -> int:
    """Columns to write for: at least 60, at most 120, 80 when piped."""
    return min(120, max(60, shutil.get_terminal_size((80, 24)).columns)) if sys.stdout.isatty() else 80


def colour() -> bool:
    """Whether to use colour."""
    return sys.stdout.isatty() and "NO_COLOR" not in os.environ and os.environ.get("TERM") != "dumb"


def make_reports_folder(folder: Path) -> None:
    """The folder; a new one is left out by git, since every run writes it anew. Errors: OSError."""
    if not folder.is_dir():
        folder.mkdir(parents=True, exist_ok=True)
        (folder / ".gitignore").write_text("# written anew by every run; what is kept lies beside the sheet\n*\n")


@contextlib.contextmanager
def only_one(folder: Path) -> Iterator[None]:
    """One run per reports folder."""
    try:
        make_reports_folder(folder)
        lock = open(folder / ".lock", "w")  # noqa: SIM115 - held open for the whole run
    except OSError as problem:
        raise UsageError("the reports folder cannot be written", where=str(folder), why=str(problem),
                         todo="make it writable, or give --reports FOLDER") from problem
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        lock.close()
        raise UsageError("another preflash is at work here", where=str(folder), why="its record would be overwritten",
                         todo="wait for it, or give --reports FOLDER") from None
    try:
        yield
    finally:
        lock.close()
