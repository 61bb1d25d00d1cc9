"""Progress on the error stream: one line, only on a terminal, only for what takes over a second."""

from __future__ import annotations

import sys
import time

WIDTH = 24


class ProgressLine:
    """A bar that appears after a second and leaves no trace."""

    def __init__(self, enabled: bool | None = None) -> None:
        self.enabled = sys.stderr.isatty() if enabled is None else enabled
        self.label, self.began, self.shown = "", 0.0, 0.0

    def __call__(self, label: str, done: int, total: int) -> None:
        """Note progress of one phase."""
        now = time.monotonic()
        if label != self.label:
            self.label, self.began = label, now
        if not self.enabled or now - self.began < 1.0 or now - self.shown < 0.1:
            return
        self.shown = now
        share = done / max(1, total)
        bar = "#" * int(WIDTH * share)
        left = (now - self.began) * (1 - share) / max(share, 1e-6)
        sys.stderr.write(f"\r\x1b[K{bar:<{WIDTH}} {share:5.1%}  {label}, about {left:.0f} s left")
        sys.stderr.flush()

    def clear(self) -> None:
        """Remove the line."""
        if self.enabled:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()
