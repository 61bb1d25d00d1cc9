"""periodic, symmetric, reaches_both_ends: a function compared with itself at another input, and at its ends."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import ClassVar

import numpy as np

from firmware_shim.job import Test
from verify.claims.base import Assessment, Case, Claim, number_text, positive_limit, reason
from verify.errors import SheetError
from verify.grids import exact
from verify.judging.exact import output_value
from verify.number_formats import figure
from verify.routine import Bound, Routine

# A difference rounds by 2^-53 of itself; a sum with an offset by that of numbers of another size: those are judged exactly.
MARGIN, FAR = 2.0**-48, 2.0**-36


@dataclass(frozen=True)
class Pair(Claim):
    """f(partner) = sign f(x) + offset within a limit, where the partner lies exactly on the grid.

    mirrored: the partner is `step` - x, else x + `step`; lsb: the limit is in steps of the output.
    """

    step: Fraction
    mirrored: bool
    sign: int
    offset: Fraction
    limit: Fraction
    lsb: bool
    because: str

    def limit_text(self) -> str:
        return f"{'lsb' if self.lsb else 'absolute'}={number_text(self.limit)}"

    def check(self, routine: Routine, where: str) -> None:
        if len(routine.inputs) != 1:
            raise SheetError(f"{self.name} needs a routine of one input", where=where,
                             why="a partner is one other value of it", todo="drop the claim, or fix the other inputs")

    def absolute(self, bound: Bound) -> Fraction:
        """The limit in the output's unit."""
        return self.limit * (bound.routine.output.scale if self.lsb else 1)

    def test(self, bound: Bound) -> Test:
        grid, limit = bound.domain.grids[0], float(self.absolute(bound))
        exactly = Fraction(limit) == self.absolute(bound) and Fraction(float(self.offset)) == self.offset
        margin = MARGIN * limit + (FAR * (1 + abs(float(self.offset))) if self.offset else 0.0)
        if exactly and (not bound.float_output or not (limit or self.offset)):
            # Differences of whole numbers are exact, and a difference is 0 only between equal numbers.
            margin = 0.0
        return Test("pair", "absolute", -limit, limit, margin, sign=float(self.sign), strict=self.mirrored,
                    step=float(self.step), second_low=float(grid.low), second_high=float(grid.high),
                    second_scale=float(self.offset))

    def partner(self, bound: Bound, ordinal: int) -> int:
        """Ordinal of the other input."""
        grid = bound.domain.grids[0]
        value = self.step - grid.value(ordinal) if self.mirrored else grid.value(ordinal) + self.step
        return grid.index_near(value)

    def error(self, case: Case, ordinal: int) -> Fraction | None:
        """The pair's error, from the exact outputs; None where one did not come."""
        bound = case.bound
        raws = case.probe.outputs(bound, [ordinal, self.partner(bound, ordinal)])
        if raws[0] is None or raws[1] is None:
            return None
        scale = Fraction(1) if bound.float_output else bound.routine.output.scale
        (_, here), (_, there) = (output_value(raw, bound.output_type, scale) for raw in raws if raw is not None)
        if here is None or there is None:
            return None
        return Fraction(there) - (self.sign * Fraction(here) + self.offset)

    def assess(self, case: Case) -> Assessment:
        total, slot = case.total, case.slot
        found = Assessment(valid=total.found(slot, "judged"), failing=total.found(slot, "failing"))
        found.every_value = case.every_value
        found.first_failing, found.last_failing = total.failing_ends(slot)
        skipped = total.found(slot, "skipped")
        if skipped:
            found.facts.append(f"{skipped} inputs have no partner on the grid: skipped")
        opens = case.evidence.opens[case.evidence.opens[:, 0] == slot, 1]
        limit = self.absolute(case.bound)
        errors = {int(o): self.error(case, int(o)) for o in opens[:1000]}
        wrong = [o for o, e in errors.items() if e is not None and abs(e) > limit]
        unsure = [o for o, e in errors.items() if e is None]
        found.failing += len(wrong)
        found.open = total.found(slot, "open") - len(errors) + len(unsure)
        ends = [total.error(slot, name)[1] for name in ("least", "most")]
        known = {o: e for o in {*ends, *wrong[:2], found.first_failing} if o >= 0 and (e := self.error(case, o)) is not None}
        if known:
            at = max(sorted(known), key=lambda o: abs(known[o]))
            unit = case.bound.routine.output.unit
            found.worst, found.worst_at, found.worst_unit = float(known[at]), at, unit
            found.times_limit = float(abs(known[at]) / limit) if limit else None
            if found.failing:
                other = float(case.bound.domain.grids[0].value(self.partner(case.bound, at)))
                found.witness = at
                found.wanted_text = self.words(other)
                found.error_text = f"off by {figure(float(known[at]), 6, signed=True)} {unit}".rstrip()
        return found

    def words(self, other: float) -> str:
        """What is wanted, in words."""
        raise NotImplementedError


@dataclass(frozen=True)
class Periodic(Pair):
    """One period on, the result is the same within a limit. Inputs whose partner is off the grid are skipped, and counted.

    Fails when: one pair is further apart. Cannot see: a wrong wave that repeats.
    """

    name: ClassVar[str] = "periodic"

    def words(self, other: float) -> str:
        return f"the result at {figure(other)}, one period on"


@dataclass(frozen=True)
class Symmetric(Pair):
    """Mirrored inputs give the same (even) or the opposite (odd) result within a limit.

    Fails when: one pair is further apart. Cannot see: errors that are themselves symmetric.
    """

    name: ClassVar[str] = "symmetric"

    def words(self, other: float) -> str:
        return f"the {'same' if self.sign > 0 else 'opposite'} result as at {figure(other)}"


def _limit(where: str, absolute: float | None, lsb: float | None) -> tuple[Fraction, bool]:
    if (absolute is None) == (lsb is None):
        raise SheetError(f"{where}: give absolute= or lsb=", where=where, why="a limit needs its unit",
                         todo=f'write for example {where}(..., absolute=0, because="...")')
    return positive_limit(absolute if absolute is not None else lsb, where), lsb is not None


def periodic(period: float, *, because: str, absolute: float | None = None, lsb: float | None = None) -> Periodic:
    """period: in the input's unit (one turn, 2**32 steps, an octave of a pitch class)."""
    limit, steps = _limit("periodic", absolute, lsb)
    size = exact(period, "periodic")
    if size <= 0:
        raise SheetError("periodic: the period lies above 0", where="periodic", why=f"got {period}",
                         todo="write it as a positive number")
    return Periodic(size, False, 1, Fraction(0), limit, steps, reason(because, "periodic"))


def symmetric(kind: str, *, because: str, absolute: float | None = None, lsb: float | None = None, about: float = 0,
              centre: float = 0) -> Symmetric:
    """kind: "odd" or "even"; about: the input that is mirrored to itself; centre: the result half way between opposites."""
    if kind not in ("odd", "even"):
        raise SheetError(f"symmetric({kind!r})", where="symmetric", why="a function is odd or even",
                         todo='write symmetric("odd", ...) or symmetric("even", ...)')
    limit, steps = _limit("symmetric", absolute, lsb)
    offset = 2 * exact(centre, "symmetric") if kind == "odd" else Fraction(0)
    return Symmetric(2 * exact(about, "symmetric"), True, -1 if kind == "odd" else 1, offset, limit, steps,
                     reason(because, "symmetric"))


@dataclass(frozen=True)
class ReachesBothEnds(Claim):
    """Over its inputs the routine gives results as low as one end and as high as the other (within a limit).

    Fails when: the lowest or the highest result stops short; judged by the extremes of all inputs that were run. Cannot
    see: where in between the results lie.
    """

    low: Fraction
    high: Fraction
    within: Fraction
    because: str
    whole_range: ClassVar[bool] = True
    name: ClassVar[str] = "reaches_both_ends"

    def limit_text(self) -> str:
        room = f", within {number_text(self.within)}" if self.within else ""
        return f"{number_text(self.low)}, {number_text(self.high)}{room}"

    def test(self, bound: Bound) -> Test:
        return Test("range", "absolute", -np.inf, np.inf)

    def assess(self, case: Case) -> Assessment:
        total, slot = case.total, case.slot
        found = Assessment(valid=total.found(slot, "judged"), every_value=case.every_value)
        if not found.valid:
            return found
        (low, low_at), (high, high_at) = total.error(slot, "least"), total.error(slot, "most")
        unit = case.bound.routine.output.unit
        found.worst_unit = unit
        found.facts.append(f"results from {figure(low)} to {figure(high)} {unit}".rstrip())
        misses = [(Fraction(low) - self.low - self.within, low_at, self.low, "lowest"),
                  (self.high - self.within - Fraction(high), high_at, self.high, "highest")]
        short, at, end, word = max(misses, key=lambda miss: miss[0])
        found.worst, found.worst_at = max(0.0, float(short)), at
        if short > 0:
            found.failing, found.witness, found.first_failing, found.last_failing = 1, at, at, at
            found.wanted_text = f"the {word} result at {number_text(end)} {unit}".rstrip()
            found.error_text = f"the {word} result stops {figure(float(short), 6)} {unit} short".replace("  ", " ")
        return found


def reaches_both_ends(low: float, high: float, *, because: str, within: float = 0) -> ReachesBothEnds:
    """The ends in the result's unit; within: how far a result may stop short of an end."""
    where = f"reaches_both_ends({low!r}, {high!r})"
    bottom, top = exact(low, where), exact(high, where)
    if bottom > top:
        raise SheetError("reaches_both_ends: the range is reversed", where=where, why="the low end is above the high end",
                         todo=f"write reaches_both_ends({high!r}, {low!r})")
    return ReachesBothEnds(bottom, top, positive_limit(within, where), reason(because, where))
