"""The own error of a measured frequency, as part of what a claim cannot decide."""

from __future__ import annotations

import math
from fractions import Fraction

from verify.routine import Bound

METRICS = ("cents", "relative")


def doubt_of(bound: Bound, metric: str) -> Fraction:
    """How far a result of the routine may be from what its signal has, in the metric; 0 where nothing is measured."""
    stages = bound.routine.stages
    if stages is None or stages.voice is None:
        return Fraction(0)
    cents = stages.voice.measured_cents
    relative = Fraction(math.expm1(float(cents) * math.log(2) / 1200))
    if metric == "cents":
        return cents
    if metric == "relative":
        return relative
    size = max(abs(float(bound.screen.low)), abs(float(bound.screen.high))) if bound.screen is not None else 0.0
    return relative * Fraction(size)


def decided(holds: bool | None, error: float, limit: Fraction, doubt: Fraction) -> bool | None:
    """The verdict of one input, None where the measurement's own error could turn it."""
    if not doubt or holds is None or not math.isfinite(error):
        return holds
    return None if abs(abs(error) - float(limit)) <= float(doubt) else holds
