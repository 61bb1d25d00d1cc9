"""Progress on the error stream: one line, only on a terminal, only for what takes over a second."""

from __future__ import annotations

import mmap
import shutil
import struct
import sys
import threading
import time

WIDTH = 24


class ProgressLine:
    """A bar that appears a second after the start and leaves no trace."""

    def __init__(self, enabled: bool | None = None) -> None:
        self.enabled = sys.stderr.isatty() if enabled is None else enabled
        self.label, self.shown = "", 0.0
        self.began = self.started = time.monotonic()
        self.closed = False

    def __call__(self, label: str, done: int, total: int) -> None:
        """Note progress of one phase."""
        now = time.monotonic()
        if not self.label and self.enabled:
            # What makes no progress that could be told (a build) is named as well.
            late = threading.Timer(1.1, self.late)
            late.daemon = True
            late.start()
        if label != self.label:
            self.label, self.began = label, now
        share = done / max(1, total)
        if not self.enabled or now - self.started < 1.0 or now - self.shown < 0.1:
            return
        self.shown = now
        left = (now - self.began) * (1 - share) / max(share, 1e-6)
        told = f", about {left:.0f} s left" if now - self.began >= 1.0 and share > 0 else ""
        self.say(f"{'#' * int(WIDTH * share):<{WIDTH}} {share:5.1%}  {label}{told}")

    def say(self, text: str) -> None:
        """Show a line in place of the one that is there."""
        if self.enabled:
            # A line that wraps could not be taken away again.
            sys.stderr.write(f"\r\x1b[K{text[: shutil.get_terminal_size().columns - 1]}")
            sys.stderr.flush()

    def late(self) -> None:
        """After a second without a line, show where the run stands."""
        if not self.shown and not self.closed:
            self.say(f"{self.label} ...")

    def clear(self) -> None:
        """Remove the line."""
        self.closed = True
        self.say("")


class SharedNotes:
    """How far forked processes are, a slot each, for the one that waits for them and has the line."""

    SLOT_BYTES = 256
    HEAD = struct.Struct("<qqH")  # done, total, bytes of the label

    def __init__(self, count: int) -> None:
        self.memory = mmap.mmap(-1, self.SLOT_BYTES * max(1, count))

    def write(self, number: int, label: str, done: int, total: int) -> None:
        """Note progress of one phase; a progress function of a process of its own."""
        text = label.encode()[: self.SLOT_BYTES - self.HEAD.size]
        at = number * self.SLOT_BYTES
        self.memory[at : at + self.HEAD.size + len(text)] = self.HEAD.pack(done, total, len(text)) + text

    def read(self, number: int) -> tuple[str, int, int] | None:
        """(label, done, total) that was noted last, None for nothing. What is written meanwhile may be read in part."""
        at = number * self.SLOT_BYTES
        done, total, length = self.HEAD.unpack_from(self.memory, at)
        begin = at + self.HEAD.size
        return (self.memory[begin : begin + length].decode(errors="replace"), done, total) if length else None
