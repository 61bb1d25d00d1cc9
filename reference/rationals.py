"""The exact context: numbers are plain Fractions; what is irrational raises NotRational."""

from __future__ import annotations

import math
from fractions import Fraction

from reference.context import Context, Number
from reference.errors import DomainError, NotRational
from reference.expressions import rational_value

LARGEST_EXPONENT = 4096
"""Beyond 2**4096 nothing in this project needs an exact power."""


class RationalContext(Context):
    """Exact arithmetic on Fractions.

    >>> RationalContext().exp2(Fraction(-2))
    Fraction(1, 4)
    """

    def number(self, value: object) -> Fraction:
        if type(value) is Fraction:
            return value
        if not isinstance(value, str):
            return Fraction(super().number(value))
        exact = rational_value(value)
        if exact is None:
            raise NotRational(f"{value} is irrational")
        return exact

    @property
    def pi(self) -> Number:
        raise NotRational("pi is irrational")

    def constant(self, value: Fraction) -> Fraction:
        return value

    def add(self, a: Number, b: Number) -> Fraction:
        return Fraction(self.own(a) + self.own(b))

    def subtract(self, a: Number, b: Number) -> Fraction:
        return Fraction(self.own(a) - self.own(b))

    def multiply(self, a: Number, b: Number) -> Fraction:
        return Fraction(self.own(a) * self.own(b))

    def divide(self, a: Number, b: Number) -> Fraction:
        if b == 0:
            raise DomainError("division by zero in a reference")
        return Fraction(self.own(a) / self.own(b))

    def negative(self, x: Number) -> Fraction:
        return Fraction(-self.own(x))

    def compare(self, a: Number, b: Number, relation: str) -> bool:
        a, b = self.own(a), self.own(b)
        return bool(a < b if relation == "<" else a <= b if relation == "<=" else a == b)

    def exp2(self, x: Number) -> Fraction:
        x = self.own(x)
        if x.denominator != 1:
            raise NotRational(f"2**({x}) is irrational")
        if abs(x) > LARGEST_EXPONENT:
            raise NotRational(f"2**({x}) is too long to write out")
        return Fraction(Fraction(2) ** x.numerator)

    def log2(self, x: Number) -> Fraction:
        x = _positive(self.own(x), "log2")
        exponent = x.numerator.bit_length() - x.denominator.bit_length()
        if Fraction(2) ** exponent != x:
            raise NotRational(f"log2({x}) is irrational")
        return Fraction(exponent)

    def exp(self, x: Number) -> Fraction:
        return self._only_at(x, 0, 1, "exp")

    def log(self, x: Number) -> Fraction:
        return self._only_at(_positive(self.own(x), "log"), 1, 0, "log")

    def tanh(self, x: Number) -> Fraction:
        return self._only_at(x, 0, 0, "tanh")

    def _only_at(self, x: Number, argument: int, result: int, name: str) -> Fraction:
        if self.own(x) != argument:
            raise NotRational(f"{name}({x}) is irrational")
        return Fraction(result)

    def sqrt(self, x: Number) -> Fraction:
        x = self.own(x)
        if x < 0:
            raise DomainError(f"square root of {x}, which is negative")
        top, bottom = math.isqrt(x.numerator), math.isqrt(x.denominator)
        if top * top != x.numerator or bottom * bottom != x.denominator:
            raise NotRational(f"sqrt({x}) is irrational")
        return Fraction(top, bottom)

    def sin_turns(self, x: Number) -> Fraction:
        # Niven: the only rational sines at rational angles are 0, 1/2 and 1 in size.
        twelfths = 12 * (self.own(x) % 1)
        values = {0: 0, 1: 1, 3: 2, 5: 1, 6: 0, 7: -1, 9: -2, 11: -1}
        if twelfths not in values:
            raise NotRational(f"sin(2 pi {x}) is irrational")
        return Fraction(values[int(twelfths)], 2)

    def cos_turns(self, x: Number) -> Fraction:
        return self.sin_turns(self.own(x) + Fraction(1, 4))

    def absolute(self, x: Number) -> Fraction:
        return Fraction(abs(self.own(x)))

    def minimum(self, a: Number, b: Number) -> Fraction:
        return Fraction(min(self.own(a), self.own(b)))

    def maximum(self, a: Number, b: Number) -> Fraction:
        return Fraction(max(self.own(a), self.own(b)))

    def floor(self, x: Number) -> Fraction:
        return Fraction(math.floor(self.own(x)))

    def whole(self, x: Number) -> int:
        exact = self.own(x)
        if exact.denominator != 1:
            raise DomainError(f"{exact} is no integer")
        return int(exact.numerator)


def _positive(x: Fraction, name: str) -> Fraction:
    if x <= 0:
        raise DomainError(f"{name} of {x}, which is not positive")
    return x
