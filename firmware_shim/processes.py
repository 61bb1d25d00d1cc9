"""What the kernel tells of a worker's children, and their end."""

from __future__ import annotations

import contextlib
import os
import signal
from pathlib import Path

TICKS = os.sysconf("SC_CLK_TCK")


def processor_seconds(pid: int, with_ended: bool = False) -> float:
    """Processor time that a process has used so far; with_ended: and all of its children that ended, too."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rsplit(")", 1)[1].split()
    except OSError:
        return 0.0
    return sum(map(int, fields[11 : 15 if with_ended else 13])) / TICKS


def asleep(pid: int) -> bool:
    """Whether a child waits for something instead of computing."""
    try:
        return Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rsplit(")", 1)[1].split()[0] in "SDTt"
    except OSError:
        return False


def children() -> list[int]:
    """All present children of this process, adopted ones included."""
    found: list[int] = []
    for task in Path("/proc/self/task").iterdir():
        with contextlib.suppress(OSError):
            found += map(int, (task / "children").read_text(encoding="utf-8").split())
    return found


def end_descendants() -> int:
    """Kill and reap whatever the firmware started and left behind; returns how many there were."""
    ended = 0
    for _ in range(100):
        left = children()
        if not left:
            break
        ended += len(left)
        for pid in left:
            with contextlib.suppress(OSError):
                os.kill(pid, signal.SIGKILL)
        for pid in left:
            with contextlib.suppress(OSError):
                os.waitpid(pid, 0)
    return ended
