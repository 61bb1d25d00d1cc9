"""Files that are written whole or not at all: what stood there stays until the new one is complete."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Any

from verify.errors import UsageError


@contextlib.contextmanager
def whole_file(path: Path, mode: str = "w") -> Iterator[IO[Any]]:
    """A stream beside `path` that takes its place at the end; after an error nothing of it is left."""
    handle, part = tempfile.mkstemp(dir=path.parent, prefix=".part-")
    try:
        with os.fdopen(handle, mode, encoding=None if "b" in mode else "utf-8") as stream:
            yield stream
        os.replace(part, path)
    except BaseException:
        os.unlink(part)
        raise


def save_text(path: Path, text: str, what: str, todo: str, *, new_folder: bool = False) -> None:
    """Write a file that others may read; new_folder: make its folder first where there is none.

    Errors: UsageError "`what` cannot be written", with the reason and `todo`.
    """
    try:
        if new_folder:
            path.parent.mkdir(parents=True, exist_ok=True)
        with whole_file(path) as stream:
            stream.write(text)
            os.fchmod(stream.fileno(), 0o644)
    except OSError as problem:
        raise UsageError(f"{what} cannot be written", where=str(path), why=str(problem), todo=todo) from problem
