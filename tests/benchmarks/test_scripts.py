"""What scripts of a cheap envelope cost, running and judging by all its claims; for print, never asserted.

    pytest tests/benchmarks/test_scripts.py -s

The limits: 500 scripts of 48,000 samples a second on one core; 2,000 scripts of every machine of the demo within 10 s.
Counted in processor time, since judging and running share the machine with whatever else it does.
"""

import random
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from firmware_shim.crew import Crew
from verify.binding import make_benches
from verify.machines.check import claims_in, stand_of
from verify.machines.hunt import FEW, MachineHunt
from verify.machines.script import Happening, Script
from verify.sheet import load_sheet

SCRIPTS, SAMPLES, LIMIT = 400, 48_000, 500
BUDGET, BUDGET_SECONDS = 2_000, 10.0
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


@pytest.mark.nightly
def test_the_default_budget_of_every_machine_of_the_demo(gcc: str) -> None:
    found: dict[str, int] = {}
    for part in ("time", "voice"):
        sheet = load_sheet(SHEET.with_name(f"bell_{part}_sheet.py"))
        bench = next(bench for bench in make_benches(sheet, ("host",)) if bench.build == "host")
        assert bench.engine is not None and bench.built is not None
        for machine in sheet.machines:
            # Hours of one script are a figure of their own.
            short = replace(machine, claims=[claim for claim in machine.claims if claim.name != "keeps_going"])
            crew = Crew(bench.engine, 1)
            hunt = MachineHunt(stand_of(short, bench.built), claims_in(short, "host"), crew, lambda *_: None, 1, BUDGET)
            began, before = time.monotonic(), time.process_time()
            hunt.run([])
            seconds, spent = time.monotonic() - began, crew.processor_seconds() - before
            crew.close()
            found[machine.name] = tried = max(one.scripts for one in hunt.tried)
            print(f"\n{machine.name}: {tried} scripts in {seconds:.1f} s, {spent:.1f} s of processor time: "
                  f"{seconds / BUDGET_SECONDS:.2f} of the limit", end="")
            assert not any(one.failing_scripts or one.fault for one in hunt.tried), machine.name
    print()
    assert found and all(found.values())
