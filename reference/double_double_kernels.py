"""Elementary functions in double-double, for `Screen.finer`.

Reduction with a table of 64 entries to the octave or turn, then Taylor polynomials; constants come from
320-bit intervals. Each bound is relative unless it says otherwise, derived in its docstring with factors to
spare and confirmed against 300-bit values in tests/external/test_kernels.py.
"""

from __future__ import annotations

from fractions import Fraction
from functools import lru_cache
from math import factorial

import numpy as np

from reference import double_double as dd
from reference import kernels
from reference.double_double import Array, Pair
from reference.graphs import WIDE
from reference.intervals import Interval

EXP2_BOUND = Fraction(1, 2**98)
EXP_BOUND = Fraction(1, 2**91)
LOG_ABSOLUTE = Fraction(1, 2**96)
LOG_BOUND = Fraction(1, 2**98)
SINE_BOUND = Fraction(1, 2**95)
SINE_ABSOLUTE = Fraction(1, 2**97)
TANH_BOUND = Fraction(1, 2**91)

STEPS = 64


def pair(value: Interval | Fraction) -> Pair:
    """The nearest double-double of a constant."""
    low, high = (value, value) if isinstance(value, Fraction) else value.ends()
    middle = (low + high) / 2
    first = float(middle)
    return first, float(middle - Fraction(first))


@lru_cache(maxsize=1)
def _constants() -> dict[str, Pair]:
    ln2 = WIDE.log(WIDE.constant(Fraction(2)))
    return {"ln2": pair(ln2), "log2_e": pair(WIDE.divide(1, ln2)), "two_pi": pair(WIDE.multiply(2, WIDE.pi))}


@lru_cache(maxsize=1)
def _powers() -> Pair:
    """2**(j/64) for j = -32 ... 32, at index j + 32."""
    entries = [pair(WIDE.exp2(WIDE.constant(Fraction(j, STEPS)))) for j in range(-32, 33)]
    return np.array([entry[0] for entry in entries]), np.array([entry[1] for entry in entries])


@lru_cache(maxsize=1)
def _sines() -> tuple[Pair, Pair]:
    """sin and cos of 2 pi j/64 for j = -32 ... 32, at index j + 32."""
    turns = [WIDE.constant(Fraction(j, STEPS)) for j in range(-32, 33)]
    sines, cosines = [pair(WIDE.sin_turns(t)) for t in turns], [pair(WIDE.cos_turns(t)) for t in turns]
    return (
        (np.array([s[0] for s in sines]), np.array([s[1] for s in sines])),
        (np.array([c[0] for c in cosines]), np.array([c[1] for c in cosines])),
    )


@lru_cache(maxsize=1)
def _exponential_series() -> list[Pair]:
    """(e**y - 1)/y = sum y**k/(k + 1)!; for |y| <= 0.0055 the next term is below 2**-115."""
    return [pair(Fraction(1, factorial(k + 1))) for k in range(11)]


@lru_cache(maxsize=1)
def _circular_series() -> tuple[list[Pair], list[Pair]]:
    """sin(y)/y and cos(y) in y**2; for |y| <= 0.0491 the next terms are below 2**-115."""
    sine = [pair(Fraction((-1) ** k, factorial(2 * k + 1))) for k in range(9)]
    cosine = [pair(Fraction((-1) ** k, factorial(2 * k))) for k in range(9)]
    return sine, cosine


def _reduced(x: Pair) -> tuple[Array, Array, Pair]:
    """x = n + j/64 + f with integers n and j in -32 ... 32, |f| <= 1/128 (+ 2**-50); all exact."""
    n = dd.nearest(x)
    part = dd.add(x, (-n, np.zeros_like(n)))
    j = np.rint(part[0] * STEPS)
    f = dd.add(part, (j / -STEPS, np.zeros_like(j)))
    return n, j.astype(np.int64) + STEPS // 2, f


def _exp2_parts(x: Pair) -> tuple[Array, Pair, Pair]:
    """(2**n as float64, 2**(j/64), 2**f - 1) with 2**x their product, the last plus 1."""
    n, index, f = _reduced(x)
    y = dd.multiply(f, _constants()["ln2"])
    less_1 = dd.multiply(dd.polynomial(_exponential_series(), y), y)
    powers = _powers()
    return np.ldexp(1.0, n.astype(np.int64)), (powers[0][index], powers[1][index]), less_1


def exp2(x: Pair) -> Pair:
    """2**x for |x| <= 900, relative error <= EXP2_BOUND = 2**-98.

    2**f - 1 is at most 0.0055 and right to 2**-99 of itself; one product and one sum of 2**-103 each follow.
    """
    power, step, less_1 = _exp2_parts(x)
    return dd.scale(dd.add(step, dd.multiply(step, less_1)), power)


def exp(x: Pair) -> Pair:
    """e**x for |x| <= 620, relative error <= EXP_BOUND = 2**-91: x/ln 2 is off by 895 * 2**-102 at most."""
    return exp2(dd.multiply(x, _constants()["log2_e"]))


def log2(x: Pair) -> Pair:
    """log2 x for 2**-890 <= x <= 2**890, error <= LOG_BOUND * |log2 x| + LOG_ABSOLUTE, 2**-98 and 2**-96.

    With y the float64 kernel's value and 1 + d = x 2**-y, |d| < 2**-38, the rest is log2(1 + d) from
    d - d**2/2 + d**3/3, next term below 2**-150; d is off by 2**-97.5 from exp2 and the product.
    """
    y = kernels.log2(x[0])
    zero = np.zeros_like(y)
    ratio = dd.multiply(x, exp2((-y, zero)))
    d = dd.add(ratio, (-1.0, 0.0))
    correction = d[0] * d[0] * (-0.5 + d[0] / 3.0)
    rest = dd.multiply(dd.add(d, (correction, zero)), _constants()["log2_e"])
    return dd.add((y, zero), rest)


def log(x: Pair) -> Pair:
    """ln x on the domain of log2 and within its bounds: log2 x times ln 2."""
    return dd.multiply(log2(x), _constants()["ln2"])


def sin_turns(x: Pair) -> Pair:
    """sin(2 pi x), |x| <= 2**50, error <= SINE_BOUND * |sin| + SINE_ABSOLUTE, 2**-95 and 2**-97.

    sin(a + b) with a = 2 pi j/64 from the table and |b| <= 0.0491; every part is right to 2**-100.
    """
    _, index, f = _reduced(x)
    y = dd.multiply(f, _constants()["two_pi"])
    square = dd.multiply(y, y)
    sine_series, cosine_series = _circular_series()
    sine, cosine = dd.multiply(dd.polynomial(sine_series, square), y), dd.polynomial(cosine_series, square)
    table_sine, table_cosine = _sines()
    return dd.add(
        dd.multiply((table_sine[0][index], table_sine[1][index]), cosine),
        dd.multiply((table_cosine[0][index], table_cosine[1][index]), sine),
    )


def cos_turns(x: Pair) -> Pair:
    """cos(2 pi x), bounds as sin_turns: the sine of x - nearest(x) + 1/4, off by 2**-104 turns at most."""
    n = dd.nearest(x)
    part = dd.add(x, (-n, np.zeros_like(n)))
    return sin_turns(dd.add(part, (0.25, 0.0)))


def tanh(x: Pair) -> Pair:
    """Hyperbolic tangent, relative error <= TANH_BOUND = 2**-91: d/(d + 2), d = e**(2|x|) - 1.

    From |x| = 40 on, 1 - tanh x is below 2**-114. For 2|x|/ln 2 = n + j/64 + f with n = j = 0 nothing
    cancels in d; else |d| >= 0.005, which costs 8 of 102 bits.
    """
    size = dd.absolute(x)
    size = dd.choose(size[0] < 40.0, size, (np.full_like(size[0], 40.0), np.zeros_like(size[0])))
    power, step, less_1 = _exp2_parts(dd.multiply(dd.scale(size, 2.0), _constants()["log2_e"]))
    scaled = dd.scale(step, power)
    d = dd.add(dd.multiply(scaled, less_1), dd.add(scaled, (-1.0, 0.0)))
    result = dd.divide(d, dd.add(d, (2.0, 0.0)))
    return dd.choose(x[0] < 0, dd.negative(result), result)
