"""Double-double arithmetic on numpy arrays: about 2**-104, where a float64 screen cannot decide.

A number is an unevaluated sum hi + lo with |lo| <= ulp(hi)/2; u is 2**-53. The building blocks are the
classical error-free transformations (Knuth's two-sum, Veltkamp and Dekker's product without fused
multiply-add); the bounds for sum and product are those of M. Joldes, J.-M. Muller, V. Popescu, "Tight and
rigorous error bounds for basic building blocks of double-word arithmetic", ACM TOMS 44(2), 2017, rounded up
to a power of two; quotient and root are derived from them below. All are tried in
tests/property/test_reference_double_double.py. They need operands below 2**990; where the error term of a
product underflows (products below 2**-960), what is lost is absolute and far under TINY.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any, TypeAlias

import numpy as np

Array: TypeAlias = Any
Pair: TypeAlias = tuple[Any, Any]
"""(hi, lo): arrays or floats."""

SUM_BOUND = Fraction(1, 2**104)
"""Relative error of `add`: 4 u**2, against 3 u**2 + 13 u**3 published for this algorithm."""
PRODUCT_BOUND = Fraction(1, 2**103)
"""Relative error of `multiply`: 8 u**2, against 7 u**2 published for this algorithm."""
QUOTIENT_BOUND = Fraction(1, 2**101)
"""Relative error of `divide`: 32 u**2. The first remainder is off by at most 12 u**2 of x, from its product
and difference; the second by u times that; the last sum adds 4 u**2."""
ROOT_BOUND = Fraction(1, 2**102)
"""Relative error of `root`: 16 u**2. Newton's step from a root within 2 u leaves 2 u**2; the correction, at
most 2 u in size, is rounded twice."""
TINY = Fraction(1, 2**900)
"""Absolute allowance where a product or its error term underflows."""

_SPLITTER = 134217729.0  # 2**27 + 1


def fast_two_sum(a: Array, b: Array) -> Pair:
    """a + b exactly, for |a| >= |b| or a = 0."""
    total = a + b
    return total, b - (total - a)


def two_sum(a: Array, b: Array) -> Pair:
    """a + b exactly."""
    total = a + b
    other = total - a
    return total, (a - (total - other)) + (b - other)


def _split(a: Array) -> Pair:
    scaled = _SPLITTER * a
    high = scaled - (scaled - a)
    return high, a - high


def two_product(a: Array, b: Array) -> Pair:
    """a * b exactly, away from overflow and underflow."""
    product = a * b
    a_high, a_low = _split(a)
    b_high, b_low = _split(b)
    error = ((a_high * b_high - product) + a_high * b_low + a_low * b_high) + a_low * b_low
    return product, error


def add(x: Pair, y: Pair) -> Pair:
    """x + y (accurate double-word addition)."""
    high, low = two_sum(x[0], y[0])
    tail_high, tail_low = two_sum(x[1], y[1])
    high, low = fast_two_sum(high, low + tail_high)
    return fast_two_sum(high, tail_low + low)


def negative(x: Pair) -> Pair:
    """-x, exact."""
    return -x[0], -x[1]


def subtract(x: Pair, y: Pair) -> Pair:
    """x - y."""
    return add(x, negative(y))


def multiply(x: Pair, y: Pair) -> Pair:
    """x * y."""
    high, low = two_product(x[0], y[0])
    return fast_two_sum(high, low + (x[0] * y[1] + x[1] * y[0]))


def scale(x: Pair, power: Array) -> Pair:
    """x times an exact power of two."""
    return x[0] * power, x[1] * power


def divide(x: Pair, y: Pair) -> Pair:
    """x / y: long division with two correcting steps."""
    first = x[0] / y[0]
    rest = subtract(x, multiply((first, np.zeros_like(first)), y))
    second = rest[0] / y[0]
    rest = subtract(rest, multiply((second, np.zeros_like(second)), y))
    high, low = fast_two_sum(first, second)
    return add((high, low), (rest[0] / y[0], np.zeros_like(first)))


def root(x: Pair) -> Pair:
    """Square root: one correcting step; 0 gives 0, a negative number NaN."""
    first = np.sqrt(np.where(x[0] < 0, np.nan, x[0]))
    product = two_product(first, first)
    rest = subtract(x, product)
    divisor = np.where(first > 0, 2.0 * first, 1.0)
    return fast_two_sum(first, rest[0] / divisor)


def absolute(x: Pair) -> Pair:
    """|x|, exact."""
    flip = x[0] < 0
    return np.where(flip, -x[0], x[0]), np.where(flip, -x[1], x[1])


def less(x: Pair, y: Pair) -> Array:
    """x < y, exact for normalised pairs."""
    return (x[0] < y[0]) | ((x[0] == y[0]) & (x[1] < y[1]))


def choose(condition: Array, x: Pair, y: Pair) -> Pair:
    """x where condition, else y."""
    return np.where(condition, x[0], y[0]), np.where(condition, x[1], y[1])


def nearest(x: Pair) -> Array:
    """An integer within 1/2 (+ 2**-50) of x, as float64."""
    return np.rint(x[0])


def polynomial(coefficients: list[Pair], x: Pair) -> Pair:
    """Horner's rule; lowest power first."""
    result: Pair = coefficients[-1]
    for coefficient in reversed(coefficients[:-1]):
        result = add(multiply(result, x), coefficient)
    return result
