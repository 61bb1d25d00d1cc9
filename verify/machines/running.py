"""Scripts through the crew: jobs of bounded size, variants of the same scripts, observations."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from firmware_shim.crew import Crew
from firmware_shim.script_job import Script as ShimScript
from firmware_shim.script_job import ScriptJob, ScriptResult
from firmware_shim.script_running import COUNTER
from verify.claims.flushed import FLUSHED
from verify.claims.frequency import KeepsFrequency
from verify.machines.machine import Machine, c_type_of, type_number
from verify.machines.observation import Observation
from verify.machines.script import Script, for_shim

JOB_SAMPLES = 1 << 21
# 8 million samples of a float are 32 MiB.
LONGEST_KEPT = 1 << 23
# So far a signal is looked at for the level at which its periods are then counted.
LEVEL_SAMPLES = 1 << 22
JOB_SCRIPTS = 256
CUTS = {"blocks of 1": (1,), "blocks of 7": (7,), "blocks of 1009": (1009,), "random blocks": (5, 64, 1, 333, 31, 2)}
ON_HOST = "this computer"
# As pf_fresh of the engine reads them: a byte, or words of 1.
FILLS = {"memory of ones": 0xFF, "memory of 0x7f": 0x7F, "memory of 1": 256}


@dataclass(frozen=True)
class Stand:
    """A machine bound to one build, ready to run."""

    machine: Machine
    build: str
    library: str
    symbol: str
    regions: tuple[tuple[int, int], ...] = ()
    prototype: str = ""
    definition: str = ""
    notes: tuple[str, ...] = ()
    identity: str = ""
    default_nan: bool = False
    host: Stand | None = None
    core: str = ""
    clock_hz: float | None = None
    levels: Mapping[str, Stand] = field(default_factory=dict)

    def other(self, variant: str) -> Stand | None:
        """What a variant of a script runs on: another build, or this one; None where that build is not there."""
        if variant == ON_HOST:
            return self.host
        return self.levels.get(variant) if variant.startswith("-") else self

    def job(self, scripts: Sequence[Script], variant: str = "", ready: Sequence[ShimScript] | None = None) -> ScriptJob:
        """One job; the variant says what is different from the plain run. ready: the scripts as the shim runs them."""
        machine = self.machine
        plain = [for_shim(script, machine) for script in scripts] if ready is None else ready
        if variant in CUTS:
            plain = [replace(script, cuts=CUTS[variant]) for script in plain]
        if variant in FILLS:
            plain = [replace(script, fill=FILLS[variant]) for script in plain]
        return ScriptJob(
            library=self.library,
            machine=self.symbol,
            scripts=tuple(plain),
            input_types=tuple(type_number(c_type_of(grid)) for grid in machine.inputs),
            output_types=tuple(output.type_number for output in machine.outputs),
            flush_to_zero=machine.flush_to_zero != (variant == FLUSHED),
            events=self.build.endswith("strict"),
            regions=self.regions,
            peripherals=machine.peripherals,
            call_limit_seconds=machine.call_limit_seconds,
            guard="begin" if variant == "again" else "end",
            twin=variant == "beside another",
            reinit=variant == "used memory",
            block=bool(machine.block),
            default_nan=self.default_nan,
        )


def batches(scripts: Sequence[Script]) -> Iterator[list[Script]]:
    """Scripts in groups of bounded size."""
    group: list[Script] = []
    size = 0
    for script in scripts:
        if group and (size + script.samples > JOB_SAMPLES or len(group) >= JOB_SCRIPTS):
            yield group
            group, size = [], 0
        group.append(script)
        size += script.samples
    if group:
        yield group


def observe(stand: Stand, scripts: Sequence[Script], crew: Crew, variants: Sequence[str]) -> Iterator[Observation]:
    """Observations in the order of the scripts; those that came back are run again in each wanted variant. Scripts that are
    too long to be kept are counted, once for each claim that counts."""
    kept = [script for script in scripts if script.samples <= LONGEST_KEPT]
    for seen in _kept(stand, kept, crew, variants):
        seen.engine = crew.engine
        yield seen
    yield from counted(stand, [script for script in scripts if script.samples > LONGEST_KEPT], crew)


def counted(stand: Stand, scripts: Sequence[Script], crew: Crew) -> Iterator[Observation]:
    """Long runs: every claim that counts sees each of them, counted again where the signal lies beside the level."""
    machine = stand.machine
    claims = [claim for claim in machine.claims if isinstance(claim, KeepsFrequency)]
    asked = [(script, claim) for script in scripts for claim in claims]

    counts = {number: claim.count(machine) for number, (_, claim) in enumerate(asked)}
    answers: dict[int, ScriptResult] = {}

    def play(numbers: Sequence[int], most: int) -> list[int]:
        """Run some of them, each up to so many samples; those that another level, now noted, would count better."""
        jobs = []
        for number in numbers:
            script, count = asked[number][0], counts[number]
            short = for_shim(script.cut_to(count.row), machine)
            jobs.append(replace(stand.job([]), scripts=(replace(short, samples=min(most, script.samples), count=count),)))
        for place, result in crew.run_all(jobs):
            answers[numbers[place]] = result
        better = {number: other for number in numbers if (other := asked[number][1].recount(
            machine, counts[number], answers[number].runs[0].rows)) is not None}
        counts.update(better)
        return sorted(better)

    if asked:
        longest = max(script.samples for script in scripts)
        play([number for number, (_, claim) in enumerate(asked) if claim.about is None], LEVEL_SAMPLES)
        play(play(range(len(asked)), longest), longest)
    for number, (script, claim) in enumerate(asked):
        run, label = answers[number].runs[0], claim.label()
        raw = {output.name: np.zeros(0) for output in machine.outputs}
        seen = Observation(machine, script, stand.build, raw, run.done, dict(run.flags), run.stop,
                           late_allocation=run.late_allocation, heap=run.heap, counted_for=label)
        seen.rows = run.rows if run.rows is not None else np.zeros(0, COUNTER)
        yield seen


def _kept(stand: Stand, scripts: Sequence[Script], crew: Crew, variants: Sequence[str]) -> Iterator[Observation]:
    groups = list(batches(scripts))
    variants = [word for word in variants if stand.other(word) is not None]
    answers: dict[int, list[Observation]] = {}
    following = 0
    # Input streams are made once for all variants.
    ready = [[for_shim(script, stand.machine) for script in group] for group in groups]
    for number, result in crew.run_all([stand.job(group, "", plain) for group, plain in zip(groups, ready, strict=True)]):
        answers[number] = [_one(stand, script, result, k) for k, script in enumerate(groups[number])]
        if variants:
            continue
        while following in answers:
            yield from answers.pop(following)
            following += 1
    if not variants:
        return
    again = {number: [k for k, seen in enumerate(found) if seen.stop is None] for number, found in answers.items()}
    asked = [(number, word) for number in sorted(answers) for word in variants if again[number]]
    jobs = []
    for number, word in asked:
        other = stand.other(word) or stand
        plain = [ready[number][k] for k in again[number]] if other.machine is stand.machine else None
        jobs.append(other.job([groups[number][k] for k in again[number]], word, plain))
    for place, result in crew.run_all(jobs):
        number, word = asked[place]
        for k, where in enumerate(again[number]):
            beside = _one(stand, groups[number][where], result, k, second=word == "used memory")
            answers[number][where].variants[word] = beside.raw
            if beside.touched[0] >= 0:
                answers[number][where].touched = beside.touched
    for number in sorted(answers):
        yield from answers[number]


def _one(stand: Stand, script: Script, result: Any, number: int, second: bool = False) -> Observation:
    run = result.runs[number]
    outputs = run.again if second and run.again is not None else run.outputs
    names = [output.name for output in stand.machine.outputs]
    raw = {name: np.asarray(values) for name, values in zip(names, outputs, strict=True)}
    events = [(sample, event) for place, sample, event in result.recorded if place == number]
    done = min((len(v) for v in raw.values()), default=0)
    return Observation(stand.machine, script, stand.build, raw, done, dict(run.flags), run.stop, events, run.late_allocation,
                       run.touched, run.heap)
