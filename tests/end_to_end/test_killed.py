"""A check that is killed at a random moment: the record is the old or a whole new one, witnesses stay, nothing runs on."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

pytestmark = pytest.mark.usefixtures("gcc", "private_cache")

ROOT = Path(__file__).parents[2]
C = """\
#include <stdint.h>
typedef struct { float y; } m_t;
void m_init(m_t *s) { s->y = 0.0f; }
float m_step(m_t *s, float x) { s->y += 0.25f * (x - s->y); return s->y; }
float half(uint16_t code) { return code == 777 ? 1e9f : (float)code * 0.5f; }
float stuck(uint16_t code) { volatile unsigned k = 0; while (code == 900) k++; return (float)k; }
"""
SHEET = """\
from verify import *
WHY = "invented"
s = Sheet(sources=["kill.c"], flags="-O2", builds=["host"])
s.function("half", inputs=[codes("code", bits=10)], output="V", claims=[stays_within(0, 512, because=WHY)])
s.function("stuck", inputs=[codes("code", bits=10)], output="", call_limit_seconds=0.2, claims=[])
s.machine("m", state="m_t", init="m_init(state)", step="y = m_step(state, x)", inputs=[binary32("x", -1, 1, "V")],
    outputs=[signal("y", "V")], scripts=64, longest_seconds=0.05, claims=[stays_within(-1, 1, because=WHY)])
"""
NAMES = {"half", "stuck", "m"}


def running_with(mark: str) -> list[str]:
    """Processes whose environment holds a mark, zombies left out."""
    found = []
    for entry in Path("/proc").iterdir():
        try:
            if entry.name.isdigit() and mark.encode() in (entry / "environ").read_bytes():
                found.append(entry.name)
        except OSError:
            continue
    return found


def checking(folder: Path, mark: str) -> subprocess.Popen[bytes]:
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "PLANTED_MARK": mark}
    return subprocess.Popen([sys.executable, "-m", "verify", "check", "kill_sheet.py", "--fresh"], cwd=folder,
                            env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def killed_runs(folder: Path, count: int) -> None:
    """A whole run, then so many that are killed; each is judged by what it leaves behind."""
    (folder / "kill.c").write_text(C, encoding="utf-8")
    (folder / "kill_sheet.py").write_text(SHEET, encoding="utf-8")
    mark, draw = f"mark-{os.getpid()}-{folder.name}", random.Random(7)
    began = time.monotonic()
    assert 1 == checking(folder, mark).wait(120)
    lasts = time.monotonic() - began
    record, stored = folder / "reports" / "kill.json", folder / "kill_witnesses.txt"
    before, lines = record.read_bytes(), stored.read_text(encoding="utf-8").splitlines()
    assert any("code=0x0309" in line for line in lines)
    for _ in range(count):
        run = checking(folder, mark)
        # Evenly over the run, its start and its end included.
        try:
            run.wait(draw.uniform(0.02, 1.1) * lasts)
        except subprocess.TimeoutExpired:
            run.send_signal(signal.SIGKILL)
            run.wait()
        waited = time.monotonic()
        while running_with(mark) and time.monotonic() - waited < 20:
            time.sleep(0.05)

        assert [] == running_with(mark)
        now = record.read_bytes()
        if now != before:
            read = json.loads(now)
            assert NAMES == {routine["name"] for routine in read["routines"]} and read["interrupted"] is False
            before = now
        assert set(lines) <= set(stored.read_text(encoding="utf-8").splitlines())


def test_a_check_killed_at_a_random_moment_loses_nothing_and_leaves_nothing(tmp_path: Path) -> None:
    killed_runs(tmp_path, 1)


@pytest.mark.nightly
def test_fifty_checks_killed_at_random_moments(tmp_path: Path) -> None:
    killed_runs(tmp_path, 50)
