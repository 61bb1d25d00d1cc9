"""octave_doubles, inverse_of: the routine compared with itself and with its counterpart."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import ClassVar

import numpy as np

from firmware_shim.engine import NUMPY_TYPES
from firmware_shim.job import Test
from verify.claims.base import Assessment, Case, Claim, number_text, positive_limit, reason
from verify.errors import SheetError, nearest_words
from verify.hunting.places import OCTAVE_UNITS
from verify.judging.exact import cents_of, output_value
from verify.judging.verdict import grouped
from verify.number_formats import figure
from verify.routine import Bound, Routine
from verify.units import PITCH_UNITS

INVERSE_UNITS = {"volts": "V", "hz": "Hz", "cents": "cents", "lsb": "LSB", "absolute": "", "relative": "relative"}
MARGIN = 2.0**-44


def _cents_limits(limit: Fraction) -> tuple[float, float]:
    size = float(limit) * math.log(2) / 1200
    return math.expm1(-size), math.expm1(size)


@dataclass(frozen=True)
class OctaveDoubles(Claim):
    """One octave up doubles the result: f(w) against 2 f(v) where w is v and one octave, on the grid exactly.

    Fails when: one pair is off by more than the limit. Cannot see: an error common to all octaves.
    """

    limit: Fraction
    because: str
    name: ClassVar[str] = "octave_doubles"

    def limit_text(self) -> str:
        return f"cents={number_text(self.limit)}"

    def check(self, routine: Routine, where: str) -> None:
        unit = routine.inputs[0].unit
        if len(routine.inputs) != 1 or unit not in OCTAVE_UNITS or routine.output.unit not in PITCH_UNITS:
            raise SheetError("octave_doubles does not fit this routine", where=where,
                             why="it needs one input in V, octave, semitone or note, and a pitch as result",
                             todo="drop the claim, or give the input its unit")

    def test(self, bound: Bound) -> Test:
        grid = bound.domain.grids[0]
        low, high = _cents_limits(self.limit)
        step = float(OCTAVE_UNITS[grid.unit])
        return Test("octave", "relative", low, high, MARGIN, step=step, second_high=float(grid.high))

    def partner(self, bound: Bound, ordinal: int) -> int:
        """Ordinal of the input one octave up, rounded as the C type rounds it."""
        grid = bound.domain.grids[0]
        value = grid.value(ordinal) + OCTAVE_UNITS[grid.unit]
        if grid.kind == "float32":
            value = Fraction(float(np.float32(float(value))))
        return grid.index_near(value)

    def cents(self, case: Case, ordinal: int) -> float | None:
        """The pair's error in cents, from the exact outputs."""
        bound, grid = case.bound, case.bound.domain.grids[0]
        upper = self.partner(bound, ordinal)
        raws = case.probe.outputs(bound, [ordinal, upper])
        if raws[0] is None or raws[1] is None:
            return None
        scale = Fraction(1) if bound.float_output else bound.routine.output.scale
        (_, low), (_, high) = (output_value(raw, bound.output_type, scale) for raw in raws if raw is not None)
        if low is None or high is None or low <= 0 or high <= 0:
            return math.inf
        octaves = (grid.value(upper) - grid.value(ordinal)) / OCTAVE_UNITS[grid.unit]
        return float(sum(cents_of(high / low, high / low, 200)) / 2 - 1200 * octaves)

    def assess(self, case: Case) -> Assessment:
        total, slot = case.total, case.slot
        found = Assessment(valid=total.found(slot, "judged"), failing=total.found(slot, "failing"))
        found.every_value, found.worst_unit = case.every_value, "cents"
        found.first_failing, found.last_failing = total.failing_ends(slot)
        skipped = total.found(slot, "skipped")
        if skipped:
            found.facts.append(f"{skipped} inputs have no partner on the grid exactly an octave up: skipped")
        opens = case.evidence.opens[case.evidence.opens[:, 0] == slot, 1]
        unlisted = total.found(slot, "open") - len(opens)
        errors = {int(o): self.cents(case, int(o)) for o in opens[:1000]}
        wrong = [o for o, e in errors.items() if e is not None and abs(e) > self.limit]
        found.failing += len(wrong)
        found.open = unlisted + max(0, len(opens) - 1000)
        ends = [total.error(slot, name)[1] for name in ("least", "most")]
        found_errors = {o: self.cents(case, o) for o in {*ends, *wrong[:2], found.first_failing} if o >= 0}
        known = {o: e for o, e in found_errors.items() if e is not None}
        if known:
            at = max(sorted(known), key=lambda o: abs(known[o]))
            found.worst, found.worst_at = known[at], at
            found.times_limit = abs(known[at]) / float(self.limit) if self.limit else None
            if found.failing:
                found.witness = at
                found.wanted_text = "half of the result one octave up"
                found.error_text = f"{figure(known[at], 6, signed=True)} cents off an exact octave"
        return found


@dataclass(frozen=True)
class InverseOf(Claim):
    """The other routine takes the result back to the input, within a limit.

    Results outside the other's range have no way back: they are left out, and the verdict says how many. Where they are
    more than those that were judged, nothing is claimed.
    Fails when: one round trip is off by more. Cannot see: errors of the two that cancel.
    """

    other: str
    metric: str
    limit: Fraction
    because: str
    name: ClassVar[str] = "inverse_of"

    def limit_text(self) -> str:
        return f"{self.other!r}, {self.metric}={number_text(self.limit)}"

    def partner_of(self, routine: Routine) -> str:
        return self.other

    def partner_problem(self, bound: Bound, partner: Bound | None) -> str:
        return check_partner(bound, partner)

    def check(self, routine: Routine, where: str) -> None:
        if len(routine.inputs) != 1:
            raise SheetError("inverse_of needs a routine of one input", where=where,
                             why="a round trip must come back to one number", todo="drop the claim")

    def test(self, bound: Bound) -> Test:
        partner = bound.partners[self.other]
        grid, back = bound.domain.grids[0], partner.domain.grids[0]
        low, high = -float(self.limit), float(self.limit)
        metric = "absolute"
        if self.metric == "cents":
            low, high = _cents_limits(self.limit)
            metric = "relative"
        elif self.metric == "relative":
            metric = "relative"
        elif self.metric == "lsb":
            low, high = low * float(grid.scale), high * float(grid.scale)
        size = 1.0 if metric == "relative" else max(abs(float(grid.low)), abs(float(grid.high)))
        # The input and what comes back are float64 themselves: they are equal where their difference is zero.
        margin = 2.0**-50 * size if self.limit else 0.0
        return Test("inverse", metric, low, high, margin, second=partner.loop,
                    second_type=partner.output_type, second_scale=partner.output_scale,
                    second_low=float(back.low), second_high=float(back.high))

    def assess(self, case: Case) -> Assessment:
        total, slot = case.total, case.slot
        test = case.evidence.tests[slot]
        found = Assessment(valid=total.found(slot, "judged"), failing=total.found(slot, "failing"))
        found.every_value, found.worst_unit = case.every_value, INVERSE_UNITS[self.metric]
        found.open = total.found(slot, "open")
        found.first_failing, found.last_failing = total.failing_ends(slot)
        skipped = total.found(slot, "skipped")
        if skipped:
            left_out = f"{grouped(skipped)} of {grouped(skipped + found.valid)} results lie outside the range of {self.other}"
            if skipped > found.valid:
                found.too_few = left_out
            else:
                found.facts.append(f"{left_out}: skipped")
                found.assumed = f"but {grouped(skipped)} whose result lies outside the range of {self.other}"
        ends = [total.error(slot, name) for name in ("least", "most")]
        ends = [(self.shown(error, test, case), at) for error, at in ends if at >= 0]
        if ends:
            found.worst, found.worst_at = max(ends, key=lambda end: (abs(end[0]), -end[1]))
            found.times_limit = abs(found.worst) / float(self.limit) if self.limit else None
            if found.failing:
                found.witness = found.worst_at
                found.wanted_text = f"the input again after {self.other}"
                off = figure(found.worst, 6, signed=True)
                found.error_text = f"the round trip is off by {off} {found.worst_unit}".rstrip()
        return found

    def shown(self, error: float, test: Test, case: Case) -> float:
        """The engine's error in the unit of the claim."""
        if self.metric == "cents":
            return 1200 * math.log2(1 + error) if error > -1 else -math.inf
        if self.metric == "lsb":
            return error / float(case.bound.domain.grids[0].scale)
        return error


def octave_doubles(*, cents: float, because: str = "") -> OctaveDoubles:
    """One octave up doubles the result, within cents."""
    return OctaveDoubles(positive_limit(cents, "octave_doubles"), reason(because, "octave_doubles"))


def inverse_of(other: str, *, because: str = "", **limits: float) -> InverseOf:
    """inverse_of("routine", volts=0.001, because="..."): the other routine undoes this one."""
    where = f"inverse_of({other!r})"
    if len(limits) != 1 or next(iter(limits)) not in INVERSE_UNITS:
        given = ", ".join(limits) or "none"
        raise SheetError("inverse_of needs one limit with its unit", where=where, why=f"given: {given}",
                         todo=nearest_words(given, INVERSE_UNITS))
    metric, value = next(iter(limits.items()))
    return InverseOf(other, metric, positive_limit(value, where), reason(because, where))


def check_partner(bound: Bound, partner: Bound | None) -> str:
    """Why the two cannot be chained; "" when they can."""
    if partner is None:
        return "the sheet has no such routine"
    if len(partner.domain.grids) != 1:
        return "the other routine has several inputs"
    mine, theirs = NUMPY_TYPES[bound.output_type], NUMPY_TYPES[partner.domain.type_numbers[0]]
    return "" if mine == theirs else f"this one gives {mine}, the other takes {theirs}"
