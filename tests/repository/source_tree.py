"""The files of this source tree as version control sees them."""

from __future__ import annotations

import subprocess
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
TEXT_SUFFIXES = {"", ".c", ".css", ".h", ".html", ".js", ".json", ".ld", ".md", ".py", ".s", ".toml", ".txt"}


@cache
def tracked() -> tuple[Path, ...]:
    """Files that are, or would on the next commit be, under version control; relative to ROOT."""
    listing = subprocess.run(
        # a checkout owned by another user is still ours to read
        ["git", "-c", "safe.directory=*", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        check=True,
        text=True,
    ).stdout
    files = sorted({Path(name) for name in listing.split("\0") if name})
    existing = tuple(path for path in files if (ROOT / path).is_file())
    assert Path("pyproject.toml") in existing, "the list of files is not that of this source tree"
    return existing


def text_of(path: Path) -> str:
    """Contents of a tracked text file."""
    return (ROOT / path).read_text(encoding="utf-8")


def tracked_text() -> tuple[Path, ...]:
    """Tracked files that people read."""
    return tuple(path for path in tracked() if path.suffix in TEXT_SUFFIXES)
