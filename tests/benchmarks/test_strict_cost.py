"""What the checks cost: the strict build beside the host's, status flags, a worker's start; figures for print.

    pytest tests/benchmarks/test_strict_cost.py -s -m nightly

The limits of the design: (strict) at most 3 times the host's processor time over the demo, (flags) at most 5 %,
(restart) below 50 ms. Processor time is counted, so that other load matters less.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from statistics import median

import numpy as np
import pytest

from firmware_shim.crew import Crew
from firmware_shim.job import Job
from firmware_shim.processes import processor_seconds
from verify.binding import claims_for, make_benches, ready_engine
from verify.hunting.plan import Plan
from verify.machines.check import claims_in, stand_of
from verify.machines.generation import drawn
from verify.machines.running import Stand
from verify.sheet import Sheet, load_sheet

pytestmark = [pytest.mark.usefixtures("gcc", "private_cache"), pytest.mark.nightly]

DEMO = Path(__file__).parents[2] / "firmware_shim" / "demo"
SHEETS = ("bell_pitch_sheet.py", "bell_time_sheet.py", "bell_voice_sheet.py")
CASES, SCRIPTS = 1 << 22, 64


def used_seconds(crew: Crew, run: Callable[[], object]) -> float:
    """Processor time of the crew's one worker and of all its children that ended, during a run."""
    def spent() -> float:
        started = crew.members[0].started
        return processor_seconds(started.pid, with_ended=True) if started is not None else 0.0

    began = spent()
    run()
    return spent() - began


def sheet_of(name: str) -> Sheet:
    return load_sheet(next(DEMO.rglob(name)))


def jobs_of(sheet: Sheet, build: str) -> list[Job]:
    """Every function of a sheet over its domain, or CASES of it."""
    bench = next(bench for bench in make_benches(sheet) if bench.build == build)
    found = []
    for bound in bench.bounds.values():
        if bound.routine.stages is None:
            count = min(bound.domain.count, CASES)
            tests = tuple(test for test in (claim.test(bound) for claim in claims_for(bound)) if test is not None)
            found.append(Job(bound.library, bound.loop, bound.domain.axes(), bound.output_type,
                             np.array([[0, count, 31]], np.int64), bound.output_scale, tests, events=build == "strict",
                             peripherals=bound.peripherals, regions=bound.regions))
    return found


def stands_of(sheet: Sheet, build: str) -> list[Stand]:
    built = next(bench.built for bench in make_benches(sheet) if bench.build == build)
    assert built is not None
    return [stand_of(machine, built) for machine in sheet.machines if claims_in(machine, build)]


def played(crew: Crew, stands: list[Stand]) -> None:
    for stand in stands:
        for scripts in drawn(stand.machine, SCRIPTS, Plan().seed):
            crew.run(stand.job(scripts))


@pytest.mark.parametrize("name", SHEETS)
def test_the_strict_build_beside_the_host(name: str) -> None:
    sheet = sheet_of(name)
    engine = ready_engine(sheet)
    assert engine is not None
    seconds = {}
    with Crew(engine, 1) as crew:
        for build in ("host", "strict"):
            jobs, stands = jobs_of(sheet, build), stands_of(sheet, build)

            def run(jobs: list[Job] = jobs, stands: list[Stand] = stands) -> None:
                for job in jobs:
                    crew.run(job)
                played(crew, stands)

            run()
            seconds[build] = min(used_seconds(crew, run) for _ in range(3))
    ratio = seconds["strict"] / seconds["host"]
    print(f"\n{name}: host {seconds['host']:.2f} s, strict {seconds['strict']:.2f} s of processor time: {ratio:.2f} times")

    assert 0 < ratio < 20


def test_status_flags_cost_next_to_nothing() -> None:
    """The flags are read once a block of 1024: the same sweep with and without them counted as events."""
    sheet = sheet_of(SHEETS[0])
    engine = ready_engine(sheet)
    assert engine is not None
    jobs = jobs_of(sheet, "host")
    with Crew(engine, 1) as crew:
        seconds: dict[int, list[float]] = {0: [], 31: []}
        for _ in range(11):
            for mask in seconds:
                marked = [replace(job, segments=np.array([[0, int(job.segments[0][1]), mask]], np.int64)) for job in jobs]
                seconds[mask].append(used_seconds(crew, lambda marked=marked: [crew.run(job) for job in marked]))
    without, with_flags = (min(part) for part in seconds.values())
    print(f"\nstatus flags: {100 * (with_flags / without - 1):+.1f} % (without {without:.3f} s)")

    assert with_flags < 2 * without


def test_a_stop_costs_a_fork_and_not_a_worker(tmp_path: Path) -> None:
    """What goes on behind a crash: a child forked from the living worker."""
    (tmp_path / "stop.c").write_text(
        "#include <stdint.h>\nfloat f(uint16_t code) { if (code & 1) __builtin_trap(); return code; }\n")
    (tmp_path / "stop_sheet.py").write_text(
        'from verify import *\ns = Sheet(sources=["stop.c"], builds=["host"])\n'
        's.function("f", inputs=[codes("code", bits=12)], output="", claims=[])\n')
    sheet = load_sheet(tmp_path / "stop_sheet.py")
    engine = ready_engine(sheet)
    assert engine is not None
    job = replace(jobs_of(sheet, "host")[0], most_stops=200)
    with Crew(engine, 1) as crew:
        crew.run(replace(job, most_stops=1))
        stopped: list[int] = []
        each = used_seconds(crew, lambda: stopped.append(len(crew.run(job).stops))) / 200
        starts, used = [], []
        for _ in range(9):
            began = time.perf_counter()
            crew.members[0].stop()
            crew.run(replace(job, most_stops=1))
            starts.append(time.perf_counter() - began)
            started = crew.members[0].started
            assert started is not None
            # Nanoseconds of the worker itself; its children are told in hundredths of a second only.
            used.append(int(Path(f"/proc/{started.pid}/schedstat").read_text().split()[0]) / 1e9)
    print(f"\na stop: {1000 * each:.2f} ms of processor time; a whole new worker with its first job: "
          f"{1000 * min(used):.0f} ms of processor time at best, {1000 * median(used):.0f} ms in the middle; "
          f"by the clock, under whatever load, {1000 * min(starts):.0f} and {1000 * median(starts):.0f} ms")

    assert [200] == stopped
