"""Long runs: one script over and over, in a contained child, while this process shows how far it is."""

from __future__ import annotations

import mmap
import struct
import tempfile
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace

from firmware_shim.crew import Crew
from firmware_shim.engine import FLAG_KINDS
from firmware_shim.script_job import LongOutcome, LongRun, ScriptResult
from verify.claims.in_time import Judgement
from verify.claims.long_run import SETTLE, KeepsGoing
from verify.hunt import Progress
from verify.judging.verdict import grouped
from verify.machines.catalogue import settings_at
from verify.machines.machine import Machine
from verify.machines.running import Stand
from verify.machines.script import Happening, Piece, Script

LOOK_EVERY_SECONDS = 0.2


def period_script(machine: Machine, claim: KeepsGoing) -> Script:
    """One period: settings at its start, gates on for half of it, triggers twice, inputs between a quarter and three."""
    rate = machine.sample_rates_hz.index(max(machine.sample_rates_hz))
    samples = int(claim.every_seconds * machine.sample_rates_hz[rate])
    gates = [n for n, kind in enumerate(machine.events) if kind.is_gate]
    triggers = [n for n, kind in enumerate(machine.events) if not kind.arguments]
    events = [*settings_at(machine, "middle")]
    for number in gates:
        events += [Happening(samples // 10, number, (1,)), Happening(samples * 6 // 10, number, (0,))]
    for number in triggers:
        events += [Happening(samples // 10, number), Happening(samples // 2, number)]
    streams = []
    for grid in machine.inputs:
        low, high = (grid.index_near(grid.low + (grid.high - grid.low) * share / 4) for share in (1, 3))
        streams.append((Piece(0, "square", high, low, max(1, samples // 2)),))
    return Script(rate, samples, tuple(sorted(events, key=lambda e: e.sample)), tuple(streams))


def long_run(stand: Stand, claim: KeepsGoing, crew: Crew, progress: Progress, wall_seconds: float) -> tuple[
        Script, ScriptResult]:
    """Run it. An interrupt ends the run, keeps what came, and is raised again by the caller's next step."""
    machine = stand.machine
    script = period_script(machine, claim)
    rate = machine.sample_rates_hz[script.rate]
    periods = int(claim.hours * 3600 * rate / script.samples)
    total = periods * script.samples
    with tempfile.NamedTemporaryFile(prefix="preflash-long-") as told:
        told.write(bytes(16))
        told.flush()
        longer = LongRun(periods, SETTLE, tuple(float(claim.limit) for _ in machine.outputs),
                         tuple(1.0 if o.is_float else float(o.scale) for o in machine.outputs),
                         min(wall_seconds, 1e9), told.name)
        job = replace(stand.job([script]), longer=longer)
        with mmap.mmap(told.fileno(), 16) as shared, ThreadPoolExecutor(1) as pool:
            future = pool.submit(crew.run, job)
            try:
                watch(future, shared, f"{machine.name}, {stand.build}: long run", progress, total)
            except KeyboardInterrupt:
                struct.pack_into("<q", shared, 8, 1)
                future.result()
                raise
            return script, future.result()


def watch(future: Future[ScriptResult], shared: mmap.mmap, label: str, progress: Progress, total: int) -> None:
    """Show progress until the run is over."""
    while True:
        try:
            future.result(timeout=LOOK_EVERY_SECONDS)
            return
        except TimeoutError:
            progress(label, struct.unpack_from("<q", shared, 0)[0], total)


def time_text(seconds: float) -> str:
    """A duration in the unit a person would use."""
    for size, unit in ((3600, "h"), (60, "min")):
        if seconds >= size:
            return f"{seconds / size:.4g} {unit}"
    return f"{seconds:.4g} s"


def judged(stand: Stand, claim: KeepsGoing, script: Script, result: ScriptResult) -> tuple[Judgement, str]:
    """What the run says, and how much of it was run in words."""
    run, machine = result.runs[0], stand.machine
    rate = float(machine.sample_rates_hz[script.rate])
    found = Judgement()
    outcome = run.longer
    if outcome is None or (run.stop is not None and outcome.done == 0):
        why = run.stop.why if run.stop is not None else result.load_problem
        return Judgement(facts=[f"the long run did not start: {why}"]), "nothing run"
    ran = f"{time_text(outcome.done * script.samples / rate)} of {time_text(float(claim.hours * 3600))} run"
    if run.stop is not None:
        found.note(1.0, max(0, run.stop.ordinal), True, run.stop.why, "that it goes on",
                   f"{run.stop.kind} in period {outcome.done + 1}, after {time_text(outcome.done * script.samples / rate)}")
        return found, ran
    difference(found, machine, script, outcome, rate)
    flags(found, machine, script, outcome, rate)
    if not found.valid:
        found.valid = outcome.done - 1 - SETTLE
        found.worst, found.at = outcome.worst, 0
    found.facts.append(f"{ran}: {grouped(outcome.done)} periods, {grouped(outcome.done * script.samples)} samples at "
                       f"{rate:g} Hz, each computed")
    if outcome.done < int(claim.hours * 3600 * machine.sample_rates_hz[script.rate] / script.samples) and not found.failing:
        found.facts.append("stopped by the clock; --thorough runs it to its end")
    return found, ran


def difference(found: Judgement, machine: Machine, script: Script, outcome: LongOutcome, rate: float) -> None:
    """The first sample that is not as in the second period."""
    if outcome.period < 0:
        return
    output = machine.outputs[outcome.output]
    since = (outcome.period * script.samples + outcome.sample) / rate
    found.note(abs(outcome.got - outcome.wanted), outcome.sample, True, f"{output.name} = {outcome.got:.9g}",
               f"{outcome.wanted:.9g} {output.unit}, as in the second period".replace("  ", " "),
               f"differs in period {grouped(outcome.period + 1)}, {time_text(since)} after the start, when "
               f"{grouped(outcome.period * script.samples + outcome.sample)} samples had been made{near(outcome, script)}")


def near(outcome: LongOutcome, script: Script) -> str:
    """Round numbers of counters that lie within the period of the difference, or just before it."""
    made = outcome.period * script.samples + outcome.sample
    words = []
    for bits, what in ((15, "int16"), (16, "uint16"), (24, "whole numbers in float"), (31, "int32"), (32, "uint32")):
        if -2 <= made - 2**bits <= 2 * script.samples and outcome.period > 2 * SETTLE + 1:
            words.append(f"2^{bits} samples ({what})")
        for events in {len(script.events), *(sum(e.kind == kind for e in script.events) for kind in {
                e.kind for e in script.events})}:
            if events and outcome.period > 2 * SETTLE + 1 and 0 <= outcome.period * events - 2**bits + events <= 2 * events:
                words.append(f"2^{bits} events ({what})")
    return f"; near {', '.join(dict.fromkeys(words))}" if words else ""


def flags(found: Judgement, machine: Machine, script: Script, outcome: LongOutcome, rate: float) -> None:
    """Events inside that the first two periods did not raise."""
    for kind, (period, sample) in sorted(outcome.flags.items()):
        if period <= SETTLE:
            continue
        since = (period * script.samples + sample) / rate
        found.note(1.0, sample, True, f"{FLAG_KINDS[kind]} inside", "no event that the first two periods do not have",
                   f"{FLAG_KINDS[kind]} in period {grouped(period + 1)}, {time_text(since)} after the start")
