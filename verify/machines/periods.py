"""What happens in one period of a long run, and its first periods as one ordinary script."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from verify.claims.base import number_text
from verify.claims.long_run import MOST_UNROLLED, UNROLLED, KeepsGoing, Step
from verify.errors import SheetError, nearest_words
from verify.grids import Grid
from verify.machines.catalogue import settings_at
from verify.machines.machine import Machine
from verify.machines.script import Happening, Piece, Script


def period_script(machine: Machine, claim: KeepsGoing, where: str = "") -> Script:
    """One period: the sheet's steps, or gates on for half of it, triggers twice and inputs between a quarter and three
    quarters of their range; knobs that no step names stand in the middle. Errors: SheetError for a step that does not fit."""
    rate = machine.sample_rates_hz.index(max(machine.sample_rates_hz))
    samples = int(claim.every_seconds * machine.sample_rates_hz[rate])
    events, given = stated(machine, claim, samples, where) if claim.script else (usual(machine, samples), {})
    named = {e.kind for e in events}
    settings = [e for e in settings_at(machine, "middle") if e.kind not in named]
    streams = []
    for number, grid in enumerate(machine.inputs):
        low, high = (grid.index_near(grid.low + (grid.high - grid.low) * share / 4) for share in (1, 3))
        streams.append(tuple(given.get(number, (Piece(0, "square", high, low, max(1, samples // 2)),))))
    return Script(rate, samples, tuple(sorted([*settings, *events], key=lambda e: e.sample)), tuple(streams))


def usual(machine: Machine, samples: int) -> list[Happening]:
    """Gates on for half of the period, triggers twice."""
    events = []
    for number, kind in enumerate(machine.events):
        if kind.is_gate:
            events += [Happening(samples // 10, number, (1,)), Happening(samples * 6 // 10, number, (0,))]
        elif not kind.arguments:
            events += [Happening(samples // 10, number), Happening(samples // 2, number)]
    return events


def stated(machine: Machine, claim: KeepsGoing, samples: int, where: str) -> tuple[
        list[Happening], dict[int, list[Piece]]]:
    """Events and input pieces that the sheet states. An input keeps its last value into the next period."""
    events: list[Happening] = []
    pieces: dict[int, list[Piece]] = {}
    inputs = [grid.name for grid in machine.inputs]
    for step in claim.script:
        seconds, name, _ = step
        sample = round(seconds * max(machine.sample_rates_hz))
        if not 0 <= sample < samples:
            raise SheetError(f"keeps_going: {name!r} at {number_text(seconds)} s lies outside the period", where=where,
                             why=f"a period lasts {number_text(claim.every_seconds)} s",
                             todo="move it, or give every_seconds=")
        number = machine.event_number(name)
        if number >= 0:
            arguments = machine.events[number].arguments
            events.append(Happening(sample, number, places_of(step, arguments, where)))
        elif name in inputs:
            place = inputs.index(name)
            pieces.setdefault(place, []).append(Piece(sample, "hold", *places_of(step, (machine.inputs[place],), where)))
        else:
            raise SheetError(f"keeps_going: no event or input is called {name!r}", where=where,
                             why="a step of its script names it",
                             todo=nearest_words(name, [*(kind.name for kind in machine.events), *inputs]))
    for parts in pieces.values():
        if parts[0].start:
            parts.insert(0, replace(parts[-1], start=0))
    return events, pieces


def places_of(step: Step, grids: tuple[Grid, ...], where: str) -> tuple[int, ...]:
    """Places of a step's values on their grids."""
    _, name, values = step
    if len(values) != len(grids):
        raise SheetError(f"keeps_going: {name!r} needs {len(grids)} values, the step has {len(values)}", where=where,
                         why="each argument has one", todo=f"write ({number_text(step[0])}, {name!r}"
                         + "".join(f", {grid.name}" for grid in grids) + ")")
    found = []
    for grid, value in zip(grids, values, strict=True):
        place = grid.index_near(value)
        near = abs(grid.value(place) - value) <= abs(value) * Fraction(1, 2**23)
        if not grid.low <= value <= grid.high or not near:
            raise SheetError(f"keeps_going: {grid.name} = {number_text(value)} does not lie on its grid", where=where,
                             why=grid.text(), todo="give a value that the input can have")
        found.append(place)
    return tuple(found)


def unrolled(machine: Machine, claim: KeepsGoing) -> Script | None:
    """The first periods in one script; None when that would be too long."""
    one = period_script(machine, claim)
    if UNROLLED * one.samples > MOST_UNROLLED:
        return None
    events = tuple(replace(e, sample=e.sample + k * one.samples) for k in range(UNROLLED) for e in one.events)
    streams = tuple(tuple(replace(p, start=p.start + k * one.samples) for k in range(UNROLLED) for p in pieces)
                    for pieces in one.streams)
    return Script(one.rate, UNROLLED * one.samples, events, streams)
