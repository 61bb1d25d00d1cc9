"""Numbers in print: enough digits, and never rounded toward a limit."""

from __future__ import annotations

import math

from verify.judging.verdict import grouped
from verify.number_formats import MOST_WHOLE, MOST_WRITTEN_OUT, figure


def rounded(value: float, digits: int, up: bool) -> float:
    """Value with its size rounded to significant digits, up or down."""
    if value == 0 or not math.isfinite(value):
        return value
    shift = digits - 1 - math.floor(math.log10(abs(value)))
    scaled = abs(value) * 10.0**shift
    nearest = round(scaled)
    # Binary noise of the scaling must not push an exact decimal one step further.
    if abs(scaled - nearest) > 1e-9 * scaled:
        nearest = math.ceil(scaled) if up else math.floor(scaled)
    return math.copysign(nearest / 10.0**shift, value)


def away(value: float, limit: float | None, digits: int = 4) -> str:
    """Text of an error, rounded away from its limit: up when beyond it, down when within."""
    if not math.isfinite(value):
        return "infinite" if math.isinf(value) else "NaN"
    if value.is_integer() and abs(value) < MOST_WHOLE:
        return figure(value, signed=True)
    beyond = limit is not None and abs(value) > limit
    if 1 <= abs(value) < MOST_WRITTEN_OUT:
        digits = max(digits, len(str(math.ceil(abs(value)))))
    for places in range(digits, 18):
        shown = rounded(value, places, up=beyond)
        if limit is None or beyond == (abs(shown) > limit) or abs(value) == limit:
            return f"{shown:+.{places}g}"
    return f"{value:+.17g}"


def times(ratio: float) -> str:
    """A multiple of the limit, rounded away from 1."""
    for places in range(4, 18):
        shown = rounded(ratio, places, up=ratio > 1)
        if ratio == 1 or ((shown > 1) == (ratio > 1) and shown != 1):
            size = grouped(round(shown)) if 1e4 <= shown < 1e12 else f"{shown:.{places}g}"
            return f"{size} x the limit"
    return f"{ratio:.17g} x the limit"
