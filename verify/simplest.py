"""The input of a failing claim that a person can type: the roundest that still fails, where single results tell."""

from __future__ import annotations

import math
from collections.abc import Iterable
from fractions import Fraction

from verify.claims.accurate import Accurate
from verify.claims.base import Assessment, Case, Claim
from verify.grids import Grid

DIGITS = 7


def judges_alone(claim: Claim) -> bool:
    """Whether one result by itself tells that the claim fails."""
    return isinstance(claim, Accurate) or type(claim).fault_in is not Claim.fault_in


def simplest_failing(claim: Claim, case: Case, found: Assessment) -> int | None:
    """Ordinal of a failing input with short numbers; the claim's own witness where no rounder one fails. For a claim that
    judges results alone."""
    if found.witness is None or found.witness < 0:
        return found.witness
    grids = case.bound.domain.grids
    if len(grids) > 1:
        return one_after_another(claim, case, found.witness)
    if found.first_failing < 0:
        return found.witness
    grid = grids[0]
    last = found.last_failing if found.last_failing >= 0 else grid.count - 1
    low, high = grid.value(found.first_failing), grid.value(last)
    candidates = [] if grid.kind == "float32" else [found.first_failing]
    for digits in range(DIGITS):
        step = Fraction(1, 10**digits)
        points = [math.ceil(low / step) * step, math.floor(high / step) * step,
                  round(grid.value(found.witness) / step) * step]
        candidates += [grid.index_near(point) for point in points if low <= point <= high]
    first = first_failing(claim, case, (c for c in candidates if found.first_failing <= c <= last))
    return found.witness if first is None else first


def one_after_another(claim: Claim, case: Case, ordinal: int) -> int:
    """Each input in turn as near to zero, or as round, as the failure allows; all others as they are."""
    domain = case.bound.domain
    for grid, stride in zip(domain.grids, domain.strides(), strict=True):
        index = ordinal // stride % grid.count
        rounder = [ordinal + (other - index) * stride for other in rounder_of(grid, index)]
        ordinal = next((o for o in [first_failing(claim, case, rounder)] if o is not None), ordinal)
    return ordinal


def rounder_of(grid: Grid, index: int) -> list[int]:
    """Indices of numbers nearer to zero or rounder than one of a grid, the simplest first."""
    value, zero = grid.value(index), min(max(Fraction(0), grid.low), grid.high)
    above = grid.index_near(zero)
    found = [min((k for k in (above, above - 1) if 0 <= k < grid.count), key=lambda k: abs(grid.value(k)))]
    for digits in range(DIGITS if grid.kind == "float32" else 0):
        rounded = round(value * 10**digits) / Fraction(10**digits)
        found += [grid.index_near(rounded)] if grid.low <= rounded <= grid.high else []
    return found[: found.index(index)] if index in found else found


def first_failing(claim: Claim, case: Case, ordinals: Iterable[int]) -> int | None:
    """The first of some ordinals that fails."""
    asked = list(dict.fromkeys(ordinals))
    if isinstance(claim, Accurate):
        return next((int(ordinal) for ordinal, verdict, _ in claim.judged(case, asked) if verdict is False), None)
    results = zip(asked, case.probe.outputs(case.bound, asked), strict=True)
    return next((int(ordinal) for ordinal, raw in results if raw and claim.fault_in(raw, case.bound)), None)
