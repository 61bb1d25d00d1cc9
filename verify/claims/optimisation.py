"""same_at_any_optimisation: the author's flags against other levels of the same compiler."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import ClassVar

import numpy as np

from firmware_shim.engine import NUMPY_TYPES
from firmware_shim.job import Test
from verify.claims.base import Assessment, Case, Claim, number_text, positive_limit, reason
from verify.errors import SheetError
from verify.routine import Bound, Routine

LEVELS = ("-O0", "-O2", "-O3")
BITS = -1.0


@dataclass(frozen=True)
class SameAtLevel(Claim):
    """The routine gives the same bits (or floats within ulp) when it is compiled with one more flag.

    Fails when: one result differs by more: undefined behaviour that only one level exploits, a result that hangs on
    contraction or reordering. Cannot see: which of the two is right (accurate says so for the author's flags).
    """

    level: str
    ulp: Fraction | None
    because: str
    name: ClassVar[str] = "same_at_any_optimisation"
    builds: ClassVar[tuple[str, ...]] = ("host",)

    @property
    def variants(self) -> tuple[str, ...]:
        """The other run of each script of a machine."""
        return (self.level,)

    def label(self) -> str:
        return f"{self.name}({self.level}{'' if self.ulp is None else f', ulp={number_text(self.ulp)}'})"

    def limit_text(self) -> str:
        return "the same bits" if self.ulp is None else f"ulp={number_text(self.ulp)}"

    def check(self, routine: Routine, where: str) -> None:
        if self.ulp is not None and routine.output.fraction_bits:
            raise SheetError("ulp= does not fit a fixed-point result", where=where, why="integers are equal or they are not",
                             todo='write same_at_any_optimisation(because="...")')

    def test(self, bound: Bound) -> Test | None:
        other = bound.levels.get(self.level)
        if other is None:
            return None
        high = BITS if self.ulp is None or not bound.float_output else float(self.ulp)
        return Test("same", high=high, second=other.loop, second_library=other.library, second_type=other.output_type,
                    second_inputs=other.domain.type_numbers)

    def assess(self, case: Case) -> Assessment:
        if case.slot < 0:
            return Assessment(blocked=f"it could not be built with {self.level}")
        total, slot = case.total, case.slot
        found = Assessment(valid=total.found(slot, "judged"), failing=total.found(slot, "failing"))
        found.every_value = case.every_value
        found.first_failing, found.last_failing = total.failing_ends(slot)
        found.detectors = (f"a second library, compiled with {self.level} after the author's flags",)
        apart, at = total.error(slot, "most")
        found.worst_unit = "ulp" if case.bound.float_output else "steps"
        if at >= 0 and math.isfinite(apart):
            found.worst, found.worst_at = apart, at
        if found.failing:
            found.witness = at if at >= 0 and apart > 0 else found.first_failing
            found.worst_at = found.witness
            other = case.bound.levels[self.level]
            mine, theirs = (case.probe.outputs(b, [found.witness])[0] for b in (case.bound, other))
            kind = NUMPY_TYPES[case.bound.output_type]
            texts = [f"{np.frombuffer(raw, kind)[0]!s}" if raw is not None else "nothing" for raw in (mine, theirs)]
            found.wanted_text = f"the same with {self.level}: {texts[1]}"
            found.error_text = f"{texts[0]} with the author's flags, {texts[1]} with {self.level}"
        return found


def same_at_any_optimisation(*, because: str, ulp: float | None = None, also: Sequence[str] = ()) -> tuple[SameAtLevel, ...]:
    """One claim for each of -O0, -O2, -O3 and the flags in `also` (for example "-ffp-contract=off", "-ffast-math").

    ulp: how far floats may differ; without it, and for integers always, the bits must be the same.
    """
    why = reason(because, "same_at_any_optimisation")
    limit = None if ulp is None else positive_limit(ulp, "same_at_any_optimisation(ulp=...)")
    flags = (also,) if isinstance(also, str) else tuple(also)
    return tuple(SameAtLevel(level, limit, why) for level in (*LEVELS, *flags))
