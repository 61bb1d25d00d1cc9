"""Notes that a library of our own builds has been loaded before."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from firmware_shim.compiler import write_whole


class Loads:
    """A note beside a library of our own builds: it has been loaded, constructors and all, and nothing happened.

    Taken away while it is loaded again, so that a load which takes the worker along is tried in a child the next time.
    """

    def __init__(self, path: str) -> None:
        self.path, self.note = path, f"{path}.loads"

    def stamp(self) -> str:
        """Which file it is; "" for a file that is none of our builds."""
        if not os.path.exists(os.path.join(os.path.dirname(self.path), "manifest.json")):
            return ""
        return self.file()

    def file(self) -> str:
        """Which file it is. Errors: OSError."""
        known = os.stat(self.path)
        return f"{known.st_ino} {known.st_size} {known.st_mtime_ns} {known.st_ctime_ns}"

    def taken(self) -> bool:
        """Whether the note was there for this very file; it is gone now."""
        try:
            with open(self.note, encoding="utf-8", errors="replace") as stream:
                told = stream.read()
            os.unlink(self.note)
            return bool(told) and told == self.stamp()
        except OSError:
            return False

    def leave(self) -> None:
        """It was loaded, and this process still lives."""
        with contextlib.suppress(OSError):
            stamp = self.stamp()
            if stamp:
                write_whole(Path(self.note), stamp)

    def carry_to(self, copy: str) -> None:
        """Leave the note beside a copy, too, where it stands here. Errors: OSError."""
        with open(self.note, encoding="utf-8", errors="replace") as stream:
            told = stream.read()
        if told and told == self.stamp():
            other = Loads(copy)
            write_whole(Path(other.note), other.file())
