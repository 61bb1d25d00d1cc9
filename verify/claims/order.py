"""rising, falling: the order of the inputs is kept by the results."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import ClassVar

from firmware_shim.job import Test
from verify.claims.base import Assessment, Case, Claim, number_text, positive_limit, reason
from verify.errors import SheetError
from verify.routine import Bound, Routine


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

    def test(self, bound: Bound) -> Test:
        sign = 1.0 if self.direction == "rising" else -1.0
        return Test("order", strict=self.strict, high=float(self.slack), sign=sign)

    def assess(self, case: Case) -> Assessment:
        total, slot = case.total, case.slot
        found = Assessment(valid=total.found(slot, "judged"), failing=total.found(slot, "failing"))
        found.every_value = case.every_value
        found.first_failing, found.last_failing = total.failing_ends(slot)
        skipped = total.found(slot, "skipped")
        if skipped:
            found.every_value = False
            found.facts.append(f"{skipped} steps from or to a result that is not a number were not judged")
        least, at = total.error(slot, "least")
        if at >= 0:
            found.worst, found.worst_at = least, at
            found.worst_unit = case.bound.routine.output.unit
        if found.failing:
            found.witness = at if at >= 0 else found.first_failing
            before, here = case.probe.outputs(case.bound, [found.witness - 1, found.witness])
            kind = "does not move" if least == 0 else "goes the wrong way"
            words = ("above", "below") if self.strict else ("not below", "not above")
            found.wanted_text = f"{words[self.direction != 'rising']} the result one input before"
            step = least * (1.0 if self.direction == "rising" else -1.0) + 0.0
            found.error_text = f"step {step:+.9g} {found.worst_unit}: the result {kind} between neighbouring inputs"
            if before is None or here is None:
                found.facts.append("the step was seen in a sweep and did not repeat alone")
            if case.every_value:
                share = found.failing / max(1, found.valid)
                found.share, found.share_of = (share, share, share), "every step"
        return found


def rising(*, strict: bool = False, slack: float = 0, because: str = "") -> Order:
    """The result never falls as the input rises (strict: it rises at every step)."""
    return Order("rising", bool(strict), positive_limit(slack, "rising"), reason(because, "rising"))


def falling(*, strict: bool = False, slack: float = 0, because: str = "") -> Order:
    """The result never rises as the input rises (strict: it falls at every step)."""
    return Order("falling", bool(strict), positive_limit(slack, "falling"), reason(because, "falling"))
