"""Claims about machines: judged script by script, on whole trajectories."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from verify.claims.base import Claim, number_text
from verify.errors import SheetError, nearest_words
from verify.grids import exact

if TYPE_CHECKING:
    from verify.machines.machine import Machine
    from verify.machines.observation import Observation
    from verify.machines.script import Script
    from verify.routine import Routine


@dataclass(frozen=True)
class Gain:
    """A machine's gain at one frequency: got and wanted in dB, error as judged, what the method is sure to, verdict."""

    hz: float
    got_db: float
    wanted_db: float
    error_db: float
    doubt_db: float
    verdict: str


@dataclass
class Judgement:
    """What one script says about one claim.

    valid: how many things could be judged (0: the script says nothing); failing, open: how many of them;
    worst: size of the largest error or measure, in the claim's unit; at: its sample.
    response: what was measured at each frequency, for the report; allowed: how often each allowance fired.
    """

    valid: int = 0
    failing: int = 0
    open: int = 0
    worst: float | None = None
    at: int = -1
    got: str = ""
    wanted: str = ""
    error: str = ""
    facts: list[str] = field(default_factory=list)
    inside_bands: int = 0
    response: list[Gain] = field(default_factory=list)
    allowed: dict[str, int] = field(default_factory=dict)

    def note(self, size: float, at: int, fails: bool, got: str, wanted: str, error: str) -> None:
        """Count one judged thing; the largest failing one (else the largest) is described."""
        self.valid += 1
        first = fails and not self.failing
        self.failing += fails
        if self.worst is None or first or (size > self.worst and fails == bool(self.failing)):
            self.worst, self.at, self.got, self.wanted, self.error = size, at, got, wanted, error


@dataclass(frozen=True)
class TimeClaim(Claim):
    """A claim that only machines can have."""

    judges_hostile: ClassVar[bool] = False
    unit: ClassVar[str] = ""
    variants: ClassVar[tuple[str, ...]] = ()

    def check(self, routine: Routine, where: str) -> None:
        raise SheetError(f"{self.name} is a claim about machines", where=where,
                         why=f"{routine.name} has no time: it is a {'path' if routine.stages else 'function'}",
                         todo="use claims about functions (accurate, rising, stays_within, ...), or describe a machine")

    def check_machine(self, machine: Machine, where: str) -> None:
        """Raise SheetError when the claim cannot be meant for this machine."""

    def scripts(self, machine: Machine) -> list[Script]:
        """Scripts that this claim needs besides those that every machine gets."""
        return []

    def judge(self, seen: Observation) -> Judgement:
        """Judge one script."""
        raise NotImplementedError


@dataclass(frozen=True)
class Stretch:
    """Samples [start, end) between two moments at which something happens; first: an event stands at its start."""

    start: int
    end: int
    names: tuple[str, ...]
    last: bool


def stretches(seen: Observation) -> Iterator[Stretch]:
    """The quiet stretches of a script, in order."""
    if seen.known_stretches is None:
        seen.known_stretches = list(_stretches(seen))
    yield from seen.known_stretches


def _stretches(seen: Observation) -> Iterator[Stretch]:
    moments: dict[int, list[str]] = {0: []}
    for e in seen.script.events:
        moments.setdefault(e.sample, []).append(seen.machine.events[e.kind].name)
    for grid, pieces in zip(seen.machine.inputs, seen.script.streams, strict=True):
        for piece in pieces:
            moments.setdefault(piece.start, []).append(grid.name)
            if piece.shape != "hold":
                # Nothing is quiet while an input moves; a ramp comes to rest at its end.
                end = piece.start + piece.period if piece.shape == "ramp" else seen.done
                moments.setdefault(min(end, seen.done), []).append(grid.name)
    starts = sorted(m for m in moments if m < seen.done)
    for number, start in enumerate(starts):
        last = number + 1 == len(starts)
        end = seen.done if last else starts[number + 1]
        yield Stretch(start, end, tuple(moments[start]), last)


def moving_inputs(seen: Observation, stretch: Stretch) -> bool:
    """Whether an input moves inside a stretch."""
    for pieces in seen.script.streams:
        for number, piece in enumerate(pieces):
            end = pieces[number + 1].start if number + 1 < len(pieces) else seen.done
            moving_end = min(end, piece.start + piece.period) if piece.shape == "ramp" else end
            if piece.shape != "hold" and piece.start < stretch.end and moving_end > stretch.start:
                return True
    return False


def value_at(seen: Observation, name: str, sample: int, until: str = "") -> Fraction | None:
    """Value of an event's argument or an input that is in force when `sample` is computed; None if unknown.

    until: an event that stands at this sample; what comes after its last coming there does not count.
    """
    for grid, pieces in zip(seen.machine.inputs, seen.script.streams, strict=True):
        if grid.name == name:
            from verify.machines.script import stream_places

            if not pieces or pieces[0].start > sample:
                return None
            place = int(stream_places(pieces, grid, sample + 1)[sample])
            return grid.value(place) if place >= 0 else None
    found = None
    events = [e for e in seen.script.events if e.sample <= sample]
    if until:
        here = [k for k, e in enumerate(events) if e.sample == sample and seen.machine.events[e.kind].name == until]
        events = events[: here[-1] + 1] if here else events
    for e in events:
        for grid, place in zip(seen.machine.events[e.kind].arguments, e.places, strict=True):
            if grid.name == name or (seen.machine.events[e.kind].name == name and len(e.places) == 1):
                found = grid.value(place) if place >= 0 else None
    return found


def stretches_after(seen: Observation, event: str, value: Fraction | None, seconds: Fraction | str) -> Iterator[
        tuple[Stretch, Fraction]]:
    """Quiet stretches that begin with an event (None: with any value), each with the time in force at its start."""
    for part in stretches(seen):
        if event not in part.names or moving_inputs(seen, part):
            continue
        if value is not None and value_at(seen, event, part.start, event) != value:
            continue
        time = resolved(seen, seconds, part.start, event)
        if time is not None:
            yield part, time


def known_value(machine: Machine, name: str, where: str) -> None:
    """Raise SheetError unless an event argument or input has this name."""
    names = [grid.name for kind in machine.events for grid in kind.arguments]
    names += [grid.name for grid in machine.inputs] + [k.name for k in machine.events if len(k.arguments) == 1]
    if name not in names:
        raise SheetError(f"no event or input is called {name!r}", where=where, why="the claim takes a value from it",
                         todo=nearest_words(name, names) if names else "name a number instead")


def known_event(machine: Machine, name: str, where: str) -> None:
    """Raise SheetError unless the machine has this event."""
    if machine.event_number(name) < 0:
        raise SheetError(f"no event is called {name!r}", where=where, why="the claim starts at it",
                         todo=nearest_words(name, [kind.name for kind in machine.events]))


def known_signal(machine: Machine, name: str, where: str) -> None:
    """Raise SheetError unless the output exists ("" is the first)."""
    names = [output.name for output in machine.outputs]
    if name and name not in names:
        raise SheetError(f"no output is called {name!r}", where=where, why="the claim looks at it",
                         todo=nearest_words(name, names))


def known_seconds(machine: Machine, seconds: Fraction | str, where: str) -> None:
    """Raise SheetError when a time is taken from an event argument or input that does not exist."""
    if isinstance(seconds, str):
        known_value(machine, seconds, where)


def seconds_text(seconds: Fraction | str) -> str:
    """A time of the sheet in print: with its unit, or the name of what holds it."""
    return seconds if isinstance(seconds, str) else f"{number_text(seconds)} s"


def number_or_name(value: Any, where: str) -> Fraction | str:
    """A number of the sheet, or the name of an event argument whose value is meant."""
    return value if isinstance(value, str) else exact(value, where)


def resolved(seen: Observation, value: Fraction | str, sample: int, until: str = "") -> Fraction | None:
    """The number itself, or the value in force of the named argument."""
    return value_at(seen, value, sample, until) if isinstance(value, str) else value


def above(sizes: np.ndarray, limit: Fraction) -> np.ndarray:
    """Whether exact binary64 sizes lie above an exact limit (inclusive limits: equal is not above)."""
    nearest = float(limit)
    found = sizes > nearest
    if Fraction(nearest) < limit:
        return np.asarray(found & (sizes > np.nextafter(nearest, np.inf)))
    if Fraction(nearest) > limit:
        return np.asarray(sizes >= nearest)
    return np.asarray(found)


def first_true(mask: np.ndarray) -> int:
    """Place of the first true element, -1 when there is none."""
    place = int(mask.argmax()) if len(mask) else 0
    return place if len(mask) and mask[place] else -1


def last_true(mask: np.ndarray) -> int:
    """Place of the last true element, -1 when there is none."""
    back = first_true(mask[::-1])
    return len(mask) - 1 - back if back >= 0 else -1


def edges_up(values: np.ndarray, before: float = 0.0) -> np.ndarray:
    """Samples at which a signal goes from zero to not zero."""
    on = values != 0
    previous = np.concatenate([[before != 0], on[:-1]])
    return np.flatnonzero(on & ~previous)
