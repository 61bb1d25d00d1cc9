"""Exact and enclosed values of a reference, at any precision, with no global state.

`RationalContext` computes with fractions and refuses what is irrational. `IntervalContext` (in `intervals`)
encloses everything rigorously. `enclose` takes the first that can; `decide` doubles the precision until a
question about the value has an answer. References are written once and run in either.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import Any

from reference.context import Context, Number
from reference.errors import DomainError, NotRational, NumberRefused, Undecidable
from reference.intervals import Interval, IntervalContext
from reference.rationals import RationalContext
from reference.steps import StepContext

__all__ = [
    "Context",
    "DomainError",
    "Enclosure",
    "Interval",
    "IntervalContext",
    "NotRational",
    "Number",
    "NumberRefused",
    "RationalContext",
    "Reference",
    "Undecidable",
    "decide",
    "enclose",
    "intermediates",
    "interval_context",
    "log2_enclosure",
]

Reference = Callable[..., Any]
"""function(ctx, *inputs, **constants) -> number of ctx."""


@dataclass(frozen=True, slots=True)
class Enclosure:
    """The right answer lies in [low, high], in the unit of the reference; equal ends mean it is exact.

    low, high: exact ends. bits: working precision of the intervals that gave them.
    """

    low: Fraction
    high: Fraction
    bits: int

    @property
    def exact(self) -> bool:
        """True if the value is known without any uncertainty."""
        return self.low == self.high

    @property
    def middle(self) -> Fraction:
        """The centre of the enclosure, in the unit of the reference."""
        return (self.low + self.high) / 2

    @property
    def uncertainty(self) -> Fraction:
        """Half the width: the distance from `middle` to the right answer is at most this."""
        return (self.high - self.low) / 2


@lru_cache(maxsize=32)
def interval_context(bits: int) -> IntervalContext:
    """A shared interval context of that precision; it holds no state but a cache of constants."""
    return IntervalContext(bits)


_RATIONAL = RationalContext()


def enclose(
    function: Reference, inputs: Sequence[Fraction], constants: Mapping[str, object], *, bits: int = 100
) -> Enclosure:
    """The value of a reference at exact inputs: exactly where it is rational, else by intervals.

    Shape:   inputs one Fraction (or int) per positional parameter; constants by keyword.
    Unit:    those of the reference.
    Domain:  that of the reference (DomainError outside); Undecidable where a decision inside the reference
             cannot be taken at this precision.
    Error:   none: the right answer lies between low and high.
    Source:  interval arithmetic with outward rounding; tests/unit/test_reference_precision.py.

    >>> enclose(lambda ctx, x: ctx.exp2(x), [Fraction(3)], {})
    Enclosure(low=Fraction(8, 1), high=Fraction(8, 1), bits=100)
    """
    exact = _exactly(function, inputs, constants)
    if exact is not None:
        return Enclosure(exact, exact, bits)
    return _by_intervals(function, inputs, constants, bits)


def _exactly(
    function: Reference, inputs: Sequence[Fraction], constants: Mapping[str, object]
) -> Fraction | None:
    try:
        result = function(_RATIONAL, *(_exact_input(value) for value in inputs), **constants)
    except NotRational:
        return None
    return Fraction(_RATIONAL.own(result))


def _exact_input(value: object) -> Fraction:
    if isinstance(value, bool) or not isinstance(value, (int, Fraction)):
        raise NumberRefused(f"input {value!r} ({type(value).__name__}): give the exact value as a Fraction")
    return Fraction(value)


def _by_intervals(
    function: Reference, inputs: Sequence[Fraction], constants: Mapping[str, object], bits: int
) -> Enclosure:
    ctx = interval_context(bits)
    result = ctx.own(function(ctx, *(ctx.number(value) for value in inputs), **constants))
    low, high = result.ends()
    return Enclosure(low, high, bits)


def decide(
    function: Reference,
    inputs: Sequence[Fraction],
    constants: Mapping[str, object],
    test: Callable[[Enclosure], bool | None],
    *,
    start_bits: int = 100,
    most_bits: int = 400,
) -> tuple[bool | None, Enclosure]:
    """Ask a question about the right answer, doubling the precision until it has one.

    `test` receives an Enclosure and returns True, False, or None for "the enclosure straddles it". The answer
    is None if it still does at most_bits. Undecidable is raised only if the reference itself holds a
    decision that no precision up to most_bits can take.

    >>> asks = lambda e: True if e.low > 1 else False if e.high < 1 else None
    >>> decide(lambda ctx, x: ctx.exp2(x), [Fraction(1, 2**150)], {}, asks)[0]
    True
    """
    exact = _exactly(function, inputs, constants)
    if exact is not None:
        point = Enclosure(exact, exact, start_bits)
        return test(point), point
    bits = start_bits
    while True:
        try:
            enclosure = _by_intervals(function, inputs, constants, bits)
            answer = test(enclosure)
            if answer is not None or bits >= most_bits:
                return answer, enclosure
        except Undecidable:
            if bits >= most_bits:
                raise
        bits = min(2 * bits, most_bits)


def log2_enclosure(low: Fraction, high: Fraction, bits: int) -> tuple[Fraction, Fraction]:
    """Ends of an interval that holds log2 of every number in [low, high], 0 < low <= high.

    >>> log2_enclosure(Fraction(8), Fraction(8), 100)
    (Fraction(3, 1), Fraction(3, 1))
    """
    if not 0 < low <= high:
        raise DomainError(f"log2 of [{low}, {high}]: both ends must be positive and in order")
    ctx = interval_context(bits)
    lowest, highest = ctx.log2(ctx.constant(low)), ctx.log2(ctx.constant(high))
    return lowest.ends()[0], highest.ends()[1]


def intermediates(
    function: Reference, inputs: Sequence[Fraction], constants: Mapping[str, object], bits: int = 100
) -> list[tuple[str, str]]:
    """Inputs, constants and every operation of a reference in order, as (label, value) text.

    >>> def ratio(ctx, cents):
    ...     return ctx.exp2(cents / 1200)
    >>> for label, text in intermediates(ratio, [Fraction(1200)], {}):
    ...     print(label, "=", text)
    cents = 1200
    step 1: cents / 1200 = 1
    result: exp2(step 1) = 2
    """
    return StepContext(interval_context(bits), digits=max(6, math.floor(bits * 0.3))).run(
        function, inputs, constants
    )
