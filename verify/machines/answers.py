"""Whether a machine's references have an answer at all: a constant that cannot be meant is a mistake in the sheet."""

from __future__ import annotations

import inspect
from collections.abc import Mapping
from fractions import Fraction
from typing import Any

import numpy as np

from reference.errors import NumberRefused
from reference.rationals import RationalContext
from reference.trajectories import Script
from verify.constants import constants_text, mistaken, why_not
from verify.errors import SheetError
from verify.grids import Grid
from verify.machines.drives import resting
from verify.machines.machine import Machine
from verify.machines.references import help_with, name_of, parts_of
from verify.machines.script import stream_raw

SAMPLES = 256
# None: nothing is sent, so that the constants count; else where in its range each event's argument lies, in halves.
SENT: tuple[int | None, ...] = (None, 0, 1, 2)


def short_script(machine: Machine, halves: int | None, named: Any = None, part: str = "") -> Script:
    """Every event once, a sample each, with its argument at so many halves of its range; inputs at rest.

    named: makes an event's name of a word; part: the reference that is asked, outputs that it follows are 0.
    """
    events: list[tuple[int, Any, Fraction]] = []
    for kind in machine.events if halves is not None else ():
        for grid in kind.arguments or (None,):
            name = kind.name if grid is None or len(kind.arguments) == 1 else grid.name
            value = Fraction(1) if grid is None else grid.value(at_half(grid, halves or 0))
            events.append((len(events), named(name) if named else name, value))
    streams = {output: np.zeros(SAMPLES) for output in machine.follows.get(part, ())}
    for grid in machine.inputs:
        raw = stream_raw((resting(grid),), grid, SAMPLES)
        streams[grid.name] = raw.astype(np.float64) * (1.0 if raw.dtype.kind == "f" else float(grid.scale))
    return Script(SAMPLES, machine.sample_rates_hz[0], tuple(events), streams)


def at_half(grid: Grid, halves: int) -> int:
    """Place of the low end (0), the middle (1) or the high end (2)."""
    return (0, grid.index_near((grid.low + grid.high) / 2), grid.count - 1)[halves]


def check_answers(machine: Machine, where: str) -> None:
    """Raise SheetError where a reference has no answer to any short script, or a constant is no number it can read."""
    for part, function, constants in parts_of(machine):
        check_turns(machine, function, constants, where)
        problems = [problem_of(function, short_script(machine, halves, part=part), constants) for halves in SENT]
        first = problems[0]
        if first is not None and (isinstance(first, NumberRefused) or None not in problems):
            given = constants_text(constants) or "none"
            what, why, todo = mistaken(function, constants, first) or (
                f"the reference {name_of(function)} has no answer with these constants",
                f"{why_not(first)} (constants: {given})", f"change the constants; what each means: {help_with(function)}")
            raise SheetError(f"{machine.name}: {what}", where=f"{where}, constants", why=why, todo=todo) from first


def check_turns(machine: Machine, function: Any, constants: Mapping[str, Any], where: str) -> None:
    """Raise SheetError where a phase reference would take whole numbers of steps for whole turns, which move nothing."""
    known = inspect.signature(function).parameters
    if "per_turn" not in known or "name" not in known or "per_turn" in constants:
        return
    name = str(constants.get("name", known["name"].default))
    refuse_whole_turns(machine, name, f"the reference {name_of(function)}", f"{where}, constants",
                       'constants={"per_turn": 2**32}')


def refuse_whole_turns(machine: Machine, name: str, who: str, where: str, write: str) -> None:
    """Raise SheetError where the event or input so called holds whole numbers of more than a turn a sample."""
    sent = [(grid, {grid.name, kind.name if len(kind.arguments) == 1 else ""}) for kind in machine.events
            for grid in kind.arguments] + [(grid, {grid.name}) for grid in machine.inputs]
    for grid in [grid for grid, names in sent if name in names]:
        if grid.grain is not None and grid.grain.denominator == 1 and max(abs(grid.low), abs(grid.high)) > 1:
            raise SheetError(f"{machine.name}: {who} counts {name!r} in turns per sample", where=where,
                             why=f"{name} takes whole numbers up to {int(grid.high)}: whole turns move no phase",
                             todo=f"say how many steps make a turn: {write} for a 32-bit phase")


def problem_of(function: Any, script: Script, constants: Mapping[str, Any]) -> Exception | None:
    """What a reference says against a script, None where it has an answer."""
    try:
        found = function(RationalContext(), script, **constants)
        for trajectory in found.values() if isinstance(found, dict) else (found,):
            if trajectory is not None:
                trajectory.screen()
    except Exception as problem:  # references are the author's own functions too: they may raise anything
        return problem
    return None
