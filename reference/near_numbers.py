"""Numbers of binary64 that carry a bound of their own error: fast enough to plan a trajectory per script.

Each operation rounds once (at most UNIT of its result) and hands on the errors of its operands; functions are the
kernels' with their stated bounds. A comparison that the bounds leave open raises Undecidable.
"""

from __future__ import annotations

import math
from fractions import Fraction
from functools import lru_cache

import numpy as np

from reference import kernels
from reference.context import Context, Number, Operand
from reference.errors import DomainError, Undecidable

UNIT = 2.0**-53
TINY = 2.0**-1060
# Everything below is computed in binary64 itself: its own rounding is far below this share.
SLACK = 1 + 2.0**-40


class Near(Operand):
    """A value and how far the exact one can be from it."""

    __slots__ = ("off", "value")

    def __init__(self, context: Context, value: float, off: float) -> None:
        self.context, self.value, self.off = context, value, off

    def __repr__(self) -> str:
        return f"Near({self.value!r} +- {self.off:.3g})"


class NearContext(Context):
    """Context of Near numbers.

    >>> C = NearContext()
    >>> x = C.number("1/3") * 3
    >>> abs(x.value - 1) <= x.off < 1e-15
    True
    """

    def made(self, value: float, off: float) -> Near:
        """A number whose last operation still has to round."""
        return Near(self, value, off * SLACK + UNIT * abs(value) + TINY)

    @property
    def pi(self) -> Number:
        return self.made(math.pi, 0.0)

    def constant(self, value: Fraction) -> Near:
        nearest = value.numerator / value.denominator
        exact = nearest.is_integer() and int(nearest) == value
        return Near(self, nearest, 0.0) if exact else self.made(nearest, 0.0)

    def add(self, a: Number, b: Number) -> Near:
        a, b = self.own(a), self.own(b)
        return self.made(a.value + b.value, a.off + b.off)

    def subtract(self, a: Number, b: Number) -> Near:
        a, b = self.own(a), self.own(b)
        return self.made(a.value - b.value, a.off + b.off)

    def multiply(self, a: Number, b: Number) -> Near:
        a, b = self.own(a), self.own(b)
        return self.made(a.value * b.value, abs(a.value) * b.off + abs(b.value) * a.off + a.off * b.off)

    def divide(self, a: Number, b: Number) -> Near:
        a, b = self.own(a), self.own(b)
        room = abs(b.value) - b.off
        if room <= 0:
            raise DomainError("division by a number that may be zero")
        value = a.value / b.value
        return self.made(value, (a.off + abs(value) * b.off) / room)

    def negative(self, x: Number) -> Near:
        x = self.own(x)
        return Near(self, -x.value, x.off)

    def compare(self, a: Number, b: Number, relation: str) -> bool:
        a, b = self.own(a), self.own(b)
        gap, off = b.value - a.value, (a.off + b.off) * SLACK
        if abs(gap) <= off and off > 0:
            raise Undecidable(f"{a!r} {relation} {b!r} is not decided in binary64")
        return gap > 0 if relation == "<" else gap >= 0 if relation == "<=" else gap == 0

    def exp2(self, x: Number) -> Near:
        x = self.own(x)
        if x.value + x.off < -890:
            return Near(self, 0.0, 2.0**-889)
        if abs(x.value) > 890 or x.off > 0.01:
            raise DomainError("an exponent beyond 890, or too uncertain")
        value = _exp2(x.value)
        return self.made(value, value * (2.0**-51 + 0.71 * x.off))

    def log2(self, x: Number) -> Near:
        x = self.own(x)
        if x.value - x.off <= 0:
            raise DomainError("logarithm of a number that may not be above zero")
        value = _log2(x.value)
        return self.made(value, abs(value) * 2.0**-49 + 2.0**-52 + 1.4427 * x.off / (x.value - x.off))

    def exp(self, x: Number) -> Near:
        return self.exp2(self.multiply(x, self.made(1 / math.log(2), 2.0**-53)))

    def log(self, x: Number) -> Near:
        return self.multiply(self.log2(x), self.made(math.log(2), 2.0**-53))

    def sqrt(self, x: Number) -> Near:
        x = self.own(x)
        if x.value - x.off <= 0:
            raise DomainError("square root of a number that may not be above zero")
        value = math.sqrt(x.value)
        return self.made(value, x.off / math.sqrt(x.value - x.off))

    def sin_turns(self, x: Number) -> Near:
        x = self.own(x)
        value = kernels.sin_turns_of_one(x.value)
        return self.made(value, 2.0**-49 + 6.2832 * x.off)

    def cos_turns(self, x: Number) -> Near:
        return self.sin_turns(self.add(x, Fraction(1, 4)))

    def tanh(self, x: Number) -> Near:
        x = self.own(x)
        value = float(kernels.tanh(np.array([x.value]))[0])
        return self.made(value, 2.0**-48 + x.off)

    def absolute(self, x: Number) -> Near:
        x = self.own(x)
        return Near(self, abs(x.value), x.off)

    def minimum(self, a: Number, b: Number) -> Near:
        a, b = self.own(a), self.own(b)
        return Near(self, min(a.value, b.value), max(a.off, b.off))

    def maximum(self, a: Number, b: Number) -> Near:
        a, b = self.own(a), self.own(b)
        return Near(self, max(a.value, b.value), max(a.off, b.off))

    def floor(self, x: Number) -> Near:
        x = self.own(x)
        low, high = math.floor(x.value - x.off), math.floor(x.value + x.off)
        if low != high:
            raise Undecidable(f"floor of {x!r} is not decided in binary64")
        return Near(self, float(low), 0.0)


@lru_cache(maxsize=4096)
def _exp2(x: float) -> float:
    return float(kernels.exp2(np.array([x]))[0])


@lru_cache(maxsize=4096)
def _log2(x: float) -> float:
    return float(kernels.log2(np.array([x]))[0])
