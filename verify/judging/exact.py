"""The exact side: outputs as fractions, errors enclosed from the reference, decisions against a limit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from typing import Any

import numpy as np

from firmware_shim.engine import NUMPY_TYPES
from reference import precision
from verify.number_formats import category, ulp_float32, ulp_float64

MOST_BITS = 400


@dataclass(frozen=True)
class ExactError:
    """Error of one output, enclosed, in the claim's unit. low and high may be infinite (wrong category)."""

    low: Fraction | float
    high: Fraction | float
    wanted: Fraction | None
    why: str = ""

    @property
    def middle(self) -> float:
        """The error as a float, for print and order."""
        if isinstance(self.low, float) or isinstance(self.high, float):
            return math.inf
        return float((self.low + self.high) / 2)


def output_value(raw: bytes, type_number: int, scale: Fraction) -> tuple[str, Fraction | None]:
    """Category and exact value of one raw output."""
    number = np.frombuffer(raw, NUMPY_TYPES[type_number])[0]
    if NUMPY_TYPES[type_number].kind == "f":
        kind = category(float(number))
        return kind, Fraction(float(number)) if kind == "finite" else None
    return "finite", int(number) * scale


def enclosed(reference: Any, inputs: Sequence[Fraction], constants: Any, bits: int) -> tuple[Fraction, Fraction]:
    """Enclosure of the right answer."""
    found = precision.enclose(reference, inputs, constants, bits=bits)
    return found.low, found.high


@cache
def cents_of(low: Fraction, high: Fraction, bits: int) -> tuple[Fraction, Fraction]:
    """Cents of a ratio known to lie in [low, high], low > 0."""
    bottom, top = precision.log2_enclosure(low, high, bits)
    return 1200 * bottom, 1200 * top


def error_between(metric: str, got: Fraction, low: Fraction, high: Fraction, *, lsb: Fraction, double: bool,
                  bits: int) -> tuple[Fraction | float, Fraction | float, str]:
    """Error of got against a right answer in [low, high], in the unit of the metric."""
    if metric in ("cents", "relative") and low == high == got == 0:
        return Fraction(0), Fraction(0), ""  # a stopped oscillator, as it should be
    if metric == "cents":
        if low <= 0 or got <= 0:
            what = "the right answer" if low <= 0 else "the result"
            return math.inf, math.inf, f"{what} is not above zero: no pitch, no cents"
        bottom, top = cents_of(got / high, got / low, bits)
        return bottom, top, ""
    if metric == "relative":
        if low <= 0 <= high:
            return math.inf, math.inf, "the right answer is zero: a relative error has no meaning here"
        ends = sorted([got / low - 1, got / high - 1])
        return ends[0], ends[1], ""
    unit = Fraction(1)
    if metric == "lsb":
        unit = lsb
    elif metric == "ulp":
        ulp = ulp_float64 if double else ulp_float32
        smaller, larger = sorted([ulp(low), ulp(high)])
        if smaller != larger:
            bounds = [(got - end) / size for end in (low, high) for size in (smaller, larger)]
            return min(bounds), max(bounds), ""
        unit = smaller
    return (got - high) / unit, (got - low) / unit, ""


def exact_error(metric: str, limit: Fraction, raw: bytes, inputs: Sequence[Fraction], reference: Any,
                constants: Any, *, type_number: int, scale: Fraction) -> tuple[bool | None, ExactError]:
    """Whether |error| <= limit (None: not decided at 400 bits), and the enclosed error."""
    kind, got = output_value(raw, type_number, scale)
    bits = 100
    while True:
        low, high = enclosed(reference, inputs, constants, bits)
        if got is None:
            return False, ExactError(math.inf, math.inf, (low + high) / 2, f"got {kind}, wanted a finite value")
        bottom, top, why = error_between(metric, got, low, high, lsb=scale, double=type_number == 1, bits=bits)
        error = ExactError(bottom, top, (low + high) / 2, why)
        if isinstance(bottom, float) or isinstance(top, float):
            return False, error
        if max(abs(bottom), abs(top)) <= limit:
            return True, error
        if bottom > limit or top < -limit:
            return False, error
        if bits >= MOST_BITS or (low == high and bottom == top):
            return None, error
        bits *= 2
