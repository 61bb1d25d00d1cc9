"""finite, no_subnormals, stays_within: what the results themselves may be."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from firmware_shim.engine import NUMPY_TYPES
from firmware_shim.job import Test
from verify.claims.base import PROTECTIVE, Assessment, Case, Claim, number_text, output_test, reason
from verify.claims.in_time import known_signal
from verify.errors import SheetError
from verify.grids import exact
from verify.judging.exact import output_value
from verify.number_formats import figure
from verify.routine import Bound, Routine

if TYPE_CHECKING:
    from verify.machines.machine import Machine


@dataclass(frozen=True)
class Finite(Claim):
    """No result is NaN or infinite.

    Fails when: one result is. Cannot see: what happens outside the range (see clamps).
    """

    because: str = PROTECTIVE
    name: ClassVar[str] = "finite"
    judges_hostile: ClassVar[bool] = False

    def assess(self, case: Case) -> Assessment:
        total = case.total
        nans, infinities = total.sum("nans"), total.sum("infinities")
        name, first, word = ("nans", "first_nan", "NaN") if nans else ("infinities", "first_infinity", "infinite")
        found = output_test(case, name, first, f"the result is {word}")
        found.wanted_text = "a finite number"
        found.failing = nans + infinities
        if nans and infinities:
            found.facts.append(f"{nans} results are NaN, {infinities} are infinite")
        return found

    def fault_in(self, raw: bytes, bound: Bound) -> str:
        kind, value = output_value(raw, bound.output_type, Fraction(1))
        return "" if value is not None else f"the result is {'NaN' if kind == 'NaN' else 'infinite'}"


@dataclass(frozen=True)
class NoSubnormals(Claim):
    """No result is subnormal (below 1.1754944e-38 for float).

    Fails when: one result is. Cannot see: subnormals inside the routine (see no_hidden_events).
    """

    because: str = PROTECTIVE
    name: ClassVar[str] = "no_subnormals"

    def check(self, routine: Routine, where: str) -> None:
        if routine.output.fraction_bits:
            raise SheetError("no_subnormals fits float results only", where=where,
                             why="fixed point has no subnormals", todo="drop the claim")

    def assess(self, case: Case) -> Assessment:
        found = output_test(case, "subnormals", "first_subnormal", "the result is subnormal")
        found.wanted_text = "zero or a normal number"
        return found

    def fault_in(self, raw: bytes, bound: Bound) -> str:
        _, value = output_value(raw, bound.output_type, Fraction(1))
        tiny = np.finfo(NUMPY_TYPES[bound.output_type]).tiny
        return "the result is subnormal" if value and abs(value) < Fraction(float(tiny)) else ""


@dataclass(frozen=True)
class StaysWithin(Claim):
    """Every result lies between two ends, inclusive.

    Fails when: one result lies outside, or is NaN or infinite. Cannot see: nothing else.
    """

    low: Fraction
    high: Fraction
    because: str
    of: str = ""
    name: ClassVar[str] = "stays_within"
    judges_hostile: ClassVar[bool] = False

    def limit_text(self) -> str:
        return f"{number_text(self.low)}, {number_text(self.high)}" + (f", {self.of}" if self.of else "")

    def check_machine(self, machine: Machine, where: str) -> None:
        """Raise SheetError when the machine has no such output."""
        known_signal(machine, self.of, where)

    def check(self, routine: Routine, where: str) -> None:
        if self.of:
            raise SheetError("stays_within(of=) is for machines", where=where, why=f"{routine.name} has one result",
                             todo="leave of= out")

    def test(self, bound: Bound) -> Test:
        return Test("range", "absolute", float(self.low), float(self.high))

    def assess(self, case: Case) -> Assessment:
        total, slot = case.total, case.slot
        found = Assessment(valid=total.found(slot, "judged"), failing=total.found(slot, "failing"))
        found.every_value = case.every_value
        found.first_failing, found.last_failing = total.failing_ends(slot)
        low, low_at = total.error(slot, "least")
        high, high_at = total.error(slot, "most")
        unit = case.bound.routine.output.unit
        beyond_low, beyond_high = float(self.low) - low, high - float(self.high)
        found.worst, found.worst_at = (low, low_at) if beyond_low > beyond_high else (high, high_at)
        found.worst_unit = unit
        found.facts.append(f"results from {figure(low)} to {figure(high)} {unit}".rstrip())
        if found.failing:
            outside = max(beyond_low, beyond_high) > 0
            found.witness = found.worst_at if outside else found.first_failing
            found.wanted_text = f"{number_text(self.low)} to {number_text(self.high)} {unit}".rstrip()
            if outside:
                found.error_text = f"outside by {figure(max(beyond_low, beyond_high))} {unit}".rstrip()
            if case.every_value:
                share = found.failing / max(1, found.valid)
                found.share, found.share_of = (share, share, share), "every value"
        return found

    def fault_in(self, raw: bytes, bound: Bound) -> str:
        output = bound.routine.output
        kind, value = output_value(raw, bound.output_type, Fraction(1) if bound.float_output else output.scale)
        if value is None:
            return f"the result is {kind}"
        beyond = max(self.low - value, value - self.high)
        return f"outside by {figure(float(beyond))} {output.unit}".rstrip() if beyond > 0 else ""


def finite(*, because: str = PROTECTIVE) -> Finite:
    """No result is NaN or infinite."""
    return Finite(reason(because, "finite"))


def no_subnormals(*, because: str = "") -> NoSubnormals:
    """No result is subnormal."""
    return NoSubnormals(reason(because, "no_subnormals"))


def stays_within(low: float, high: float, *, because: str = "", of: str = "") -> StaysWithin:
    """Every result lies in [low, high], in the unit of the result. of: which output of a machine ("": the first)."""
    where = f"stays_within({low!r}, {high!r})"
    bottom, top = exact(low, where), exact(high, where)
    if bottom > top:
        raise SheetError("stays_within: the range is reversed", where=where, why="the low end is above the high end",
                         todo=f"write stays_within({high!r}, {low!r})")
    return StaysWithin(bottom, top, reason(because, where), of)
