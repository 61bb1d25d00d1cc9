"""same_when_flushed: what becomes of a routine on a board that turns subnormals to zero."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import ClassVar

import numpy as np

from firmware_shim.engine import NUMPY_TYPES
from firmware_shim.job import Test
from verify.claims.base import Assessment, Case, Claim, number_text, positive_limit, reason
from verify.errors import SheetError
from verify.routine import Bound

# The smallest normal number of binary32: what flushing one result itself can change.
SMALLEST_NORMAL = Fraction(1, 2**126)
FLUSHED = "subnormals the other way"


@dataclass(frozen=True)
class SameWhenFlushed(Claim):
    """The routine gives the same, within a limit, whether subnormals are kept or turned to zero.

    Fails when: one result differs by more: a division by what became zero, a tail that is cut, a small number that
    is scaled up again. Both modes run on this computer (operands and results flushed together). Cannot see: which is right.
    """

    absolute: Fraction | None
    ulp: Fraction | None
    because: str
    name: ClassVar[str] = "same_when_flushed"
    builds: ClassVar[tuple[str, ...]] = ("host",)
    variants: ClassVar[tuple[str, ...]] = (FLUSHED,)

    @property
    def limit(self) -> Fraction:
        """The limit, in the result's unit or in ulp."""
        return self.absolute if self.absolute is not None else self.ulp or Fraction(0)

    def limit_text(self) -> str:
        return f"ulp={number_text(self.limit)}" if self.absolute is None else f"absolute={number_text(self.limit)}"

    def test(self, bound: Bound) -> Test:
        return Test("same", metric="ulp" if self.absolute is None else "absolute", high=float(self.limit), second=bound.loop,
                    second_library=bound.library, second_type=bound.output_type, second_inputs=bound.domain.type_numbers,
                    second_flushed=True)

    def assess(self, case: Case) -> Assessment:
        total, slot, bound = case.total, case.slot, case.bound
        found = Assessment(valid=total.found(slot, "judged"), failing=total.found(slot, "failing"))
        found.every_value = case.every_value
        found.first_failing, found.last_failing = total.failing_ends(slot)
        found.detectors = ("every block once more with subnormal operands and results turned the other way",)
        found.not_watched = ("which of the two is right",)
        apart, at = total.error(slot, "most")
        found.worst_unit = "ulp" if self.absolute is None else bound.routine.output.unit
        if at >= 0 and math.isfinite(apart):
            found.worst, found.worst_at = apart, at
        if at >= 0 and apart > 0 and not found.failing:
            found.facts.append("the two differ, within the limit")
        if found.failing:
            found.witness = found.worst_at = found.first_failing if not math.isfinite(apart) else at
            raws = bound.domain.raw_bits(found.witness)
            texts = {flushed: shown(case.probe.in_mode(bound, raws, flushed), bound) for flushed in (False, True)}
            found.wanted_text = f"the same with subnormals flushed: within {self.limit_text()}"
            found.error_text = f"{texts[False]} where subnormals are kept, {texts[True]} where they are flushed"
        return found


def shown(raw: bytes | None, bound: Bound) -> str:
    """A raw result as a number."""
    return "nothing" if not raw else f"{np.frombuffer(raw, NUMPY_TYPES[bound.output_type])[0]!s}"


def same_when_flushed(*, because: str, absolute: float | None = None, ulp: float | None = None) -> SameWhenFlushed:
    """The same with subnormals kept and flushed; without a limit within the smallest normal number of binary32."""
    if absolute is not None and ulp is not None:
        raise SheetError("same_when_flushed has two limits", where="same_when_flushed(...)",
                         why="absolute= and ulp= are given", todo="keep one")
    where = "same_when_flushed"
    why = reason(because, where)
    if ulp is not None:
        return SameWhenFlushed(None, positive_limit(ulp, f"{where}(ulp=...)"), why)
    limit = SMALLEST_NORMAL if absolute is None else positive_limit(absolute, f"{where}(absolute=...)")
    return SameWhenFlushed(limit, None, why)


def apart(one: np.ndarray, other: np.ndarray, scale: float) -> np.ndarray:
    """Distance of two signals in their unit; infinite where only one is a number, or infinities differ."""
    a, b = one.astype(np.float64) * scale, other.astype(np.float64) * scale
    with np.errstate(invalid="ignore"):
        found = np.abs(a - b)
    both = (a == b) | (np.isnan(a) & np.isnan(b))
    return np.where(both, 0.0, np.where(np.isnan(found), np.inf, found))
