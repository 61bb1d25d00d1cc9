"""What every reference may ask of its context, whichever context it runs in.

A reference is written once as `function(ctx, *inputs, **constants)` and uses nothing but this interface.
Three contexts implement it: exact fractions, rigorous intervals (both in `precision`), and expression
graphs (`graphs`). All arithmetic mixes numbers of one context with int and Fraction; a float in it is
refused, because its decimal and its binary value differ.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence
from fractions import Fraction
from typing import Any, TypeAlias

from reference.errors import DomainError, NoScreen, NumberRefused
from reference.expressions import evaluate, exact_fraction

Number: TypeAlias = Any
"""A number of the context in use: Fraction, Interval, Traced or Step."""


class Operand:
    """Operators of a number that hands every operation to its context."""

    __slots__ = ("context",)
    context: Context

    def __add__(self, other: Number) -> Number:
        return self.context.add(self, other)

    def __radd__(self, other: Number) -> Number:
        return self.context.add(other, self)

    def __sub__(self, other: Number) -> Number:
        return self.context.subtract(self, other)

    def __rsub__(self, other: Number) -> Number:
        return self.context.subtract(other, self)

    def __mul__(self, other: Number) -> Number:
        return self.context.multiply(self, other)

    def __rmul__(self, other: Number) -> Number:
        return self.context.multiply(other, self)

    def __truediv__(self, other: Number) -> Number:
        return self.context.divide(self, other)

    def __rtruediv__(self, other: Number) -> Number:
        return self.context.divide(other, self)

    def __neg__(self) -> Number:
        return self.context.negative(self)

    def __pos__(self) -> Number:
        return self

    def __abs__(self) -> Number:
        return self.context.absolute(self)

    def __pow__(self, exponent: int) -> Number:
        return self.context.power(self, exponent)

    def __lt__(self, other: Number) -> bool:
        return self.context.compare(self, other, "<")

    def __le__(self, other: Number) -> bool:
        return self.context.compare(self, other, "<=")

    def __gt__(self, other: Number) -> bool:
        return self.context.compare(other, self, "<")

    def __ge__(self, other: Number) -> bool:
        return self.context.compare(other, self, "<=")

    def __eq__(self, other: object) -> bool:
        return self.context.compare(self, other, "==")

    def __ne__(self, other: object) -> bool:
        return not self.context.compare(self, other, "==")

    __hash__ = None  # type: ignore[assignment]

    def __bool__(self) -> bool:
        raise TypeError("a number of a reference context has no truth value; compare it with 0 instead")

    def __float__(self) -> float:
        raise TypeError("a number of a reference context is not a float; use precision.enclose for its value")


class Context(ABC):
    """Operations on numbers of one kind. Only `number` accepts text, floats and numpy scalars."""

    def number(self, value: object) -> Number:
        """The exact value as a number of this context.

        int and Fraction as they are; str as an exact expression (+ - * / ** parentheses, decimal literals,
        pi); a float as the decimal it is written as. bool, NaN, infinities and anything else raise
        NumberRefused. A number of this context comes back unchanged.
        """
        if isinstance(value, Operand):
            return self.own(value)
        if isinstance(value, str):
            result = evaluate(self, value)
            return self.constant(result) if isinstance(result, Fraction) else result
        return self.constant(exact_fraction(value))

    def own(self, value: Number) -> Number:
        """An operand of an arithmetic operation: a number of this context, an int or a Fraction."""
        if isinstance(value, Operand):
            if value.context is not self:
                raise NumberRefused(
                    "numbers of two contexts meet in one operation; use one context throughout"
                )
            return value
        if isinstance(value, bool) or not isinstance(value, (int, Fraction)):
            raise NumberRefused(
                f"{value!r} ({type(value).__name__}) in the arithmetic of a reference: its exact value is "
                "unclear; write ctx.number(...) around it, or use an int, a Fraction or ctx.pi"
            )
        return self.constant(value if type(value) is Fraction else Fraction(value))

    def power(self, base: Number, exponent: int) -> Number:
        """Integer power by repeated squaring; the exponent is a Python int of at most 4096 in size."""
        if isinstance(exponent, bool) or not isinstance(exponent, int) or abs(exponent) > 4096:
            raise NumberRefused(f"exponent {exponent!r}: ** takes an int up to 4096; see ctx.exp2, ctx.log2")
        if exponent < 0:
            return self.divide(1, self.power(base, -exponent))
        result, square = self.own(1), self.own(base)
        while exponent:
            if exponent & 1:
                result = self.multiply(result, square)
            exponent >>= 1
            if exponent:
                square = self.multiply(square, square)
        return result

    def clamp(self, x: Number, lo: Number, hi: Number) -> Number:
        """x limited to [lo, hi]; where lo > hi the result is hi."""
        return self.minimum(self.maximum(x, lo), hi)

    def nearest(self, x: Number) -> Number:
        """The integer nearest to x; halves go up."""
        return self.floor(self.add(x, Fraction(1, 2)))

    def modulo(self, x: Number, n: int) -> Number:
        """x - n floor(x/n), in [0, n) for n > 0."""
        return self.subtract(x, self.multiply(n, self.floor(self.divide(x, n))))

    def sin(self, x: Number) -> Number:
        """Sine of x in radians."""
        return self.sin_turns(self.divide(x, self.multiply(2, self.pi)))

    def cos(self, x: Number) -> Number:
        """Cosine of x in radians."""
        return self.cos_turns(self.divide(x, self.multiply(2, self.pi)))

    def whole(self, x: Number) -> int:
        """x as a Python int, for arithmetic on its bits; DomainError if it is no integer."""
        raise NoScreen("the reference works on the bits of an integer")

    def pick(self, values: Sequence[Fraction], index: Number) -> Number:
        """values[index], for an integer index of 0 to len(values) - 1; DomainError beyond."""
        place = self.whole(index)
        if not 0 <= place < len(values):
            raise DomainError(f"entry {place} of a table of {len(values)}")
        return self.constant(values[place])

    @property
    @abstractmethod
    def pi(self) -> Number: ...

    @abstractmethod
    def constant(self, value: Fraction) -> Number: ...

    @abstractmethod
    def add(self, a: Number, b: Number) -> Number: ...

    @abstractmethod
    def subtract(self, a: Number, b: Number) -> Number: ...

    @abstractmethod
    def multiply(self, a: Number, b: Number) -> Number: ...

    @abstractmethod
    def divide(self, a: Number, b: Number) -> Number: ...

    @abstractmethod
    def negative(self, x: Number) -> Number: ...

    @abstractmethod
    def compare(self, a: Number, b: Number, relation: str) -> bool: ...

    @abstractmethod
    def exp2(self, x: Number) -> Number: ...

    @abstractmethod
    def log2(self, x: Number) -> Number: ...

    @abstractmethod
    def exp(self, x: Number) -> Number: ...

    @abstractmethod
    def log(self, x: Number) -> Number: ...

    @abstractmethod
    def sqrt(self, x: Number) -> Number: ...

    @abstractmethod
    def sin_turns(self, x: Number) -> Number: ...

    @abstractmethod
    def cos_turns(self, x: Number) -> Number: ...

    @abstractmethod
    def tanh(self, x: Number) -> Number: ...

    @abstractmethod
    def absolute(self, x: Number) -> Number: ...

    @abstractmethod
    def minimum(self, a: Number, b: Number) -> Number: ...

    @abstractmethod
    def maximum(self, a: Number, b: Number) -> Number: ...

    @abstractmethod
    def floor(self, x: Number) -> Number: ...
