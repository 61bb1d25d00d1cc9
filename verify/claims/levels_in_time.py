"""no_jump, ends_at_zero, settles, no_overshoot, rising_in, falling_in: where a machine's output may go."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from math import ceil
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from verify.claims.base import number_text, positive_limit, reason
from verify.claims.in_time import (
    Judgement,
    TimeClaim,
    above,
    known_event,
    known_seconds,
    known_signal,
    known_value,
    last_true,
    moving_inputs,
    number_or_name,
    resolved,
    seconds_text,
    stretches,
    stretches_after,
    value_at,
)
from verify.errors import SheetError
from verify.machines.references import known_to
from verify.number_formats import counted, figure

if TYPE_CHECKING:
    from verify.machines.machine import Machine
    from verify.machines.observation import Observation


def number(value: float) -> str:
    """A level in print."""
    return figure(value)


@dataclass(frozen=True)
class NoJump(TimeClaim):
    """No step between two samples is larger than the limit, also at retrigger and parameter change.

    Fails when: one is. Cannot see: clicks whose steps are smaller than the limit.
    """

    limit: Fraction
    of: str
    but_at: tuple[str, ...]
    because: str
    name: ClassVar[str] = "no_jump"

    def limit_text(self) -> str:
        return number_text(self.limit) + " per sample" + (f", {self.of}" if self.of else "")

    def check_machine(self, machine: Machine, where: str) -> None:
        known_signal(machine, self.of, where)
        for name in self.but_at:
            known_event(machine, name, where)

    def judge(self, seen: Observation) -> Judgement:
        y, found = seen.doubles(self.of), Judgement()
        if len(y) < 2:
            return found
        eye = seen.watched(self.of)
        if eye is not None and not any(seen.machine.events[e.kind].name in self.but_at for e in seen.script.events):
            size, k = eye.step(y)
            if not above(np.array([size]), self.limit)[0]:
                return self.described(seen, y, found, len(y) - 1, 0, size, k)
        with np.errstate(invalid="ignore"):
            steps = np.abs(np.diff(y))
        steps = np.where(np.isnan(steps), np.inf, steps)
        for e in seen.script.events:
            if seen.machine.events[e.kind].name in self.but_at and 1 <= e.sample <= len(steps):
                steps[e.sample - 1] = 0.0
        wrong = above(steps, self.limit)
        k = int(steps.argmax())
        return self.described(seen, y, found, len(steps), int(wrong.sum()), float(steps[k]), k)

    def described(self, seen: Observation, y: np.ndarray, found: Judgement, valid: int, failing: int, size: float,
                  k: int) -> Judgement:
        """Counts, and the largest step in words."""
        found.valid, found.failing, found.worst, found.at = valid, failing, size, k + 1
        unit = seen.machine.signal_named(self.of).unit
        found.got = f"{number(y[k])} then {number(y[k + 1])} {unit}".strip()
        found.wanted = f"a step of at most {number_text(self.limit)} {unit}".strip()
        found.error = f"a step of {number(size)} {unit}".strip()
        return found


def no_jump(limit: float, *, because: str, of: str = "", but_at: tuple[str, ...] | str = ()) -> NoJump:
    """Largest allowed step between two samples, in the output's unit. but_at: events that may jump (a hard reset)."""
    events = (but_at,) if isinstance(but_at, str) else tuple(but_at)
    return NoJump(positive_limit(limit, "no_jump"), of, events, reason(because, "no_jump"))


@dataclass(frozen=True)
class EndsAtZero(TimeClaim):
    """After an event (a gate that goes off), the output is exactly zero by a time, and stays so.

    Fails when: it is not. Cannot see: scripts too short for the time (they are not counted).
    """

    after: str
    value: Fraction | None
    seconds: Fraction | str
    slack_samples: int
    of: str
    because: str
    name: ClassVar[str] = "ends_at_zero"

    def limit_text(self) -> str:
        return f"within {seconds_text(self.seconds)} of {self.after}"

    def check_machine(self, machine: Machine, where: str) -> None:
        known_event(machine, self.after, where)
        known_signal(machine, self.of, where)
        known_seconds(machine, self.seconds, where)

    def judge(self, seen: Observation) -> Judgement:
        y, found = seen.doubles(self.of), Judgement()
        unit = seen.machine.signal_named(self.of).unit
        for part, seconds in stretches_after(seen, self.after, self.value, self.seconds):
            due = part.start + ceil(seconds * seen.rate_hz) + self.slack_samples
            if due >= part.end:
                continue
            late = last_true(y[due : part.end] != 0)
            size = float(late + 1) / float(seen.rate_hz)
            at = due + late if late >= 0 else due
            found.note(size, at, late >= 0, f"{number(y[at])} {unit}".strip(),
                       f"exactly 0 from sample {due} on", f"not zero {counted(late + 1, 'sample')} after the time is over")
        return found


def ends_at_zero(*, after: str, seconds: float | str, because: str, value: float | None = None, slack_samples: int = 1,
                 of: str = "") -> EndsAtZero:
    """seconds: a number, or the name of the event argument that holds the time; value: only after the event with it."""
    return EndsAtZero(after, None if value is None else Fraction(value), number_or_name(seconds, "ends_at_zero"),
                      int(slack_samples), of, reason(because, "ends_at_zero"))


@dataclass(frozen=True)
class Settles(TimeClaim):
    """By a time after the last change, the output stands at its target (within a limit) and stays there.

    Fails when: it stops short, or moves on. Cannot see: stretches shorter than the time.
    """

    to: str
    seconds: Fraction | str
    limit: Fraction
    gain: Fraction
    of: str
    because: str
    name: ClassVar[str] = "settles"

    def limit_text(self) -> str:
        how = "exactly" if self.limit == 0 else f"within {number_text(self.limit)}"
        return f"{how} at {self.to} after {seconds_text(self.seconds)}"

    def check_machine(self, machine: Machine, where: str) -> None:
        known_value(machine, self.to, where)
        known_signal(machine, self.of, where)
        known_seconds(machine, self.seconds, where)

    def judge(self, seen: Observation) -> Judgement:
        y, found = seen.doubles(self.of), Judgement()
        unit = seen.machine.signal_named(self.of).unit
        for part in stretches(seen):
            target, seconds = value_at(seen, self.to, part.start), resolved(seen, self.seconds, part.start)
            if target is None or seconds is None or moving_inputs(seen, part):
                continue
            due = part.start + ceil(seconds * seen.rate_hz)
            if due >= part.end:
                continue
            goal = target * self.gain
            off = np.abs(y[due : part.end] - float(goal))
            off = np.where(np.isnan(off), np.inf, off)
            k = int(off.argmax())
            # Next to the limit binary64 may round: the exact difference decides.
            size = abs(Fraction(float(y[due + k])) - goal) if np.isfinite(off[k]) else None
            fails = size is None or size > self.limit
            found.note(float(off[k]), due + k, fails, f"{number(y[due + k])} {unit}".strip(),
                       f"{number(float(goal))} {unit}".strip() + (f" within {number_text(self.limit)}" if self.limit else ""),
                       f"{number(float(off[k]))} {unit} away".replace("  ", " "))
        return found


def settles(*, to: str, seconds: float | str, because: str, within: float = 0, gain: float = 1, of: str = "") -> Settles:
    """to: the event argument or input that holds the target; within 0 means exactly; gain: target times this."""
    return Settles(to, number_or_name(seconds, "settles"), positive_limit(within, "settles within"), Fraction(gain), of,
                   reason(because, "settles"))


@dataclass(frozen=True)
class NoOvershoot(TimeClaim):
    """On its way to a new target the output never goes beyond it, nor back beyond where it started.

    Fails when: it leaves the span between start and target by more than the limit.
    """

    to: str
    limit: Fraction
    of: str
    because: str
    name: ClassVar[str] = "no_overshoot"

    def limit_text(self) -> str:
        return f"{number_text(self.limit)} beyond {self.to}"

    def check_machine(self, machine: Machine, where: str) -> None:
        known_value(machine, self.to, where)
        known_signal(machine, self.of, where)

    def judge(self, seen: Observation) -> Judgement:
        y, found = seen.doubles(self.of), Judgement()
        unit = seen.machine.signal_named(self.of).unit
        for part in stretches(seen):
            target = value_at(seen, self.to, part.start)
            if target is None or moving_inputs(seen, part):
                continue
            before = y[part.start - 1] if part.start > 0 else y[0]
            low, high = sorted((float(before), float(target)))
            span = y[part.start : part.end]
            beyond = np.maximum(span - high, low - span)
            beyond = np.where(np.isnan(beyond), np.inf, beyond)
            k = int(beyond.argmax())
            found.note(max(0.0, float(beyond[k])), part.start + k, bool(above(beyond[k : k + 1], self.limit)[0]),
                       f"{number(span[k])} {unit}".strip(), f"between {number(low)} and {number(high)} {unit}".strip(),
                       f"{number(float(beyond[k]))} {unit} beyond".replace("  ", " "))
        return found


def no_overshoot(*, to: str, because: str, limit: float = 0, of: str = "") -> NoOvershoot:
    """to: the event argument or input that holds the target."""
    return NoOvershoot(to, positive_limit(limit, "no_overshoot"), of, reason(because, "no_overshoot"))


@dataclass(frozen=True)
class OneWay(TimeClaim):
    """Within one phase of the reference (attack, release, ...) the output only rises, or only falls.

    Fails when: one step goes the other way by more than the slack. The samples at which a phase changes are left out.
    """

    phase: str
    sign: int
    slack: Fraction
    of: str
    because: str
    name: ClassVar[str] = "one_way"

    def label(self) -> str:
        return f"{'rising' if self.sign > 0 else 'falling'}_in({self.phase})"

    def limit_text(self) -> str:
        return f"{number_text(self.slack)} the other way"

    def check_machine(self, machine: Machine, where: str) -> None:
        known_signal(machine, self.of, where)
        if not known_to(machine, self.of):
            raise SheetError(f"{self.label()} needs a reference", where=where, why="it knows where phases begin and end",
                             todo="give reference=..., for example reference=envelope.attack_decay")

    def judge(self, seen: Observation) -> Judgement:
        y, found = seen.doubles(self.of), Judgement()
        wanted = seen.wanted(self.of)
        if wanted is None:
            return found
        for phase in wanted.phases:
            start, end = phase.start + 1, min(phase.end - 1, len(y))
            if phase.name != self.phase or end - start < 2:
                continue
            back = -self.sign * np.diff(y[start:end])
            back = np.where(np.isnan(back), np.inf, back)
            k = int(back.argmax())
            found.note(max(0.0, float(back[k])), start + k + 1, bool(above(back[k : k + 1], self.slack)[0]),
                       f"{number(y[start + k])} then {number(y[start + k + 1])}",
                       f"{'rising' if self.sign > 0 else 'falling'} in {self.phase}",
                       f"{number(float(back[k]))} the other way")
        return found


def rising_in(phase: str, *, because: str, slack: float = 0, of: str = "") -> OneWay:
    """The output only rises within a phase of the reference."""
    return OneWay(phase, 1, positive_limit(slack, "rising_in slack"), of, reason(because, "rising_in"))


def falling_in(phase: str, *, because: str, slack: float = 0, of: str = "") -> OneWay:
    """The output only falls within a phase of the reference."""
    return OneWay(phase, -1, positive_limit(slack, "falling_in slack"), of, reason(because, "falling_in"))
