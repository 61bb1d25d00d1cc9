"""Files of our own that are kept from run to run: whether they are still as they were written.

A supply that fails, or a disk that is full or failing, leaves files empty, cut or changed; a library that is cut ends the
process that loads it, without a word.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from firmware_shim.build_inputs import hash_of
from firmware_shim.compiler import write_whole


def _note(path: Path) -> Path:
    return path.with_name(f"{path.name}.sum")


def keep(made: Path, path: Path) -> None:
    """Move a finished file to where it is kept, with a note of its bytes. Errors: OSError."""
    write_whole(_note(path), hash_of(made))
    os.replace(made, path)


def intact(path: Path) -> bool:
    """Whether a file is there as it was kept."""
    if not copied_intact(path, path):
        return False
    with contextlib.suppress(OSError):  # of what is used nothing is removed first; a cache may be for reading only
        os.utime(_note(path))
    return True


def copied_intact(path: Path, copy: Path) -> bool:
    """Whether a copy has the bytes with which the file was kept."""
    with contextlib.suppress(OSError, ValueError):
        return _note(path).read_text(encoding="utf-8") == hash_of(copy) != ""
    return False
