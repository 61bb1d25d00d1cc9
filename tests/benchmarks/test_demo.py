"""The whole demo from nothing, with nothing changed, and after one edit: time on this computer against the limits.

    pytest tests/benchmarks/test_demo.py -s
"""

from __future__ import annotations

import os
import resource
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

pytestmark = [pytest.mark.nightly, pytest.mark.usefixtures("gcc")]
ROOT = Path(__file__).parents[2]
DEMO = ROOT / "firmware_shim" / "demo" / "good"


def timed(folder: Path, *words: str) -> tuple[float, float]:
    """(seconds, processor seconds) of one command, all of its processes together."""
    before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
    done = subprocess.run([sys.executable, "-m", "verify", *words, "--quiet"], cwd=folder, capture_output=True, text=True,
                          env={**os.environ, "PYTHONPATH": str(ROOT), "XDG_CACHE_HOME": str(folder / "cache")}, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return time.monotonic() - began, spent


def calibrated() -> float:
    """How much slower this computer is now than when it has nothing else to do: a loop of 5 million rounds in 0.45 s."""
    began, total = time.process_time(), 0
    for i in range(5_000_000):
        total += i * i % 7
    return (time.process_time() - began) / 0.45


def test_the_demo_from_nothing_and_again(tmp_path: Path) -> None:
    print(f"\nprocessor time of a calibrated loop: {calibrated():.2f} times that of the free computer")
    for what, limit in (("from nothing", 30.0), ("nothing changed", 2.0), ("nothing changed", 2.0)):
        seconds, spent = timed(tmp_path, "check")
        print(f"demo, {what}: {seconds:.1f} s, {spent:.1f} s of processor time (limit {limit:g} s on two free processors)")


def test_one_routine_edited(tmp_path: Path) -> None:
    for path in DEMO.iterdir():
        if path.is_file():
            shutil.copy(path, tmp_path)
    source = tmp_path / "bell_pitch.c"
    timed(tmp_path, "check", "bell_pitch_sheet.py")
    text = source.read_text()
    edited = text.replace("float bell_hz_from_volts(float volts)\n{", "float bell_hz_from_volts(float volts)\n{\n"
                          "    volatile float kept = volts; volts = kept;")
    assert edited != text
    source.write_text(edited)
    seconds, spent = timed(tmp_path, "check", "bell_pitch_sheet.py")
    print(f"\none routine edited: {seconds:.1f} s, {spent:.1f} s of processor time (limit 3 s on two free processors)")
