"""What scripts of a cheap envelope cost, running and judging by all its claims; for print, never asserted.

    pytest tests/benchmarks/test_scripts.py -s

The limit: 500 scripts of 48,000 samples a second on one core. Counted in processor time, since judging and running share
the machine with whatever else it does.
"""

import random
import time
from pathlib import Path
from typing import Any

from firmware_shim.crew import Crew
from verify.binding import make_benches
from verify.machines.check import claims_in, stand_of
from verify.machines.hunt import FEW, MachineHunt
from verify.machines.script import Happening, Script
from verify.sheet import load_sheet

SCRIPTS, SAMPLES, LIMIT = 400, 48_000, 500
SHEET = Path(__file__).parents[2] / "firmware_shim" / "demo" / "good" / "bell_time_sheet.py"


def test_scripts_of_a_cheap_envelope(benchmark: Any, gcc: str) -> None:
    sheet = load_sheet(SHEET)
    bench = next(bench for bench in make_benches(sheet) if bench.build == "host")
    assert bench.engine is not None and bench.built is not None
    machine = next(machine for machine in sheet.machines if machine.name == "bell_strike")
    claims, rng, scripts = claims_in(machine, "host"), random.Random(5), []
    for _ in range(SCRIPTS):
        moments = sorted(rng.randrange(SAMPLES // 2) for _ in range(rng.randrange(2, 9)))
        kinds = [rng.randrange(len(machine.events)) for _ in moments]
        scripts.append(Script(0, SAMPLES, tuple(
            Happening(at, kind, tuple(rng.randrange(grid.count) for grid in machine.events[kind].arguments))
            for at, kind in zip(moments, kinds, strict=True))))

    crew = Crew(bench.engine, 1)
    hunt = MachineHunt(stand_of(machine, bench.built), claims, crew, lambda *_: None, 1, SCRIPTS)
    hunt.take(scripts[: FEW + 1], (), "first", 0)
    workers, judging = crew.processor_seconds() - time.process_time(), time.process_time()
    benchmark.pedantic(lambda: hunt.take(scripts, (), "timed", 0), rounds=1)
    judging, workers_now = time.process_time() - judging, crew.processor_seconds() - time.process_time()
    running = workers_now - workers
    crew.close()
    rate = SCRIPTS / (judging + running)
    print(f"\n{SCRIPTS} scripts of {SAMPLES} samples, {len(claims)} claims: judging {1e3 * judging / SCRIPTS:.2f} ms each, "
          f"running {1e3 * running / SCRIPTS:.2f} ms; {rate:.0f} a second, {rate / LIMIT:.2f} of the limit")

    assert all(tried.scripts <= SCRIPTS + FEW + 1 for tried in hunt.tried)
    assert not any(tried.failing_scripts or tried.fault for tried in hunt.tried)
