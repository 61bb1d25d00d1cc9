"""Near numbers, many at once: values of binary64 in an array, each with its own bound.

For settings that are a stream: one formula gives the coefficients of every sample. A comparison must come out alike for all
of them; else it is Undecidable, and whoever asked looks at the samples one by one.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from reference import kernels
from reference.context import Number
from reference.errors import DomainError, Undecidable
from reference.near_numbers import Near, NearContext


class NearArrays(NearContext):
    """Context of Near numbers whose values and bounds are arrays of one length, or single numbers.

    >>> C = NearArrays()
    >>> x = C.exact(np.array([1.0, 3.0])) / 3
    >>> bool((abs(x.value - np.array([1, 3]) / 3) <= x.off).all()), bool((x.off < 1e-15).all())
    (True, True)
    """

    def exact(self, values: np.ndarray) -> Near:
        """Numbers that are just these."""
        return Near(self, values, 0.0)  # type: ignore[arg-type]

    def divide(self, a: Number, b: Number) -> Near:
        a, b = self.own(a), self.own(b)
        room = np.abs(b.value) - b.off
        if np.any(room <= 0):
            raise Undecidable("division by numbers one of which may be zero")
        value: Any = a.value / b.value
        return self.made(value, (a.off + np.abs(value) * b.off) / room)

    def compare(self, a: Number, b: Number, relation: str) -> bool:
        a, b = self.own(a), self.own(b)
        gap, off = np.asarray(b.value - a.value), (a.off + b.off) * (1 + 2.0**-40)
        if np.any((np.abs(gap) <= off) & np.asarray(off > 0)):
            raise Undecidable(f"{relation} is not decided in binary64")
        holds = gap > 0 if relation == "<" else gap >= 0 if relation == "<=" else gap == 0
        if holds.all() != holds.any():
            raise Undecidable(f"{relation} holds for some of the numbers only")
        return bool(holds.all())

    def exp2(self, x: Number) -> Near:
        x = self.own(x)
        if np.any(np.abs(x.value) > 890) or np.any(np.asarray(x.off) > 0.01):
            raise DomainError("an exponent beyond 890, or too uncertain")
        value: Any = kernels.exp2(np.asarray(x.value))
        return self.made(value, value * (2.0**-51 + 0.71 * x.off))

    def log2(self, x: Number) -> Near:
        x = self.own(x)
        least: Any = x.value - x.off
        if np.any(least <= 0):
            raise DomainError("logarithm of a number that may not be above zero")
        value: Any = kernels.log2(np.asarray(x.value))
        return self.made(value, np.abs(value) * 2.0**-49 + 2.0**-52 + 1.4427 * x.off / least)

    def sqrt(self, x: Number) -> Near:
        x = self.own(x)
        least: Any = x.value - x.off
        if np.any(least <= 0):
            raise DomainError("square root of a number that may not be above zero")
        return self.made(np.sqrt(x.value), x.off / np.sqrt(least))

    def sin_turns(self, x: Number) -> Near:
        x = self.own(x)
        value: Any = kernels.sin_turns(np.asarray(x.value))
        return self.made(value, 2.0**-49 + 6.2832 * x.off)

    def tanh(self, x: Number) -> Near:
        x = self.own(x)
        value: Any = kernels.tanh(np.asarray(x.value))
        return self.made(value, 2.0**-48 + x.off)

    def minimum(self, a: Number, b: Number) -> Near:
        a, b = self.own(a), self.own(b)
        value: Any = np.minimum(a.value, b.value)
        return Near(self, value, np.maximum(a.off, b.off))

    def maximum(self, a: Number, b: Number) -> Near:
        a, b = self.own(a), self.own(b)
        value: Any = np.maximum(a.value, b.value)
        return Near(self, value, np.maximum(a.off, b.off))

    def floor(self, x: Number) -> Near:
        x = self.own(x)
        low, high = np.floor(x.value - x.off), np.floor(x.value + x.off)
        if np.any(low != high):
            raise Undecidable("a floor is not decided in binary64")
        value: Any = low
        return Near(self, value, 0.0)
