"""Rigorous intervals on mpmath's stateless `libmp` layer.

Nothing here touches the global `mp` or `iv` contexts: every call names its precision and rounding.
+ - * / and sqrt are correctly rounded by libmp in the direction asked. Its elementary functions are not
promised to be, so each is evaluated with GUARD more bits and widened outward by 2**-(bits + GUARD/2)
relative: 2**(GUARD/2) times its claimed error.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import Any, TypeAlias

from mpmath import libmp

from reference.context import Context, Number, Operand
from reference.errors import DomainError, Undecidable

GUARD = 32
LARGEST_EXPONENT = 1 << 16
"""exp2 above this is refused and below its negative is enclosed by [0, 2**-65536]."""

Raw: TypeAlias = Any
"""A libmp number: (sign, mantissa, exponent, bit count)."""

DOWN, UP = "f", "c"
ZERO, ONE, TWO = libmp.fzero, libmp.fone, libmp.ftwo
HALF = libmp.fhalf
_EXACT_SINES = {ZERO: ZERO, HALF: ONE, ONE: ZERO, libmp.mpf_add(ONE, HALF): libmp.fnone}
"""sin(pi t) by t, where it is rational at a dyadic t."""


def to_fraction(raw: Raw) -> Fraction:
    """The exact value of a finite libmp number."""
    sign, man, exponent, _ = raw
    value = Fraction(int(man)) * (Fraction(2) ** int(exponent))
    return -value if sign else value


class Interval(Operand):
    """A closed interval [low, high] with binary ends; made by an IntervalContext only."""

    __slots__ = ("high", "low")

    def __init__(self, context: Context, low: Raw, high: Raw) -> None:
        self.context, self.low, self.high = context, low, high

    def ends(self) -> tuple[Fraction, Fraction]:
        """Both ends as exact Fractions."""
        return to_fraction(self.low), to_fraction(self.high)

    def __repr__(self) -> str:
        return f"Interval[{libmp.to_str(self.low, 20)}, {libmp.to_str(self.high, 20)}]"


class IntervalContext(Context):
    """Interval arithmetic with outward rounding at `bits` of working precision.

    >>> C = IntervalContext(100)
    >>> low, high = C.exp2(C.number("1/2")).ends()
    >>> low**2 < 2 < high**2
    True
    """

    def __init__(self, bits: int) -> None:
        if not 24 <= bits <= 20000:
            raise DomainError(f"{bits} bits: interval contexts work with 24 to 20000 bits")
        self.bits = bits
        self._work = bits + GUARD
        self._pi: Interval | None = None
        self._texts: dict[str, Interval] = {}

    # numbers

    def number(self, value: object) -> Interval:
        if not isinstance(value, str):
            return super().number(value)
        known = self._texts.get(value)
        if known is None:
            known = super().number(value)
            if len(self._texts) < 1000:
                self._texts[value] = known
        return known

    def constant(self, value: Fraction) -> Interval:
        top, bottom = value.numerator, value.denominator
        if bottom & (bottom - 1) == 0:
            exact = libmp.from_man_exp(top, 1 - bottom.bit_length())
            return Interval(self, exact, exact)
        return Interval(
            self,
            libmp.from_rational(top, bottom, self.bits, DOWN),
            libmp.from_rational(top, bottom, self.bits, UP),
        )

    def point(self, value: float) -> Interval:
        """The binary value of a float, exactly."""
        return self.constant(Fraction(value))

    def text(self, x: Number, digits: int = 20) -> str:
        """The middle of x to that many digits, for print; the enclosure is `ends()`."""
        middle = libmp.mpf_shift(libmp.mpf_add(x.low, x.high, self._work, "n"), -1)
        return str(libmp.to_str(middle, digits, strip_zeros=True)).removesuffix(".0")

    @property
    def pi(self) -> Interval:
        if self._pi is None:
            value = libmp.mpf_pi(self._work, "n")
            self._pi = Interval(self, self._below(value), self._above(value))
        return self._pi

    # widening of values that libmp does not round correctly

    def _below(self, value: Raw) -> Raw:
        margin = libmp.mpf_shift(libmp.mpf_abs(value), -(self.bits + GUARD // 2))
        return libmp.mpf_sub(value, margin, self.bits + 4, DOWN)

    def _above(self, value: Raw) -> Raw:
        margin = libmp.mpf_shift(libmp.mpf_abs(value), -(self.bits + GUARD // 2))
        return libmp.mpf_add(value, margin, self.bits + 4, UP)

    def _rising(self, x: Interval, function: Callable[[Raw], tuple[Raw, Raw]]) -> Interval:
        """Image of x under a rising function that gives (lower, upper) for one end."""
        low, high = function(x.low)
        if x.high != x.low:
            high = function(x.high)[1]
        return Interval(self, low, high)

    # arithmetic

    def add(self, a: Number, b: Number) -> Interval:
        a, b = self.own(a), self.own(b)
        return Interval(
            self, libmp.mpf_add(a.low, b.low, self.bits, DOWN), libmp.mpf_add(a.high, b.high, self.bits, UP)
        )

    def subtract(self, a: Number, b: Number) -> Interval:
        a, b = self.own(a), self.own(b)
        return Interval(
            self, libmp.mpf_sub(a.low, b.high, self.bits, DOWN), libmp.mpf_sub(a.high, b.low, self.bits, UP)
        )

    def multiply(self, a: Number, b: Number) -> Interval:
        a, b = self.own(a), self.own(b)
        exact = [libmp.mpf_mul(p, q) for p in {a.low, a.high} for q in {b.low, b.high}]
        return self._hull(exact)

    def divide(self, a: Number, b: Number) -> Interval:
        a, b = self.own(a), self.own(b)
        if libmp.mpf_sign(b.low) <= 0 <= libmp.mpf_sign(b.high):
            if b.low == b.high == ZERO:
                raise DomainError("division by zero in a reference")
            raise Undecidable(f"division by {b!r}, which may be zero")
        ends = [(p, q) for p in {a.low, a.high} for q in {b.low, b.high}]
        low = _least([libmp.mpf_div(p, q, self.bits, DOWN) for p, q in ends])
        high = _greatest([libmp.mpf_div(p, q, self.bits, UP) for p, q in ends])
        return Interval(self, low, high)

    def _hull(self, exact: list[Raw]) -> Interval:
        low = libmp.mpf_pos(_least(exact), self.bits, DOWN)
        high = libmp.mpf_pos(_greatest(exact), self.bits, UP)
        return Interval(self, low, high)

    def negative(self, x: Number) -> Interval:
        x = self.own(x)
        return Interval(self, libmp.mpf_neg(x.high), libmp.mpf_neg(x.low))

    def compare(self, a: Number, b: Number, relation: str) -> bool:
        a, b = self.own(a), self.own(b)
        if relation == "<":
            sure, never = libmp.mpf_lt(a.high, b.low), libmp.mpf_ge(a.low, b.high)
        elif relation == "<=":
            sure, never = libmp.mpf_le(a.high, b.low), libmp.mpf_gt(a.low, b.high)
        else:
            sure = a.low == a.high == b.low == b.high
            never = libmp.mpf_lt(a.high, b.low) or libmp.mpf_gt(a.low, b.high)
        if not (sure or never):
            raise Undecidable(f"{a!r} {relation} {b!r} is not decided at {self.bits} bits")
        return bool(sure)

    # elementary functions

    def exp2(self, x: Number) -> Interval:
        return self._rising(self.own(x), self._exp2_end)

    def _exp2_end(self, x: Raw) -> tuple[Raw, Raw]:
        self._refuse_huge(x, "exp2")
        if libmp.mpf_lt(x, libmp.from_int(-LARGEST_EXPONENT)):
            return ZERO, libmp.mpf_shift(ONE, -LARGEST_EXPONENT)
        whole = int(libmp.to_int(libmp.mpf_floor(x)))
        part = libmp.mpf_sub(x, libmp.from_int(whole))
        if part == ZERO:
            exact = libmp.mpf_shift(ONE, whole)
            return exact, exact
        # |part * ln 2| < 1: its error of 2**-(work + 16) becomes one of the same relative size.
        exponent = libmp.mpf_mul(part, libmp.mpf_ln2(self._work + 16), self._work + 16, "n")
        value = libmp.mpf_shift(libmp.mpf_exp(exponent, self._work, "n"), whole)
        return self._below(value), self._above(value)

    def _refuse_huge(self, x: Raw, name: str) -> None:
        if libmp.mpf_gt(x, libmp.from_int(LARGEST_EXPONENT)):
            raise DomainError(f"{name} of {libmp.to_str(x, 10)}: the result exceeds 2**{LARGEST_EXPONENT}")

    def exp(self, x: Number) -> Interval:
        return self._rising(self.own(x), self._exp_end)

    def _exp_end(self, x: Raw) -> tuple[Raw, Raw]:
        self._refuse_huge(x, "exp")
        if x == ZERO:
            return ONE, ONE
        if libmp.mpf_lt(x, libmp.from_int(-LARGEST_EXPONENT)):
            return ZERO, libmp.mpf_shift(ONE, -LARGEST_EXPONENT)
        value = libmp.mpf_exp(x, self._work, "n")
        return self._below(value), self._above(value)

    def log(self, x: Number) -> Interval:
        return self._rising(self._positive(x, "log"), self._log_end)

    def _log_end(self, x: Raw) -> tuple[Raw, Raw]:
        if x == ONE:
            return ZERO, ZERO
        value = libmp.mpf_log(x, self._work, "n")
        return self._below(value), self._above(value)

    def log2(self, x: Number) -> Interval:
        return self._rising(self._positive(x, "log2"), self._log2_end)

    def _log2_end(self, x: Raw) -> tuple[Raw, Raw]:
        if x[1] == 1:  # a power of two
            exact = libmp.from_int(x[2])
            return exact, exact
        value = libmp.mpf_div(libmp.mpf_log(x, self._work, "n"), libmp.mpf_ln2(self._work), self._work, "n")
        return self._below(value), self._above(value)

    def _positive(self, x: Number, name: str) -> Interval:
        x = self.own(x)
        if libmp.mpf_sign(x.high) <= 0:
            raise DomainError(f"{name} of {x!r}, which is not positive")
        if libmp.mpf_sign(x.low) <= 0:
            raise Undecidable(f"{name} of {x!r}, which may not be positive")
        return x

    def sqrt(self, x: Number) -> Interval:
        x = self.own(x)
        if libmp.mpf_sign(x.high) < 0:
            raise DomainError(f"square root of {x!r}, which is negative")
        if libmp.mpf_sign(x.low) < 0:
            raise Undecidable(f"square root of {x!r}, which may be negative")
        return Interval(self, libmp.mpf_sqrt(x.low, self.bits, DOWN), libmp.mpf_sqrt(x.high, self.bits, UP))

    def sin_turns(self, x: Number) -> Interval:
        x = self.own(x)
        low, high = x.ends()
        if high - low >= 1:
            return Interval(self, libmp.fnone, ONE)
        ends = [self._sine_end(x.low), self._sine_end(x.high)]
        quarter = Fraction(1, 4)
        peak = (high - quarter).__floor__() >= (low - quarter).__ceil__()
        dip = (high + quarter).__floor__() >= (low + quarter).__ceil__()
        least = libmp.fnone if dip else _greatest([_least([end[0] for end in ends]), libmp.fnone])
        greatest = ONE if peak else _least([_greatest([end[1] for end in ends]), ONE])
        return Interval(self, least, greatest)

    def _sine_end(self, x: Raw) -> tuple[Raw, Raw]:
        # x is exact, so reducing to one turn and doubling are exact too.
        half_turns = libmp.mpf_shift(libmp.mpf_sub(x, libmp.mpf_floor(x)), 1)
        if half_turns in _EXACT_SINES:
            return _EXACT_SINES[half_turns], _EXACT_SINES[half_turns]
        value = libmp.mpf_sin_pi(half_turns, self._work, "n")
        return self._below(value), self._above(value)

    def cos_turns(self, x: Number) -> Interval:
        x = self.own(x)
        quarter = libmp.mpf_shift(ONE, -2)
        return self.sin_turns(Interval(self, libmp.mpf_add(x.low, quarter), libmp.mpf_add(x.high, quarter)))

    def tanh(self, x: Number) -> Interval:
        return self._rising(self.own(x), self._tanh_end)

    def _tanh_end(self, x: Raw) -> tuple[Raw, Raw]:
        if x == ZERO:
            return ZERO, ZERO
        size = libmp.mpf_abs(x)
        magnitude = int(size[2] + size[3])  # size < 2**magnitude
        if magnitude < -self.bits:
            # x - x**3/3 < tanh x < x for x > 0, and x**2/3 < 2**-(2 bits + 1) here.
            low, high = self._below(size), size
        elif libmp.mpf_gt(size, libmp.from_int(self.bits)):
            low, high = libmp.mpf_sub(ONE, libmp.mpf_shift(ONE, -2 * self.bits)), ONE
        else:
            # (e - 1)/(e + 1) with e = exp(2x): the subtraction loses -magnitude bits; work with more.
            work = self._work + max(0, -magnitude) + 4
            e = libmp.mpf_exp(libmp.mpf_shift(size, 1), work, "n")
            value = libmp.mpf_div(libmp.mpf_sub(e, ONE), libmp.mpf_add(e, ONE), work, "n")
            low, high = self._below(value), _least([self._above(value), ONE])
        return (libmp.mpf_neg(high), libmp.mpf_neg(low)) if x[0] else (low, high)

    # decisions

    def absolute(self, x: Number) -> Interval:
        x = self.own(x)
        low, high = libmp.mpf_abs(x.low), libmp.mpf_abs(x.high)
        if libmp.mpf_sign(x.low) < 0 < libmp.mpf_sign(x.high):
            return Interval(self, ZERO, _greatest([low, high]))
        return Interval(self, _least([low, high]), _greatest([low, high]))

    def minimum(self, a: Number, b: Number) -> Interval:
        a, b = self.own(a), self.own(b)
        return Interval(self, _least([a.low, b.low]), _least([a.high, b.high]))

    def maximum(self, a: Number, b: Number) -> Interval:
        a, b = self.own(a), self.own(b)
        return Interval(self, _greatest([a.low, b.low]), _greatest([a.high, b.high]))

    def floor(self, x: Number) -> Interval:
        x = self.own(x)
        low, high = libmp.mpf_floor(x.low), libmp.mpf_floor(x.high)
        if low != high:
            raise Undecidable(f"floor of {x!r} is not decided at {self.bits} bits")
        return Interval(self, low, low)

    def whole(self, x: Number) -> int:
        low, high = self.own(x).ends()
        if low != high or low.denominator != 1:
            raise Undecidable(f"{x!r} is not known as an integer at {self.bits} bits")
        return int(low)


def _least(values: list[Raw]) -> Raw:
    least = values[0]
    for value in values[1:]:
        if libmp.mpf_lt(value, least):
            least = value
    return least


def _greatest(values: list[Raw]) -> Raw:
    greatest = values[0]
    for value in values[1:]:
        if libmp.mpf_gt(value, greatest):
            greatest = value
    return greatest
