"""stays_stable, decays_to_zero: what a machine does at the ends of its settings, and when nothing goes in any more."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from math import ceil
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from firmware_shim.job import Test
from verify.claims.base import Assessment, Case, number_text, positive_limit, reason
from verify.claims.in_time import Judgement, TimeClaim
from verify.claims.poles import (
    FORMS,
    assess_poles,
    check_function,
    partner_name,
    partner_problem,
    poles_inside,
    poles_test,
)
from verify.errors import SheetError, nearest_words
from verify.machines.script import Piece, Script
from verify.number_formats import figure
from verify.routine import Bound, Routine

if TYPE_CHECKING:
    from verify.machines.machine import Machine
    from verify.machines.observation import Observation

GAPS = (1, 5, 16, 64, 300)
DRIVEN = 3000
MOST_JUMPS = 150
LONGEST_PERIOD = 4096
# So many samples tell a stuck level and a short cycle from a tail that is only late.
SHORTEST_TAIL = 256


def fed(streams: tuple[tuple[Piece, ...], ...], held: Mapping[int, Piece]) -> tuple[tuple[Piece, ...], ...]:
    """The same with these pieces at their inputs."""
    return tuple((held[k],) if k in held else pieces for k, pieces in enumerate(streams))


def with_rest(machine: Machine, pieces: tuple[Piece, ...], number: int) -> tuple[tuple[Piece, ...], ...]:
    """One input as given, the others at rest."""
    from verify.machines.drives import resting

    return tuple(pieces if k == number else (resting(grid),) for k, grid in enumerate(machine.inputs))


@dataclass(frozen=True)
class StaysStable(TimeClaim):
    """With all settings, also at their ends and while they change fast, the filter stays stable.

    peak: no output sample is larger than so many times the largest input so far (as tried; where an input has the output's
    unit, those of other units are settings and do not count). poles: where coefficients are
    readable as outputs, |a2| < 1 and |a1| < 1 + a2 is decided exactly for every set of coefficients that occurred: all poles
    lie inside the circle. Of a function that computes a coefficient the same is decided for every setting of its inputs that
    was run: with all of them, every value. Fails when: one sample, or one set, does not keep to it. Cannot see: scripts that
    were not drawn; poles inside the circle do not bound a filter whose settings change all the time: only peak= looks there.
    """

    peak: Fraction | None
    poles: tuple[tuple[str, str], ...]
    radius: Fraction
    of: str
    because: str
    name: ClassVar[str] = "stays_stable"
    unit: ClassVar[str] = "x the input"

    def limit_text(self) -> str:
        parts = [f"at most {number_text(self.peak)} times the input"] if self.peak is not None else []
        if self.poles:
            parts.append(f"poles of {', '.join(signal for _, signal in self.poles)} within {number_text(self.radius)}")
        return "; ".join(parts)

    def check(self, routine: Routine, where: str) -> None:
        check_function(self.poles, self.peak, routine, where)

    def partner_of(self, routine: Routine) -> str:
        return partner_name(self.poles, routine)

    def partner_problem(self, bound: Bound, partner: Bound | None) -> str:
        return partner_problem(bound, partner)

    def test(self, bound: Bound) -> Test:
        return poles_test(self.poles, self.radius, bound)

    def assess(self, case: Case) -> Assessment:
        return assess_poles(self.poles, self.radius, case)

    def check_machine(self, machine: Machine, where: str) -> None:
        names = [output.name for output in machine.outputs]
        for name in (*([self.of] if self.of else []), *(signal for _, signal in self.poles)):
            if name not in names:
                raise SheetError(f"no output is called {name!r}", where=where, why="the claim looks at it",
                                 todo=nearest_words(name, names))
        if self.peak is not None and not machine.inputs:
            raise SheetError("stays_stable(peak=...) needs an input per sample", where=where,
                             why="the output is measured by it", todo="use stays_within(...), or poles=")

    def scripts(self, machine: Machine) -> list[Script]:
        """Every end of every setting under full-scale noise, a square and a slow sine; then settings that jump, and such
        inputs as are settings at their ends and moving."""
        from verify.machines.drives import driven_input, held_settings, modulations, moving_settings, settings, sine

        found, main = [], driven_input(machine, self.of)
        for rate, rate_hz in enumerate(machine.sample_rates_hz):
            drives: list[tuple[Piece, ...]] = []
            if machine.inputs:
                top = machine.inputs[main].count - 1
                drives = [(Piece(0, "noise", 0, top, 3),), (Piece(0, "square", top, 0, 40),),
                          (sine(machine.inputs[main], 0, rate_hz / 100, rate_hz, Fraction(1)),)]
            for number, begin in enumerate(settings(machine)):
                chosen = drives[number % 3 : number % 3 + 1] if number > 8 else drives
                found += [Script(rate, DRIVEN, begin, with_rest(machine, drive, main)) for drive in chosen]
                if not drives:
                    found.append(Script(rate, DRIVEN, begin))
            for number, held in enumerate([*held_settings(machine, self.of), *moving_settings(machine, self.of)]):
                if held:
                    streams = with_rest(machine, drives[number % 3], main)
                    found.append(Script(rate, DRIVEN, (), fed(streams, held)))
            for gap in GAPS:
                for seed in (1, 2):
                    jumps = modulations(machine, gap, DRIVEN // gap, seed)
                    if jumps:
                        streams = with_rest(machine, drives[seed % 3], main) if drives else ()
                        found.append(Script(rate, DRIVEN, jumps[:MOST_JUMPS], streams))
        return found

    def judge(self, seen: Observation) -> Judgement:
        found = Judgement()
        if not seen.done:
            return found
        if self.peak is not None:
            self.note_peak(seen, found)
        if self.poles:
            self.note_poles(seen, found)
        return found

    def note_peak(self, seen: Observation, found: Judgement) -> None:
        """The largest output sample against the largest input so far; inputs that are settings do not count."""
        from verify.machines.drives import setting_inputs

        y = np.abs(seen.doubles(self.of))
        x, no_signals = np.zeros(seen.done), setting_inputs(seen.machine, self.of)
        for number, grid in enumerate(seen.machine.inputs):
            if number not in no_signals:
                x = np.maximum(x, np.abs(seen.stream(grid.name)))
        room = np.maximum.accumulate(x)
        y = np.where(np.isnan(y), np.inf, y)
        with np.errstate(divide="ignore", invalid="ignore"):
            times = np.where(y == 0, 0.0, y / room)
        k = int(times.argmax())
        most = Fraction(float(y[k])) if np.isfinite(y[k]) else None
        assert self.peak is not None
        wrong = most is None or most > self.peak * Fraction(float(room[k]))
        unit = seen.machine.signal_named(self.of).unit
        found.note(float(times[k]), k, wrong, f"{figure(seen.doubles(self.of)[k])} {unit}".strip(),
                   f"at most {number_text(self.peak)} x {figure(room[k])} {unit}".rstrip() + ", the largest input so far",
                   f"{float(times[k]):.4g} times the input")

    def note_poles(self, seen: Observation, found: Judgement) -> None:
        """Each set of coefficients that occurred, exactly."""
        scales = [seen.machine.signal_named(signal).scale for _, signal in self.poles]
        raws = [seen.raw[signal] for _, signal in self.poles]
        if not all(np.isfinite(raw).all() for raw in raws):
            bad = min(int(np.flatnonzero(~np.isfinite(raw))[0]) for raw in raws if not np.isfinite(raw).all())
            found.note(np.inf, bad, True, "a coefficient that is not finite", "finite coefficients", "no filter at all")
            return
        kinds = np.stack([raw.astype(np.float64) for raw in raws], axis=1)
        sets, first = np.unique(kinds, axis=0, return_index=True)
        for row, at in zip(sets.tolist(), first.tolist(), strict=True):
            values = [Fraction(value) * scale for value, scale in zip(row, scales, strict=True)]
            inside, size = poles_inside(self.poles, values, self.radius)
            named = ", ".join(f"{signal} = {figure(value)}" for (_, signal), value in zip(self.poles, values, strict=True))
            found.note(size, at, not inside, named, f"all poles inside the circle of {number_text(self.radius)}",
                       f"a pole of size {figure(size)}")


def stays_stable(*, because: str, peak: float | None = None, poles: Mapping[str, str] | None = None, radius: float = 1,
                 of: str = "") -> StaysStable:
    """peak: largest output over largest input. poles: which outputs hold the coefficients: {"a1": "a1", "a2": "a2"} of
    1 + a1/z + a2/z^2, {"minus_a1": ..., "minus_a2": ...}, {"f": ..., "damping": ...} of two integrators, {"pole": ...} or
    {"a": ...} of a one-pole y += a (x - y); of a function, the two routines that compute the coefficients from the same
    inputs, this one among them. radius: how near to the circle poles may come."""
    named = dict(poles or {})
    key = next((form for form in FORMS if set(form) == set(named)), None)
    if peak is None and not named:
        raise SheetError("stays_stable: give peak=, poles=, or both", where="stays_stable", why="nothing could be judged",
                         todo='write for example stays_stable(peak=20, because="...")')
    if named and key is None:
        raise SheetError(f"stays_stable: poles={named!r}", where="stays_stable", why="coefficients have known names",
                         todo="one of " + "; ".join("{" + ", ".join(form) + "}" for form in FORMS))
    return StaysStable(None if peak is None else positive_limit(peak, "stays_stable peak"),
                       tuple((name, named[name]) for name in key or ()), positive_limit(radius, "stays_stable radius"), of,
                       reason(because, "stays_stable"))


@dataclass(frozen=True)
class DecaysToZero(TimeClaim):
    """Once all inputs are 0, the output is within a limit of 0 (exactly 0 by default) by a time, and stays so.

    Scripts drive the machine at full scale (held, squares, sines, noise of many lengths) with every setting, so that its
    state is as large as it comes, and then feed zeros: what never ends is a limit cycle, a stuck step, or a tail of
    subnormals. Fails when: the output is beyond the limit after the time. Cannot see: states that no drive reached; inputs
    that have no zero.
    """

    seconds: Fraction
    limit: Fraction
    of: str
    because: str
    name: ClassVar[str] = "decays_to_zero"

    def limit_text(self) -> str:
        how = "exactly" if self.limit == 0 else f"within {number_text(self.limit)}"
        return f"{how}, {number_text(self.seconds)} s after the input"

    def check_machine(self, machine: Machine, where: str) -> None:
        from verify.machines.drives import setting_inputs, zero_place

        fed_settings = setting_inputs(machine, self.of)
        if not machine.inputs or any(zero_place(grid) < 0 for k, grid in enumerate(machine.inputs) if k not in fed_settings):
            raise SheetError("decays_to_zero needs inputs that can be 0", where=where, why="zeros are what it feeds",
                             todo="give the input a range that holds 0, or drop the claim")

    def scripts(self, machine: Machine) -> list[Script]:
        """Full-scale drives, then zeros, with every setting."""
        from verify.machines.drives import driven_input, full_drives, held_settings, settings, zero_place

        found, main, every = [], driven_input(machine, self.of), held_settings(machine, self.of)
        for rate, rate_hz in enumerate(machine.sample_rates_hz):
            wait = ceil(self.seconds * rate_hz) + max(SHORTEST_TAIL, min(LONGEST_PERIOD, ceil(rate_hz / 20)))
            for number, begin in enumerate(settings(machine, 12)):
                for place, (piece, length) in enumerate(full_drives(machine.inputs[main], rate_hz)):
                    if number > 3 and (place + number) % 3:
                        continue
                    rest = Piece(length, "hold", zero_place(machine.inputs[main]))
                    for held in every if number == 0 else every[:1]:
                        streams = fed(with_rest(machine, (piece, rest), main), held)
                        found.append(Script(rate, length + wait, begin, streams))
        return found

    def silent_from(self, seen: Observation) -> int:
        """First sample from which all inputs are held at 0, those that are settings anywhere, and nothing happens; the
        script's end when there is none."""
        from verify.machines.drives import setting_inputs

        start = max([e.sample for e in seen.script.events], default=0)
        fed_settings = setting_inputs(seen.machine, self.of)
        for number, (grid, pieces) in enumerate(zip(seen.machine.inputs, seen.script.streams, strict=True)):
            last = pieces[-1] if pieces else None
            if last is None or last.shape != "hold" or last.a < 0 or not (number in fed_settings or grid.value(last.a) == 0):
                return seen.done
            start = max(start, last.start)
        return start

    def judge(self, seen: Observation) -> Judgement:
        found = Judgement()
        if not seen.machine.inputs:
            return found
        due = self.silent_from(seen) + ceil(self.seconds * seen.rate_hz)
        if seen.done - due < SHORTEST_TAIL:
            return found
        raw, tail = seen.raw[seen.machine.signal_named(self.of).name][due:], seen.doubles(self.of)[due:]
        unit = seen.machine.signal_named(self.of).unit
        size = np.where(np.isnan(tail), np.inf, np.abs(tail))
        at = int(size.argmax())
        late = not np.isfinite(size[at]) or Fraction(float(size[at])) > self.limit
        if not late and raw.dtype.kind == "f":
            # Within the limit, but slow on some cores and flushed on others.
            tiny = (raw != 0) & (np.abs(raw) < np.finfo(raw.dtype).smallest_normal)
            late, at = bool(tiny.any()), int(tiny.argmax()) if tiny.any() else at
        found.note(float(size[at]), due + at, late, f"{figure(float(tail[at]))} {unit}".strip(),
                   ("exactly 0" if self.limit == 0 else f"within {number_text(self.limit)} of 0") + f" from sample {due} on",
                   self.described(tail, raw, unit) if late else "")
        return found

    def described(self, tail: np.ndarray, raw: np.ndarray, unit: str) -> str:
        """What goes on in a tail that should be over."""
        if not np.isfinite(tail).all():
            return "it is not finite"
        if raw.dtype.kind == "f" and 0 < np.abs(raw[raw != 0]).min(initial=1) < np.finfo(raw.dtype).smallest_normal:
            return "a tail of subnormals"
        size = f"{figure(float(np.abs(tail).max()), 6)} {unit}".strip()
        for period in repeats(tail):
            if period == 1:
                return f"it stays at {figure(float(tail[-1]), 6)} {unit}".strip() + " for ever"
            return f"a limit cycle of {period} samples and {size}, as long as the script runs"
        return f"still {size}"


def repeats(tail: np.ndarray) -> Iterator[int]:
    """The shortest period of the last part of a signal, if it repeats exactly three times or more."""
    back = tail[::-1][: 4 * LONGEST_PERIOD]
    for period in range(1, min(LONGEST_PERIOD, len(back) // 3) + 1):
        if (back[: 2 * period] == back[period : 3 * period]).all() and (back[:-period] == back[period:])[: 3 * period].all():
            yield period
            return


def decays_to_zero(*, seconds: float, because: str, within: float = 0, of: str = "") -> DecaysToZero:
    """seconds: how long after the input's last sample; within: what counts as zero (default: exactly zero)."""
    return DecaysToZero(positive_limit(seconds, "decays_to_zero"), positive_limit(within, "decays_to_zero within"), of,
                        reason(because, "decays_to_zero"))
