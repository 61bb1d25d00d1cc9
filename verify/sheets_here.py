"""All sheets of a project: what a hook or a job without a list of its own checks."""

from __future__ import annotations

import os
import re
from pathlib import Path

from verify.errors import UsageError

SUFFIX = "_sheet.py"
MENTIONS = re.compile(rb"^[ \t]*(from|import)[ \t]+verify\b", re.MULTILINE)
PASSED_BY = ("node_modules", "build", "dist", "site-packages", "__pycache__")


def mentions_verify(path: Path) -> bool:
    """Whether a file imports the words of a sheet; an empty one is left to the reader of sheets to complain of."""
    try:
        text = path.read_bytes()
    except OSError:
        return False
    return not text.strip() or MENTIONS.search(text) is not None


def sheets_below(folder: Path) -> list[Path]:
    """Every sheet in a folder and below it; hidden folders, environments and build folders are passed by.

    Errors: UsageError when there is none.
    """
    found = []
    for place, folders, files in os.walk(folder):
        folders[:] = sorted(name for name in folders if not name.startswith(".") and name not in PASSED_BY
                            and not (Path(place) / name / "pyvenv.cfg").exists())
        found += [Path(place) / name for name in sorted(files) if name.endswith(SUFFIX)]
    found = [path for path in found if mentions_verify(path)]
    if not found:
        raise UsageError("there is no sheet here", where=str(folder), why=f"no *{SUFFIX} that imports verify, here or below",
                         todo="run this where the sheets are, or name them")
    return found
