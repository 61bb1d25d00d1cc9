"""time_to, minimum_pulse, one_event_per_edge, period_within: when a machine does it."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from fractions import Fraction
from math import ceil
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from verify.claims.base import number_text, positive_limit, reason
from verify.claims.in_time import (
    Judgement,
    TimeClaim,
    edges_up,
    first_true,
    known_event,
    known_seconds,
    known_signal,
    known_value,
    moving_inputs,
    number_or_name,
    resolved,
    seconds_text,
    stretches,
    stretches_after,
    value_at,
)
from verify.errors import SheetError
from verify.number_formats import counted

if TYPE_CHECKING:
    from verify.machines.machine import Machine
    from verify.machines.observation import Observation
    from verify.machines.script import Script


@dataclass(frozen=True)
class TimeTo(TimeClaim):
    """From an event on, the output reaches a level at the stated time.

    Fails when: it comes earlier or later than the tolerance allows. Judged only where the output starts at rest and
    nothing else happens until then. Cannot see: events that are disturbed before the time is over.
    """

    level: Fraction
    after: str
    value: Fraction | None
    seconds: Fraction | str
    percent: Fraction
    samples: Fraction
    rest: Fraction
    of: str
    because: str
    name: ClassVar[str] = "time_to"
    unit: ClassVar[str] = "samples"

    def limit_text(self) -> str:
        parts = [f"{number_text(self.percent)} %"] if self.percent else []
        parts += [counted(self.samples, "sample")]
        return f"{number_text(self.level)} at {seconds_text(self.seconds)}, within {' + '.join(parts)}"

    def check_machine(self, machine: Machine, where: str) -> None:
        known_event(machine, self.after, where)
        known_signal(machine, self.of, where)
        known_seconds(machine, self.seconds, where)

    def value_meant(self, machine: Machine) -> Fraction | None:
        """The value that starts the time; a gate of which nothing is said goes on for a way up, and off for a way down."""
        if self.value is None and machine.events[machine.event_number(self.after)].is_gate:
            return Fraction(self.level > self.rest)
        return self.value

    def stood_so_before(self, seen: Observation, sample: int) -> bool:
        """Whether a gate was already as the event at a sample sets it: sent again it does not go on (or off)."""
        value = self.value_meant(seen.machine)
        if value is None or not seen.machine.events[seen.machine.event_number(self.after)].is_gate:
            return False
        before = value_at(seen, self.after, sample - 1) if sample else None
        return (before or Fraction(0)) == value

    def judge(self, seen: Observation) -> Judgement:
        y, found = seen.doubles(self.of), Judgement()
        level = float(self.level)
        for part, seconds in stretches_after(seen, self.after, self.value_meant(seen.machine), self.seconds):
            if self.stood_so_before(seen, part.start):
                continue
            # Before its first sample a machine is at 0, unless it rests elsewhere, which nothing shows there.
            before = y[part.start - 1] if part.start else 0.0
            if before != float(self.rest):
                continue
            # The event stands before the sample of its own number: after k steps the output is y[start + k - 1].
            wanted = max(Fraction(1), seconds * seen.rate_hz)
            slack = self.samples + self.percent * wanted / 100
            span = y[part.start : part.end]
            upward = level >= float(self.rest)
            k = first_true(span >= level if upward else span <= level)
            if k < 0 and len(span) <= ceil(wanted + slack):
                continue
            took = Fraction(k + 1) if k >= 0 else Fraction(len(span) + 1)
            off = abs(took - wanted)
            if k < 0:
                got = f"not there after {counted(len(span), 'sample')} (at {span[-1]:.9g})"
            else:
                got = f"there after {counted(k + 1, 'sample')} ({float((k + 1) / seen.rate_hz) * 1000:.6g} ms)"
            # A time that is no whole number of samples ends with the next one.
            late = ceil(wanted) + slack
            fails = k < 0 or took > late or took < wanted - slack
            found.note(float(off), part.start + max(k, 0), fails, got,
                       f"{counted(wanted, 'sample')} ({float(seconds) * 1000:.6g} ms), within {number_text(slack)}",
                       f"{'+' if took > wanted else '-'}{counted(off, 'sample')}")
        return found


def time_to(level: float, *, after: str, seconds: float | str, because: str, within_percent: float = 0,
            within_samples: float = 1, value: float | None = None, rest: float = 0, of: str = "") -> TimeTo:
    """seconds: a number, or the name of the event argument that holds the time; value: only after the event with it
    (a gate goes on, or off for a level below rest, where it is left out); rest: the level from which the time counts."""
    return TimeTo(Fraction(level), after, None if value is None else Fraction(value), number_or_name(seconds, "time_to"),
                  positive_limit(within_percent, "time_to within_percent"),
                  positive_limit(within_samples, "time_to within_samples"), Fraction(rest), of, reason(because, "time_to"))


def samples_of(seconds: Fraction, rate_hz: Fraction) -> Fraction:
    """Whole samples that last at least so long. A time that misses a whole number of samples by less than a thousandth of
    one, as a float's rounding does, counts as that number."""
    return Fraction(ceil(seconds * rate_hz - Fraction(1, 1000)))


@dataclass(frozen=True)
class MinimumPulse(TimeClaim):
    """Every pulse of the output lasts at least so long.

    Fails when: one is shorter. A pulse that the script's end cuts off is not judged.
    """

    samples: Fraction
    seconds: Fraction | str
    of: str
    because: str
    name: ClassVar[str] = "minimum_pulse"
    judges_hostile: ClassVar[bool] = True
    unit: ClassVar[str] = "samples"

    def limit_text(self) -> str:
        return seconds_text(self.seconds) if self.seconds else counted(self.samples, "sample")

    def check_machine(self, machine: Machine, where: str) -> None:
        known_signal(machine, self.of, where)
        known_seconds(machine, self.seconds, where)

    def scripts(self, machine: Machine) -> list[Script]:
        """The shortest pulses of each input, from one end of its range to the other and back."""
        from verify.machines.drives import resting
        from verify.machines.script import Piece, Script

        rest = tuple((resting(grid),) for grid in machine.inputs)
        found = []
        for number, grid in enumerate(machine.inputs):
            for low, high in ((0, grid.count - 1), (grid.count - 1, 0)):
                for length in (1, 2, 7):
                    pulse = (Piece(0, "hold", low), Piece(16, "hold", high), Piece(16 + length, "hold", low))
                    streams = (*rest[:number], pulse, *rest[number + 1 :])
                    found += [Script(rate, 16 + ceil(hz), (), streams) for rate, hz in enumerate(machine.sample_rates_hz)]
        return found

    def judge(self, seen: Observation) -> Judgement:
        y, found = seen.doubles(self.of), Judgement()
        starts, ends = edges_up(y), np.flatnonzero((y[:-1] != 0) & (y[1:] == 0)) + 1
        lengths = ends - starts[: len(ends)]
        least = self.samples
        if self.seconds and not isinstance(self.seconds, str):
            least = samples_of(self.seconds, seen.rate_hz)
        if not isinstance(self.seconds, str):
            # One time for all: only the shortest pulse need be looked at.
            found.valid = max(0, len(lengths) - 1)
            chosen = [int(lengths.argmin())] if len(lengths) else []
        else:
            chosen = list(range(len(lengths)))
        for number in chosen:
            start, length = int(starts[number]), int(lengths[number])
            if isinstance(self.seconds, str):
                seconds = resolved(seen, self.seconds, start)
                if seconds is None:
                    continue
                least = samples_of(seconds, seen.rate_hz)
            found.note(float(max(Fraction(0), least - length)), start, length < least,
                       f"a pulse of {counted(length, 'sample')}", f"at least {counted(least, 'sample')}",
                       f"{counted(least - length, 'sample')} short")
        return found


def minimum_pulse(*, because: str, samples: float = 0, seconds: float | str = 0, of: str = "") -> MinimumPulse:
    """Give samples=, or seconds= (a number or the name of an event argument)."""
    if bool(samples) == bool(seconds):
        raise SheetError("minimum_pulse: give samples= or seconds=", where="minimum_pulse", why="one of them is the limit",
                         todo='write for example minimum_pulse(seconds=0.002, because="...")')
    when = number_or_name(seconds, "minimum_pulse") if seconds else Fraction(0)
    return MinimumPulse(positive_limit(samples, "minimum_pulse"), when, of, reason(because, "minimum_pulse"))


@dataclass(frozen=True)
class OneEventPerEdge(TimeClaim):
    """Each edge of a gate gives exactly one pulse of the output: none is lost, none comes twice.

    Fails when: between an edge and the next (closer ones than `spacing_samples` are left out) the number of pulses is
    not one. A last edge with fewer than `latency_samples` behind it is not judged.
    """

    edge: str
    spacing_samples: int
    latency_samples: int
    of: str
    because: str
    name: ClassVar[str] = "one_event_per_edge"
    unit: ClassVar[str] = "pulses"

    def limit_text(self) -> str:
        return f"of {self.edge}"

    def check_machine(self, machine: Machine, where: str) -> None:
        known_value(machine, self.edge, where)
        known_signal(machine, self.of, where)

    def edges(self, seen: Observation) -> np.ndarray:
        """Samples at which the gate goes from off to on."""
        for grid in seen.machine.inputs:
            if grid.name == self.edge:
                return edges_up(seen.stream(grid.name))
        on, found = False, []
        for e in seen.script.events:
            kind = seen.machine.events[e.kind]
            for grid, place in zip(kind.arguments, e.places, strict=True):
                if self.edge in (grid.name, kind.name):
                    now = place >= 0 and grid.value(place) != 0
                    if now and not on:
                        found.append(e.sample)
                    on = now
        return np.array(sorted(set(found)), np.int64)

    def judge(self, seen: Observation) -> Judgement:
        y, found = seen.doubles(self.of), Judgement()
        edges, pulses = self.edges(seen), edges_up(y)
        for number, start in enumerate(edges):
            last = number + 1 == len(edges)
            end = len(y) if last else int(edges[number + 1])
            if end - start < (self.latency_samples if last else self.spacing_samples):
                continue
            if number and start - edges[number - 1] < self.spacing_samples:
                continue
            count = int(((pulses >= start) & (pulses < end)).sum())
            found.note(abs(count - 1), int(start), count != 1, f"{count} pulses from sample {start} to {end - 1}",
                       "exactly one", "lost" if count == 0 else f"{count - 1} too many")
        return found


def one_event_per_edge(*, edge: str, because: str, spacing_samples: int = 1, latency_samples: int = 1,
                       of: str = "") -> OneEventPerEdge:
    """edge: the gate (event argument or input) whose rising edges count."""
    return OneEventPerEdge(edge, int(spacing_samples), int(latency_samples), of, reason(because, "one_event_per_edge"))


@dataclass(frozen=True)
class PeriodWithin(TimeClaim):
    """The distance between pulses of the output is the stated period.

    Fails when: one lies off by more than the limit. Judged only inside stretches in which nothing changes.
    """

    seconds: Fraction | str
    samples: Fraction
    percent: Fraction
    of: str
    because: str
    name: ClassVar[str] = "period_within"
    unit: ClassVar[str] = "samples"

    def limit_text(self) -> str:
        return f"{seconds_text(self.seconds)}, {number_text(self.samples)} samples + {number_text(self.percent)} %"

    def check_machine(self, machine: Machine, where: str) -> None:
        known_signal(machine, self.of, where)
        known_seconds(machine, self.seconds, where)

    def judge(self, seen: Observation) -> Judgement:
        pulses, found = edges_up(seen.doubles(self.of)), Judgement()
        for part in stretches(seen):
            seconds = resolved(seen, self.seconds, part.start)
            if seconds is None or moving_inputs(seen, part):
                continue
            wanted = seconds * seen.rate_hz
            limit = self.samples + self.percent * wanted / 100
            inside = pulses[(pulses >= part.start) & (pulses < part.end)]
            for first, second in itertools.pairwise(inside):
                off = abs(Fraction(int(second - first)) - wanted)
                found.note(float(off), int(second), off > limit, counted(int(second - first), "sample"),
                           counted(wanted, "sample"), f"{counted(off, 'sample')} off")
        return found


def period_within(*, seconds: float | str, because: str, samples: float = 1, percent: float = 0,
                  of: str = "") -> PeriodWithin:
    """seconds: the period, or the name of the event argument that holds it."""
    return PeriodWithin(number_or_name(seconds, "period_within"), positive_limit(samples, "period_within samples"),
                        positive_limit(percent, "period_within percent"), of, reason(because, "period_within"))
