"""What a day of samples costs: 24 h at 96 kHz of a cheap step, for print, never asserted.

    pytest tests/benchmarks/test_long_run.py -s                          1/64 of it, scaled
    PREFLASH_BENCH_FULL=1 pytest tests/benchmarks/test_long_run.py -s    all of it

The limit of the design: about a minute on one core.
"""

import os
import time
from math import inf
from pathlib import Path
from typing import Any

import pytest

from firmware_shim.crew import Crew
from verify.binding import make_benches
from verify.claims.long_run import KeepsGoing
from verify.machines.check import stand_of
from verify.machines.long_judging import judged
from verify.machines.long_run import LongBudget, long_run
from verify.sheet import load_sheet

SHARE = 1 if os.environ.get("PREFLASH_BENCH_FULL") else 64
C = """\
typedef struct { float y, a; } lag_t;
void lag_init(lag_t *s, float rate) { s->y = 0.0f; s->a = 48.0f / rate; }
float lag_step(lag_t *s, float x) { s->y += s->a * (x - s->y); return s->y; }
"""
SHEET = f"""\
from verify import *
s = Sheet(sources=["lag.c"], flags="-O2", builds=["host"])
s.machine("lag", state="lag_t", init="lag_init(state, sample_rate_hz)", step="y = lag_step(state, x)",
          inputs=[binary32("x", 0, 1, "full scale")], outputs=[signal("y", "full scale")], sample_rates_hz=[96_000],
          claims=[keeps_going(hours=24 / {SHARE}, every_seconds=2, because="x")])
"""


@pytest.mark.nightly
def test_a_day_of_a_cheap_step(benchmark: Any, tmp_path: Path, gcc: str) -> None:
    (tmp_path / "lag.c").write_text(C, encoding="utf-8")
    (tmp_path / "lag_sheet.py").write_text(SHEET, encoding="utf-8")
    sheet = load_sheet(tmp_path / "lag_sheet.py")
    (bench,) = make_benches(sheet)
    assert bench.engine is not None and bench.built is not None
    stand = stand_of(sheet.machines[0], bench.built)
    (claim,) = [c for c in sheet.machines[0].claims if isinstance(c, KeepsGoing)]

    with Crew(bench.engine, 1) as crew:

        def run() -> Any:
            return long_run(stand, claim, crew, lambda *_: None, LongBudget(inf, inf))

        crew.run(stand.job([]))  # the worker is there before time counts
        began, spent = time.perf_counter(), crew.processor_seconds()
        seen = benchmark.pedantic(run, rounds=1)
        seconds, spent = (time.perf_counter() - began) * SHARE, (crew.processor_seconds() - spent) * SHARE
    found, ran, _ = judged(stand, seen)
    steps = 24 * 3600 * 96_000
    print(f"\n24 h at 96 kHz, {ran}, scaled by {SHARE}: {spent:.0f} s of processor time, "
          f"{1e9 * spent / steps:.2f} ns per step, {seconds:.0f} s by the clock")

    assert (0, True) == (found.failing, seen.result.runs[0].longer.done == 43_200 // SHARE)
