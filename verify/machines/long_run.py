"""Long runs: one script over and over, in a contained child, while this process shows how far it is."""

from __future__ import annotations

import contextlib
import mmap
import struct
import tempfile
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from math import ceil, inf
from pathlib import Path

from firmware_shim.crew import Crew
from firmware_shim.script_job import LongRun, ScriptResult
from verify.claims.long_run import UNROLLED, KeepsGoing
from verify.hunt import Progress
from verify.machines.long_reference import Ends, ends_of
from verify.machines.machine import Machine
from verify.machines.periods import period_script
from verify.machines.running import Stand
from verify.machines.script import Script

LOOK_EVERY_SECONDS = 0.2
# The wait for two equal periods ends here, or after an eighth of the whole.
SETTLE_MOST = 256
# Of a run that can be kept as a tally only, this part is run again each time.
AGAIN = 50


@dataclass
class LongBudget:
    """How much of a long run is run. seconds: of the instrument's time; wall_seconds: a stop by the clock; kept: label of a
    claim -> file of states to go on from; witnesses: label -> periods after which it failed once."""

    seconds: float = inf
    wall_seconds: float = inf
    kept: dict[str, Path] = field(default_factory=dict)
    witnesses: dict[str, int] = field(default_factory=dict)


@dataclass(frozen=True)
class LongSeen:
    """One long run. ends, why_no_ends: of each output; periods: how many were wanted; all: in the whole of the stated hours;
    interrupted: by Ctrl-C."""

    claim: KeepsGoing
    script: Script
    result: ScriptResult
    ends: tuple[Ends | None, ...]
    why_no_ends: tuple[str, ...]
    periods: int
    all: int
    interrupted: bool = False
    in_doubt: str = ""


def periods_of(machine: Machine, claim: KeepsGoing, seconds: float = inf) -> int:
    """Periods in the stated hours, or in so many seconds if that is less; never fewer than three."""
    rate = max(machine.sample_rates_hz)
    whole = int(claim.hours * 3600 * rate / int(claim.every_seconds * rate))
    return whole if seconds == inf else max(3, min(whole, ceil(seconds / float(claim.every_seconds))))


def long_run(stand: Stand, claim: KeepsGoing, crew: Crew, progress: Progress, budget: LongBudget) -> LongSeen:
    """Run it, on from what is kept. Kept states count only while all repeats and holds: else it is run from the start."""
    known = budget.witnesses.get(claim.label(), 0)
    seen = one_run(stand, claim, crew, progress, budget, known)
    outcome = seen.result.runs[0].longer
    path = budget.kept.get(claim.label())
    if outcome is None or path is None:
        return seen
    wrong = outcome.period >= 0 or seen.result.runs[0].stop is not None
    doubt = {"a kept stretch did not repeat": "a kept stretch came out otherwise when it was run again",
             "taken up": "what failed had been taken up from kept memory"}.get(outcome.start, "")
    if doubt and (wrong or outcome.start != "taken up"):
        with contextlib.suppress(OSError):
            path.unlink()
        again = one_run(stand, claim, crew, progress, replace(budget, kept={}), max(known, outcome.done))
        return replace(again, in_doubt=f"{doubt}: this is a run from the start")
    if wrong:
        with contextlib.suppress(OSError):
            path.unlink()
    return seen


def one_run(stand: Stand, claim: KeepsGoing, crew: Crew, progress: Progress, budget: LongBudget, least: int) -> LongSeen:
    """One job. Ctrl-C ends it at the end of a period."""
    machine = stand.machine
    script = period_script(machine, claim)
    whole = periods_of(machine, claim)
    periods = max(least, periods_of(machine, claim, budget.seconds))
    ends, why_no_ends = ends_of(machine, claim, whole)
    kept = budget.kept.get(claim.label())
    if kept is not None:
        with contextlib.suppress(OSError):
            kept.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.NamedTemporaryFile(prefix="preflash-long-") as told:
        told.write(bytes(16))
        told.flush()
        longer = LongRun(
            periods, max(1, min(SETTLE_MOST, whole // 8)), tuple(None if claim.limit is None else float(claim.limit)
                                                                for _ in machine.outputs),
            tuple(1.0 if o.is_float else float(o.scale) for o in machine.outputs), min(budget.wall_seconds, 1e9), told.name,
            tuple(None if e is None else (e.sure_low, e.sure_high, e.out_low, e.out_high) for e in ends), UNROLLED - 1,
            str(kept) if kept is not None else "", whole, least)
        job = replace(stand.job([script]), longer=longer)
        with mmap.mmap(told.fileno(), 16) as shared, ThreadPoolExecutor(1) as pool:
            future = pool.submit(crew.run, job)
            label = f"{machine.name}, {stand.build}: long run"
            interrupted = watch(future, shared, label, progress, periods * script.samples)
            return LongSeen(claim, script, future.result(), ends, why_no_ends, periods, whole, interrupted)


def watch(future: Future[ScriptResult], shared: mmap.mmap, label: str, progress: Progress, total: int) -> bool:
    """Show progress until the run is over; whether Ctrl-C ended it, which loses nothing."""
    interrupted = False
    while True:
        try:
            try:
                future.result(timeout=LOOK_EVERY_SECONDS)
                return interrupted
            except TimeoutError:
                if not interrupted:
                    progress(label, struct.unpack_from("<q", shared, 0)[0], total)
        except KeyboardInterrupt:
            interrupted = True
            struct.pack_into("<q", shared, 8, 1)
