"""rising, falling: the order of the inputs is kept by the results."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Any, ClassVar

import numpy as np

from firmware_shim.engine import NUMPY_TYPES
from firmware_shim.job import Test
from verify.claims.base import Assessment, Case, Claim, doubles_of, number_text, positive_limit, reason
from verify.claims.measured import doubt_of
from verify.errors import SheetError
from verify.number_formats import figure
from verify.routine import Bound, Routine

# So small a step back is one of rounding: the message names the way to allow it.
ROUNDINGS = 4


@dataclass(frozen=True)
class Order(Claim):
    """Between neighbouring inputs the result never steps the wrong way by more than slack.

    Fails when: one step between neighbours goes the wrong way (strict: or stands still).
    Cannot see: with several inputs, order along any but the last one.
    """

    direction: str
    strict: bool
    slack: Fraction
    because: str
    name: ClassVar[str] = "order"

    def label(self) -> str:
        words = ["strict"] * self.strict + [f"slack={number_text(self.slack)}"] * (self.slack > 0)
        return self.direction + (f"({', '.join(words)})" if words else "")

    def limit_text(self) -> str:
        return "no step back" if not self.strict else "every step up" if self.direction == "rising" else "every step down"

    def check(self, routine: Routine, where: str) -> None:
        if any(grid.count < 2 for grid in routine.inputs[-1:]):
            raise SheetError(f"{self.direction}: the input has one value only", where=where,
                             why="order needs two neighbours", todo="widen the range")
        if self.strict and routine.stages is not None and routine.stages.voice is not None:
            raise SheetError(f"{self.direction}(strict=True) does not fit a measured signal", where=where,
                             why="steps smaller than the measurement's own error cannot be told from none",
                             todo=f"write {self.direction}(because=...), or claim it of a path that ends before the machine")

    def test(self, bound: Bound) -> Test:
        sign = 1.0 if self.direction == "rising" else -1.0
        slack = float(self.slack)
        if doubt_of(bound, "relative"):
            # The finest that may be judged anywhere; assess looks closer where every result was kept.
            slack += float(2 * doubt_of(bound, "relative") * Fraction(bound.screen.high if bound.screen else 0))
        return Test("order", strict=self.strict, high=slack, sign=sign)

    def assess(self, case: Case) -> Assessment:
        total, slot = case.total, case.slot
        found = Assessment(valid=total.found(slot, "judged"), failing=total.found(slot, "failing"))
        found.every_value = case.every_value
        found.first_failing, found.last_failing = total.failing_ends(slot)
        if doubt_of(case.bound, "cents"):
            self.measured(case, found)
        skipped = total.found(slot, "skipped")
        if skipped:
            found.every_value = False
            found.facts.append(f"{skipped} steps from or to a result that is not a number were not judged")
        least, at = total.error(slot, "least")
        if at >= 0 and found.worst is None:
            found.worst, found.worst_at = least, at
            found.worst_unit = case.bound.routine.output.unit
        if found.failing:
            found.witness = found.worst_at if found.worst_at is not None else found.first_failing
            least = found.worst if found.worst is not None else least
            before, here = case.probe.outputs(case.bound, [found.witness - 1, found.witness])
            kind = "does not move" if least == 0 else "goes the wrong way"
            words = ("above", "below") if self.strict else ("not below", "not above")
            found.wanted_text = f"{words[self.direction != 'rising']} the result one input before"
            kind_of_result = NUMPY_TYPES[case.bound.output_type]
            earlier = float(doubles_of([before], kind_of_result, case.bound.output_scale)[0])
            if before:
                found.wanted_text += f", {earlier:.12g} {found.worst_unit}".rstrip()
            step = least * (1.0 if self.direction == "rising" else -1.0) + 0.0
            shown = f"{figure(step, signed=True)} {found.worst_unit}"
            found.error_text = f"step {shown}: the result {kind} between neighbouring inputs"
            if before is None or here is None:
                found.facts.append("the step was seen in a sweep and did not repeat alone")
            elif kind_of_result.kind == "f" and 0 < abs(least) <= ROUNDINGS * (ulp := spacing(earlier, kind_of_result)):
                steps = round(abs(least) / ulp)
                found.facts.append(f"{steps} rounding{'s' * (steps != 1)} of the result's format: where that may be, write "
                                   f"{self.direction}(slack=...), in {found.worst_unit or 'the unit of the result'}")
            if case.every_value:
                share = found.failing / max(1, found.valid)
                found.share, found.share_of = (share, share, share), "every step"
        return found

    def measured(self, case: Case, found: Assessment) -> None:
        """A measured pitch: steps back within twice the measurement's own error are none that could be told."""
        doubt = 2 * float(doubt_of(case.bound, "relative"))
        cents = 2 * float(doubt_of(case.bound, "cents"))
        found.facts.append(f"steps back of up to {cents:g} cents, twice the own error of the measured pitch, are not counted")
        results = case.probe.kept_outputs(case.bound)
        if results is None or len(case.bound.domain.grids) > 1:
            return
        sign = 1.0 if self.direction == "rising" else -1.0
        with np.errstate(invalid="ignore"):
            steps = sign * np.diff(results)
        wrong = 1 + np.flatnonzero(steps < -float(self.slack) - doubt * np.abs(results[1:]))
        found.failing = len(wrong)
        found.first_failing, found.last_failing = (int(wrong[0]), int(wrong[-1])) if len(wrong) else (-1, -1)
        if np.isfinite(steps).any():
            found.worst_at = int(np.nanargmin(steps)) + 1
            found.worst, found.worst_unit = float(steps[found.worst_at - 1]), case.bound.routine.output.unit


def spacing(value: float, kind: np.dtype[Any]) -> float:
    """Distance from a result to the next number of its format."""
    return float(np.spacing(kind.type(abs(value)))) if np.isfinite(value) else 0.0


def rising(*, strict: bool = False, slack: float = 0, because: str = "") -> Order:
    """The result never falls as the input rises. strict: it rises at every step; slack: how far it may fall, in its unit."""
    return Order("rising", bool(strict), positive_limit(slack, "rising"), reason(because, "rising"))


def falling(*, strict: bool = False, slack: float = 0, because: str = "") -> Order:
    """The result never rises as the input rises. strict: it falls at every step; slack: how far it may rise, in its unit."""
    return Order("falling", bool(strict), positive_limit(slack, "falling"), reason(because, "falling"))
