"""Two-point calibration of a converter, and straight lines through measured readings, with their uncertainty.

Conventions. A code reads a voltage: volts = offset + gain * code, gain in V per code (negative where the input inverts),
offset in V at code 0. Uncertainties are standard ones (one sigma) and independent of each other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Any

from reference.errors import DomainError


@dataclass(frozen=True)
class Line:
    """intercept and slope of y = intercept + slope * x, their standard uncertainties, what the points scatter about it (with
    n - 2 degrees of freedom), and the largest distance of a point in y."""

    intercept: float
    slope: float
    intercept_sigma: float
    slope_sigma: float
    scatter: float
    largest: float


def volts_from_code_and_readings(code: Any, low_code: Any, high_code: Any, low_volts: Any, high_volts: Any) -> Any:
    """Voltage of a code by the line through two readings.

    Shape:   numbers, or arrays of one length.
    Unit:    codes; V.
    Domain:  the readings differ.
    Error:   binary64 rounding of five operations.
    Source:  the line through two points; tests/external/test_calibration.py.

    >>> volts_from_code_and_readings(2048, 819.2, 3276.8, 1, 4)
    2.5
    """
    return low_volts + (code - low_code) * ((high_volts - low_volts) / (high_code - low_code))


def two_point(low_code: float, high_code: float, low_volts: float, high_volts: float, *, code_sigma: float = 0,
              volts_sigma: float = 0) -> Line:
    """Gain and offset from two readings, with uncertainties propagated from readings and voltages.

    Shape:   numbers to a Line: slope is the gain in V per code, intercept the offset in V at code 0.
    Unit:    codes; V; sigmas of one reading and of one voltage.
    Domain:  the readings differ; sigmas at least 0.
    Error:   binary64 rounding; first order in the sigmas.
    Source:  law of propagation of uncertainty, JCGM 100:2008, equation (10); tests/external/test_calibration.py.

    >>> line = two_point(819, 3277, 1, 4, code_sigma=1)
    >>> round(line.slope * 4096, 6), round(line.slope_sigma / line.slope * 2458, 9)
    (4.999186, 1.414213562)
    """
    span = high_code - low_code
    if span == 0 or code_sigma < 0 or volts_sigma < 0:
        raise DomainError("two_point: the readings are the same, or a sigma is negative")
    gain = (high_volts - low_volts) / span
    # Of one reading, in V: its own noise through the gain, and the voltage's.
    one = sqrt((gain * code_sigma) ** 2 + volts_sigma**2)
    intercept = low_volts - gain * low_code
    return Line(intercept, gain, one * sqrt(high_code**2 + low_code**2) / abs(span), one * sqrt(2) / abs(span), 0.0, 0.0)


def line_through(xs: Sequence[float], ys: Sequence[float]) -> Line:
    """Straight line by least squares, with the standard uncertainties of its coefficients.

    Shape:   sequences of one length n >= 2; with n = 2 nothing is left to tell uncertainties from (0).
    Unit:    any two.
    Domain:  two different xs at least.
    Error:   binary64 rounding, about the mean of x.
    Source:  ordinary least squares; NIST StRD Norris; tests/external/test_calibration.py.

    >>> line = line_through([0, 1, 2], [1, 3, 5])
    >>> line.slope, line.intercept, line.scatter
    (2.0, 1.0, 0.0)
    """
    count = len(xs)
    if count < 2 or len(ys) != count or max(xs) == min(xs):
        raise DomainError("line_through: two points with different x are needed")
    x_mean, y_mean = sum(xs) / count, sum(ys) / count
    square = sum((x - x_mean) ** 2 for x in xs)
    slope = sum((x - x_mean) * (y - y_mean) for x, y in zip(xs, ys, strict=True)) / square
    intercept = y_mean - slope * x_mean
    rest = [y - intercept - slope * x for x, y in zip(xs, ys, strict=True)]
    scatter = sqrt(sum(r * r for r in rest) / (count - 2)) if count > 2 else 0.0
    return Line(intercept, slope, scatter * sqrt(1 / count + x_mean**2 / square), scatter / sqrt(square), scatter,
                max(abs(r) for r in rest))
