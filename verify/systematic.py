"""The systematic part of a pitch error: offset, slope per octave, what remains; and guesses marked perhaps."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np

NEAR_CENTS = 1.5
RATES_HZ = (32_000, 44_100, 48_000, 88_200, 96_000)


def fit(octaves: np.ndarray, cents: np.ndarray) -> tuple[float, float, np.ndarray]:
    """(offset at the lowest octave in cents, slope in cents per octave, remainders)."""
    x = octaves - octaves.min()
    if len(x) < 2 or np.ptp(x) == 0:
        return float(np.median(cents)), 0.0, cents - float(np.median(cents))
    slope, offset = np.polyfit(x, cents, 1)
    return float(offset), float(slope), cents - (offset + slope * x)


def describe(octaves: np.ndarray, cents: np.ndarray, places: np.ndarray, unit: str) -> list[str]:
    """Lines on the systematic part; places are the input values of the points."""
    x, y, at = (np.asarray(part, np.float64) for part in (octaves, cents, places))
    good = np.isfinite(x) & np.isfinite(y) & (np.abs(y) < 1e6)
    x, y, at = x[good], y[good], at[good]
    if len(x) < 3:
        return []
    offset, slope, rest = fit(x, y)
    if np.abs(rest).max() > 2 * (abs(offset) + abs(slope) * np.ptp(x)):
        return break_at_power(x, rest, at)  # no straight line describes this
    worst = int(np.argmax(np.abs(rest)))
    lines = [f"systematic: offset {offset:+.4g} cents at the low end, slope {slope:+.4g} cents per octave; "
             f"what remains is within {np.abs(rest).max():.3g} cents, largest at {at[worst]:.6g} {unit}".rstrip()]
    return lines + guesses(offset, slope, rest, x, y, at)


def guesses(offset: float, slope: float, rest: np.ndarray, x: np.ndarray, y: np.ndarray, at: np.ndarray) -> list[str]:
    """Patterns worth a look; none is a finding."""
    found = []
    middle = float(np.median(y))
    flat = abs(slope) * np.ptp(x) < 2 and np.percentile(np.abs(y - middle), 90) < 2
    octaves_off = round(middle / 1200)
    if flat and octaves_off and abs(middle - 1200 * octaves_off) < NEAR_CENTS:
        beside = ", or by a rate of half or twice as much" if abs(octaves_off) == 1 else ""
        return [f"perhaps off by {octaves_off:+d} octave{'s' if abs(octaves_off) > 1 else ''}{beside}"]
    if flat and abs(middle) > 20:
        for a in RATES_HZ:
            for b in RATES_HZ:
                if a != b and abs(middle - 1200 * math.log2(a / b)) < NEAR_CENTS:
                    found.append(f"perhaps {b} Hz is used where {a} Hz is meant, or the other way round: the offset "
                                 f"is that of {a}/{b}")
                    return found
        nearest = round(middle / 100) * 100
        if nearest and abs(middle - nearest) < NEAR_CENTS:
            found.append(f"perhaps off by {nearest // 100:+d} semitones")
    if not flat and abs(slope) > 0 and np.abs(rest).max() < 0.2 * abs(slope) * max(np.ptp(x), 1e-9):
        found.append(f"perhaps the scale is wrong: {1200 + slope:.4f} cents per octave in place of 1200")
    found += break_at_power(x, rest, at)
    return [*dict.fromkeys(found)][:3]


def break_at_power(x: np.ndarray, rest: np.ndarray, at: np.ndarray) -> list[str]:
    """A remainder whose slope changes at a power of two of the input."""
    spread = float(np.abs(rest).max())
    if len(x) < 32 or spread < 1e-3:
        return []
    powers = [2.0**k for k in range(-3, 16) if at.min() < 2.0**k < at.max()]
    slopes = []
    for low, high in pairwise([at.min(), *powers, at.max()]):
        inside = (at >= low) & (at < high)
        if inside.sum() >= 8:
            line = np.polyfit(x[inside], rest[inside], 1)
            straight = np.abs(rest[inside] - np.polyval(line, x[inside])).max() < 0.1 * spread
            slopes.append((low, float(line[0]) if straight else math.nan))
    for (_, before), (low, after) in pairwise(slopes):
        if math.isfinite(before) and math.isfinite(after) and abs(after - before) * np.ptp(x) > 2 * spread:
            return [f"perhaps something changes at a power of two: the slope turns at {low:g}"]
    return []
