"""Costs as benchmarks: stored by pytest-benchmark, and a dearer routine fails its comparison."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.board.boards import NEEDED

pytest.importorskip("pytest_benchmark")
pytestmark = [*NEEDED, pytest.mark.nightly]  # three runs of pytest
C = "int half(int n) { int k, s = 0; for (k = 0; k < ROUNDS; k++) __asm__ volatile(\"nop\"); return n / 2 + s; }\n"
SHEET = """
from verify import *
s = Sheet(sources=["plant.c"], core="cortex-m4f", clock_hz=1_000_000, sample_rate_hz=1000, builds=["board"])
s.function("half", inputs=[integers("n", 0, 63, "")], output="", claims=[])
"""


def ran(folder: Path, rounds: int, *more: str) -> subprocess.CompletedProcess[str]:
    (folder / "plant_sheet.py").write_text(SHEET)
    (folder / "plant.c").write_text(C.replace("ROUNDS", str(rounds)))
    root = str(Path(__file__).parents[2])
    # Where this test runs in a worker of a distributed run, the inner run is none: benchmarks would be off.
    around = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST_XDIST")}
    return subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-k", "cost", "plant_sheet.py",
         "--preflash-benchmark", "--benchmark-storage=kept", *more],
        cwd=folder, capture_output=True, text=True, env={**around, "PYTHONPATH": root})


def test_costs_are_stored_and_compared(tmp_path: Path) -> None:
    first = ran(tmp_path, 10, "--benchmark-save=first")
    assert first.returncode == 0, first.stdout + first.stderr
    (stored,) = (json.loads(path.read_text()) for path in tmp_path.glob("kept/*/*_first.json"))
    (one,) = stored["benchmarks"]

    assert one["extra_info"]["counted"] == 64
    assert one["stats"]["mean"] == pytest.approx(one["extra_info"]["cycles"]["pessimistic"] / 1e6)
    again = ran(tmp_path, 10, "--benchmark-compare", "--benchmark-compare-fail=mean:1%")
    assert again.returncode == 0, again.stdout + again.stderr
    dearer = ran(tmp_path, 30, "--benchmark-compare", "--benchmark-compare-fail=mean:1%")
    assert dearer.returncode != 0
    assert "Performance has regressed" in dearer.stdout + dearer.stderr
