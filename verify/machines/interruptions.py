"""Interrupting a machine at every instruction: which steps, settings and scripts, and what came of it.

The moment of an interruption is written as the setter's event in a script: everything before it happens, then the
stretch that begins at its sample is run and interrupted. So a witness is a script as any other.
"""

from __future__ import annotations

import functools
import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from firmware_shim.build_cache import cached_info
from firmware_shim.crew import Crew
from firmware_shim.debug_info import DebugInfo
from firmware_shim.memory_map import symbol_at
from firmware_shim.script_job import Interruptions, Moment, ScriptResult
from verify.claims.in_time import Judgement
from verify.claims.interrupted import SafeWhenInterruptedBy
from verify.hunting.plan import DEFAULT_SCRIPTS
from verify.judging.verdict import grouped
from verify.machines.catalogue import settings_at
from verify.machines.generation import drawn, marked_places
from verify.machines.machine import Machine
from verify.machines.running import Stand
from verify.machines.script import Happening, Piece, Script, for_shim
from verify.number_formats import counted

FOLLOWING = 64
BLOCK_SAMPLES = 8
MOST_POINTS = 2048
MOMENTS, LEAST_MOMENTS = 96, 12
MOMENTS_PER_JOB = 8
LATEST_SAMPLE = 2048
WALL_SECONDS = 20.0
# (sample, how often the setter has come before).
AT_SAMPLES = ((1, 0), (11, 0), (1, 3), (200, 0), (200, 201))


@dataclass
class Interrupted:
    """Totals of one claim, and (script, judgement) of each moment."""

    found: list[tuple[Script, Judgement]] = field(default_factory=list)
    moments: int = 0
    tried: int = 0
    masked: int = 0
    instructions: int = 0
    thinned: int = 0
    matters: int = 0
    facts: list[str] = field(default_factory=list)


def planned(machine: Machine, setter: int, stored: Sequence[Script], count: int, seed: int) -> list[Script]:
    """Scripts that end with the setter's event: stored ones, ends of all ranges, generated ones."""
    found = dict.fromkeys(short for script in stored for short in ending_with(script, setter))
    listed = list(_listed(machine, setter))
    # An even choice of the listed ones, so that each place and each setting has its turn.
    share = max(1, len(listed) * 2 // max(1, count))
    found |= dict.fromkeys(listed[::share])
    if len(found) < count:
        for batch in drawn(machine, 4 * count, seed):
            for script in batch:
                found |= dict.fromkeys(list(ending_with(script, setter))[:2])
            if len(found) >= count:
                break
    return list(found)[: max(count, len(stored))]


def ending_with(script: Script, setter: int) -> Iterator[Script]:
    """The script up to each coming of the setter."""
    for place, e in enumerate(script.events):
        if e.kind == setter and e.sample <= LATEST_SAMPLE:
            yield replace(script.cut_to(e.sample + 1), events=script.events[: place + 1])


def _listed(machine: Machine, setter: int) -> Iterator[Script]:
    kind = machine.events[setter]
    gates = [n for n, k in enumerate(machine.events) if k.is_gate and n != setter]
    triggers = [n for n, k in enumerate(machine.events) if not k.arguments and n != setter]
    starts = tuple(Happening(0, n, (1,)) for n in gates) + tuple(Happening(0, n) for n in triggers)
    middle = [grid.index_near((grid.low + grid.high) / 2) for grid in kind.arguments]
    choices: list[tuple[int, ...]] = [tuple(middle)]
    for position, grid in enumerate(kind.arguments):
        for chosen in marked_places(grid):
            choices.append((*middle[:position], chosen, *middle[position + 1 :]))
    choices += [tuple(0 for _ in kind.arguments), tuple(grid.count - 1 for grid in kind.arguments)]
    streams = tuple((Piece(0, "ramp", 0, grid.count - 1, LATEST_SAMPLE),) for grid in machine.inputs)
    for begin in ("round", "middle", "low", "high"):
        for places in dict.fromkeys(choices):
            for sample, earlier in AT_SAMPLES:
                # What was set and not yet taken: a lost update may show in a full queue only.
                before = tuple(Happening(0, setter, choices[0]) for _ in range(earlier))
                events = (*settings_at(machine, begin), *starts, *before, Happening(sample, setter, places))
                yield Script(0, sample + 1, events, streams)


def lengthened(script: Script, samples: int) -> Script:
    """The same with room for what follows."""
    return replace(script, samples=script.events[-1].sample + samples + FOLLOWING)


def job_of(stand: Stand, claim: SafeWhenInterruptedBy, scripts: Sequence[Script], samples: int) -> Any:
    """One job: a moment for each script, which happens without the event that stands for it."""
    machine = stand.machine
    longer = [lengthened(script, samples) for script in scripts]
    shims = [for_shim(replace(script, events=script.events[:-1]), machine) for script in longer]
    moments = []
    for number, script in enumerate(longer):
        arguments = for_shim(replace(script, events=script.events[-1:]), machine).events[0][2]
        moments.append(Moment(number, script.events[-1].sample, samples, script.events[-1].kind, arguments))
    scales = tuple(1.0 if o.is_float and not o.fraction_bits else float(o.scale) for o in machine.outputs)
    asked = Interruptions(tuple(moments), FOLLOWING, MOST_POINTS, float(claim.limit), scales)
    return replace(stand.job([]), scripts=tuple(shims), interruptions=asked, most_stops=MOMENTS_PER_JOB,
                   most_hangs=MOMENTS_PER_JOB)


def interrupted(stand: Stand, claim: SafeWhenInterruptedBy, crew: Crew, scripts: Sequence[Script],
                wall_seconds: float = WALL_SECONDS) -> Interrupted:
    """Run all scripts; a stretch of a block machine has 8 samples, a step one."""
    whole = Interrupted()
    samples = BLOCK_SAMPLES if stand.machine.block else 1
    groups = [scripts[start : start + MOMENTS_PER_JOB] for start in range(0, len(scripts), MOMENTS_PER_JOB)]
    began = time.monotonic()

    def jobs() -> Iterator[Any]:
        for number, group in enumerate(groups):
            if number and time.monotonic() - began > wall_seconds:
                return
            yield job_of(stand, claim, group, samples)

    for number, result in crew.run_all(jobs()):
        take(whole, stand, claim, groups[number], samples, result)
    whole.facts += facts_of(whole, stand, samples, len(scripts))
    return whole


def take(whole: Interrupted, stand: Stand, claim: SafeWhenInterruptedBy, scripts: Sequence[Script], samples: int,
         result: ScriptResult) -> None:
    """Add what one job found."""
    if result.load_problem:
        whole.facts.append(result.load_problem)
        return
    machine = stand.machine
    what = "block" if machine.block else "step"
    for script, run, torn in zip(scripts, result.runs, result.torn, strict=True):
        found = Judgement()
        at = script.events[-1].sample
        if run.stop is not None and run.stop.kind != "not run":
            found.note(1.0, at, True, run.stop.why, "a result", f"{run.stop.kind} while interrupted: {run.stop.why}")
        elif torn["done"] == -1:
            whole.facts.append("not tried: the machine takes memory from the heap, which cannot be put back")
        elif torn["done"] == 1:
            whole.moments += 1
            whole.tried += int(torn["tried"])
            whole.masked += int(torn["masked"])
            whole.instructions += int(torn["instructions"])
            whole.thinned += int(torn["tried"] + torn["masked"] < torn["instructions"])
            whole.matters += int(torn["matters"])
            judge(found, stand, claim, torn, at, what)
        whole.found.append((script, found))


def judge(found: Judgement, stand: Stand, claim: SafeWhenInterruptedBy, torn: Any, at: int, what: str) -> None:
    """One moment in words."""
    output = stand.machine.outputs[int(torn["output"])]
    if torn["failing"]:
        place = place_of(stand.library, [int(torn["address"]), int(torn["previous"])])
        name, unit = output.name, output.unit
        later = int(torn["sample"])
        where = "" if not later else f", {counted(later, 'sample')} later"
        found.note(1.0, at + later, True, f"{name} = {torn['got']:.9g} {unit}".strip(),
                   f"{torn['before']:.9g} (setter before the {what}) or {torn['after']:.9g} {unit}".strip() + " (after it)",
                   f"fits neither order{where}: {claim.setter!r} came before instruction {int(torn['point']) + 1} of "
                   f"{int(torn['instructions'])} of the {what} at sample {at}, at {place}; so it is at "
                   f"{int(torn['failing'])} of {int(torn['tried'])} instructions")
    elif torn["left_masked"]:
        found.note(1.0, at, True, f"interrupts are masked when the {what} returns", "interrupts as they were before it",
                   "a masked section that is not left on every way: no interrupt comes any more")
    else:
        found.note(0.0, at, False, "", "", "")


@functools.lru_cache(maxsize=8)
def _info(library: str) -> DebugInfo:
    return cached_info(Path(library))


def place_of(library: str, addresses: Sequence[int]) -> str:
    """Source line of an instruction, else of the one before it, else its function."""
    for address in addresses:
        line = _info(library).line_at(address)
        if line is not None and not line[1].endswith("in the sheet"):
            function, file, number = line
            inside = f" (in {function})" if function and not function.startswith("pf_") else ""
            return f"{Path(file).name}:{number}{inside}"
    found = symbol_at(Path(library), addresses[0])
    name = found.name if found is not None else f"0x{addresses[0]:08x}"
    return "an instruction of the sheet's own text" if name.startswith("pf_") else name


def facts_of(whole: Interrupted, stand: Stand, samples: int, asked: int) -> list[str]:
    """How much was tried, in words."""
    what = f"blocks of {samples} samples" if stand.machine.block else "steps"
    text = f"{grouped(whole.tried)} interruptions in {grouped(whole.moments)} {what}"
    text += f", in {grouped(whole.thinned)} of them at an even choice of the instructions executed" if whole.thinned else (
        ", at every instruction executed in them")
    text += f"; {grouped(whole.masked)} instructions ran with interrupts masked" if whole.masked else ""
    found = [f"{text}; {FOLLOWING} samples after each were compared"] if whole.moments else []
    if whole.moments and whole.moments < asked and not any("heap" in fact for fact in whole.facts):
        found.append(f"{grouped(asked - whole.moments)} of {grouped(asked)} planned stretches were not run")
    if whole.moments and not whole.matters and not any(judged.failing for _, judged in whole.found):
        found.append("the setter changed no output in any of them: its effect may lie elsewhere")
    return list(dict.fromkeys(found))


def moments_for(scripts: int) -> int:
    """How many stretches are interrupted for a budget of scripts."""
    return max(LEAST_MOMENTS, MOMENTS * scripts * 8 // DEFAULT_SCRIPTS)


def judged(stand: Stand, claim: SafeWhenInterruptedBy, crew: Crew, stored: Iterable[Script], scripts: int,
           seed: int) -> Interrupted:
    """The whole hunt for one machine; scripts: the board's budget."""
    setter = stand.machine.event_number(claim.setter)
    return interrupted(stand, claim, crew, planned(stand.machine, setter, list(stored), moments_for(scripts), seed))
