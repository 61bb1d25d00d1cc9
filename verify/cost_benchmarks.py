"""Costs as ordinary benchmarks of pytest-benchmark: stored and compared as any other.

What is stored as time is the time on the board: the pessimistic end of the estimated cycles of the dearest call
found, at the sheet's clock. Counts do not scatter, so every change that a comparison shows is one of the code. Time on this
computer is measured, round by round, and does scatter; extra_info has its ratio to a loop of our own.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from verify.cost_report import entry_of, machine_entry_of
from verify.errors import UsageError
from verify.host_cost import host_cost, machine_host_cost
from verify.machines.check import stand_of
from verify.machines.costs import hunted
from verify.machines.machine import Machine

if TYPE_CHECKING:
    import pytest

    from verify.routine import Routine
    from verify.session import Check

ROUNDS = 2


def counted(check: Check, routine: Routine | Machine) -> dict[str, Any]:
    """The routine's entry of a cost record; ``check`` is open. Errors: ShimError where the board's build is blocked."""
    sheet = check.sheet
    bench = next(bench for bench in check.benches if bench.build == "board")
    if bench.built is None:
        assert bench.problem is not None
        raise bench.problem
    if routine.name in bench.apart:
        raise bench.apart[routine.name]
    if isinstance(routine, Machine):
        stand = stand_of(routine, bench.built, default_nan=sheet.default_nan, core=sheet.core or "")
        return machine_entry_of(stand, hunted(stand, check.crew, check.plan.seed))
    bound = bench.bounds[routine.name]
    return entry_of(bound, check.prober.cost(bound))


def session_of(item: pytest.Item) -> Any:
    """That of pytest-benchmark. Errors: UsageError without it."""
    session = getattr(item.config, "_benchmarksession", None)
    if session is None:
        raise UsageError("benchmarks need pytest-benchmark", where="--preflash-benchmark", why="it is not installed or off",
                         todo="pip install pytest-benchmark")
    return session


def timed(item: pytest.Item, check: Check, routine: Routine | Machine) -> None:
    """Time calls on this computer; each round is one that was measured. Errors: UsageError, ShimError."""
    session = session_of(item)
    bench = next(bench for bench in check.benches if bench.build == "host")
    if bench.built is None:
        assert bench.problem is not None
        raise bench.problem
    if routine.name in bench.apart:
        raise bench.apart[routine.name]
    found = (machine_host_cost(stand_of(routine, bench.built), check.crew) if isinstance(routine, Machine)
             else host_cost(bench.bounds[routine.name], check.prober))
    if found.problem:
        raise UsageError(f"{routine.name} could not be timed", where=check.sheet.file.name, why=found.problem,
                         todo="preflash check shows why")
    rounds = iter(found.times_ns[:, 0] * 1e-9)
    spent = 0.0

    def one_call() -> None:
        """The next round, as long as one call took in it."""
        nonlocal spent
        spent += next(rounds, 0.0)

    fixture = fixture_of(item, session, lambda: spent, f"this computer, one {found.per}")
    fixture.extra_info.update(found.entry())
    fixture.pedantic(one_call, rounds=len(found.times_ns))


def fixture_of(item: pytest.Item, session: Any, clock: Callable[[], float], group: str) -> Any:
    """pytest-benchmark's own, with a clock of ours."""
    from pytest_benchmark.fixture import BenchmarkFixture
    from pytest_benchmark.utils import NameWrapper

    options = {**session.options, "timer": NameWrapper(clock), "group": group}
    return BenchmarkFixture(item, add_stats=session.benchmarks.append, logger=session.logger, warner=item.warn,
                            disabled=session.disabled, **options)


def recorded(item: pytest.Item, check: Check, routine: Routine | Machine) -> None:
    """Count, and hand the figures to pytest-benchmark. Errors: UsageError without it, or without a clock."""
    session = session_of(item)
    if not check.sheet.clock_hz:
        raise UsageError("a benchmark needs the board's clock", where=check.sheet.file.name,
                         why="cycles are stored as the time that they take", todo="write Sheet(clock_hz=168_000_000)")
    entry = counted(check, routine)
    if not entry["counted"]:
        raise UsageError(f"{routine.name} could not be counted", where=check.sheet.file.name,
                         why=entry["problem"] or "no call came back", todo="preflash check shows why")
    part = next((p for p in entry.get("parts", ()) if p["name"] not in ("init",)), entry)
    seconds = part["cycles"]["pessimistic"] / float(check.sheet.clock_hz)
    ticks = itertools.count()

    def clock() -> float:
        """Each reading is one call on the board after the last."""
        return next(ticks) * seconds

    fixture = fixture_of(item, session, clock, f"board: {check.sheet.core}")
    fixture.extra_info.update({key: entry[key] for key in ("instructions", "cycles", "parts", "stack_bytes", "code_bytes",
                                                           "table_bytes", "counted") if key in entry})
    fixture.pedantic(lambda: None, rounds=ROUNDS)
