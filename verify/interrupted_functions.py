"""Functions that read what an interrupt writes: driven as machines whose state lies in globals."""

from __future__ import annotations

import re
from dataclasses import replace
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np

from firmware_shim.machine_source import prefix
from firmware_shim.memory_map import regions_of
from verify.claims.base import Assessment, Case
from verify.claims.interrupted import SafeWhenInterruptedBy
from verify.grids import Grid
from verify.judging.verdict import grouped
from verify.machines.generation import marked_places
from verify.machines.interruptions import AT_SAMPLES, Interrupted, interrupted
from verify.machines.machine import C_TYPES, EventKind, Machine, Signal
from verify.machines.minimise import simplicity
from verify.machines.running import Stand
from verify.machines.script import Happening, Piece, Script

if TYPE_CHECKING:
    from verify.probing import Prober
    from verify.routine import Bound, Routine

MOST_STRETCHES = 48
SETTER = "setter"


def machine_of(routine: Routine, claim: SafeWhenInterruptedBy, number: int) -> Machine:
    """The function as a machine: one call a sample, the setter its only event."""
    given = ", ".join(grid.name for grid in routine.inputs)
    ctype = "double"
    if routine.call is None:
        name = routine.name
        step = f"__typeof__(&{name}) volatile pf_hidden = &{name}; result = pf_hidden({given})"
    else:
        step = "; ".join(text.strip().rstrip(";") for text in (routine.call.local, routine.call.text) if text.strip())
        ctype = routine.call.output_type if routine.call.output_type in C_TYPES else ctype
    own = re.sub(r"\W", "_", routine.name)
    return Machine(
        f"{own}_interrupted{number}", None, "", "", (EventKind(SETTER, claim.setter, claim.arguments),), routine.inputs, step,
        "", (Signal("result", routine.output.unit, ctype, routine.output.fraction_bits),), (Fraction(1),),
        place=routine.place, call_limit_seconds=routine.call_limit_seconds, flush_to_zero=routine.flush_to_zero)


def machines_of(routines: list[Routine]) -> list[Machine]:
    """One for each such claim of each function."""
    return [machine_of(routine, claim, number) for routine in routines for number, claim in claims_of(routine)]


def claims_of(routine: Routine) -> list[tuple[int, SafeWhenInterruptedBy]]:
    """The claims of this kind with their numbers."""
    found = [claim for claim in routine.claims if isinstance(claim, SafeWhenInterruptedBy)]
    return list(enumerate(found))


def scripts_of(machine: Machine) -> list[Script]:
    """Inputs at marked places, the setter's values from one marked place to another."""
    (kind,) = machine.events
    places = [_few(grid) for grid in machine.inputs]
    values = [_few(grid) for grid in kind.arguments]
    found: dict[Script, None] = {}
    for k in range(MOST_STRETCHES):
        streams = tuple((Piece(0, "hold", row[(k * (n + 1) + n) % len(row)]),) for n, row in enumerate(places))
        first = tuple(row[(k + n) % len(row)] for n, row in enumerate(values))
        # Far from the first in each value, all of them at once, so that halves of the two do not fit together.
        then = tuple(row[(k + n + 1 + k // len(row)) % len(row)] for n, row in enumerate(values))
        sample = AT_SAMPLES[k % 2][0]
        found[Script(0, sample + 1, (Happening(0, 0, first), Happening(sample, 0, then)), streams)] = None
        if k == 0 or not values:
            found[Script(0, sample + 1, (Happening(sample, 0, then),), streams)] = None
    return list(found)[:MOST_STRETCHES]


def _few(grid: Grid) -> list[int]:
    return list(marked_places(grid))[:16]


def assessed(claim: SafeWhenInterruptedBy, case: Case) -> Assessment:
    """Interrupt the function in the board's build."""
    return interrupted_at(claim, case.bound, case.probe)  # type: ignore[arg-type]


def interrupted_at(claim: SafeWhenInterruptedBy, bound: Bound, prober: Prober, ordinal: int | None = None) -> Assessment:
    """Interrupt the function at marked inputs, or at one input, by the setter's marked values."""
    numbers = [number for number, other in claims_of(bound.routine) if other.label() == claim.label()]
    machine = replace(machine_of(bound.routine, claim, numbers[0]), peripherals=bound.peripherals)
    if machine.name not in prober.builts["board"].machines:
        return Assessment(blocked="in a finished image nothing is interrupted: it runs in code compiled from the sources")
    library = prober.builts["board"].library_of(machine.name)
    stand = Stand(machine, "board", str(library), prefix(machine.name), regions_of(library), default_nan=bound.default_nan)
    scripts = scripts_of(machine)
    if ordinal is not None:
        held = tuple((Piece(0, "hold", int(place[0])),) for place in bound.domain.indices(np.array([ordinal], np.int64)))
        scripts = list(dict.fromkeys(replace(script, streams=held) for script in scripts))
    whole: Interrupted = interrupted(stand, claim, prober.crew, scripts)
    found = Assessment(facts=list(whole.facts))
    if not whole.found and whole.facts:
        return Assessment(blocked=whole.facts[0])
    found.valid = sum(judgement.valid for _, judgement in whole.found)
    failing = [(script, judgement) for script, judgement in whole.found if judgement.failing]
    found.failing = len(failing)
    if failing:
        script, judgement = min(failing, key=lambda pair: simplicity(pair[0], machine))
        found.witness_raw = tuple(grid.raw(np.array([pieces[0].a]), number) for grid, pieces, number in zip(
            machine.inputs, script.streams, bound.domain.type_numbers, strict=True))
        found.wanted_text, found.error_text = judgement.wanted, f"{judgement.got}: {judgement.error}"
        set_to = [[f"{g.name} = {float(g.value(p)):.9g}" for g, p in zip(machine.events[0].arguments, e.places, strict=True)]
                  for e in script.events]
        words = [", ".join(part) for part in set_to if part]
        if words:
            found.facts.append("the setter's values: " + ", then interrupting ".join(words))
        found.facts.append(f"{grouped(found.failing)} of {grouped(found.valid)} stretches fail")
    return found


def told_at(claim: SafeWhenInterruptedBy, bound: Bound, ordinal: int, prober: Prober) -> tuple[str, bool]:
    """What came of the interruptions at one input, for `replay`; and whether the claim fails there."""
    if bound.build != "board":
        return f"not judged in the build {bound.build}: the board's instructions are what is interrupted", False
    found = interrupted_at(claim, bound, prober, ordinal)
    if found.blocked:
        return found.blocked, False
    if not found.failing:
        return "; ".join(["holds" if found.valid else "says nothing", *found.facts]), False
    return "; ".join([f"FAILS: {found.error_text}", f"wanted {found.wanted_text}", *found.facts]), True
