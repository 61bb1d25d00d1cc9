"""Elementary functions for float64 screens, in numpy: the readable twin of kernels.h.

Only + - * / and integer operations, each correctly rounded, in the same order as the C: the same bits. Bounds
are stated as constants beside each function, |computed - exact| <= bound * |exact| + TINY for binary64 input
taken as exact. u is 2**-53. tests/external/test_kernels.py confirms every bound with ball arithmetic (Taylor
models of the polynomial error over subdivided ranges) and a rounding analysis of these very functions.
"""

from __future__ import annotations

import math
from fractions import Fraction
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np

Array: TypeAlias = Any
"""float64 array; the polynomial parts also take any object with + * (the tests' error analysis does)."""

TINY = Fraction(1, 2**1060)
"""Absolute allowance for results and products that fall below the normal numbers."""

EXP2_BOUND = Fraction(1, 2**51)
EXP_BOUND = Fraction(1, 2**50)
LOG2_BOUND = Fraction(1, 2**49)
LOG_BOUND = Fraction(1, 2**49)
SINE_BOUND = Fraction(1, 2**50)
TANH_BOUND = Fraction(1, 2**48)

EXP2_LARGEST = 900
EXP_LARGEST = 620
LOG_SMALLEST, LOG_LARGEST = Fraction(1, 2**890), Fraction(2**890)
TURNS_LARGEST = 2**50

ROUNDER = float.fromhex("0x1.8p+52")
LOG2_E = float.fromhex("0x1.71547652b82fep+0")
LN2_HIGH = float.fromhex("0x1.62e42fefa2000p-1")  # 40 bits, so n * LN2_HIGH is exact
LN2_LOW = float.fromhex("0x1.9ef35793c7673p-41")
LN2 = float.fromhex("0x1.62e42fefa39efp-1")


def _coefficients(*texts: str) -> tuple[float, ...]:
    return tuple(float.fromhex(text) for text in texts)


# Interpolation at Chebyshev points, rounded to binary64, lowest power first.
EXP2 = _coefficients(  # (2**f - 1)/f on [-0.5005, 0.5005]
    "0x1.62e42fefa39efp-1",  # 0.6931471805599453
    "0x1.ebfbdff82c598p-3",  # 0.24022650695910097
    "0x1.c6b08d704a0c2p-5",  # 0.0555041086648216
    "0x1.3b2ab6fba1d76p-7",  # 0.009618129107606715
    "0x1.5d87fe78a524bp-10",  # 0.0013333558146416842
    "0x1.430913098a106p-13",  # 0.0001540353044202707
    "0x1.ffcbfc6724283p-17",  # 1.525273382999124e-05
    "0x1.62bfd427a44e9p-20",  # 1.3215442410711872e-06
    "0x1.b524faa21725ep-24",  # 1.0178062351388103e-07
    "0x1.e606dee7e5577p-28",  # 7.072621356539349e-09
    "0x1.e9d48637d76acp-32",  # 4.4549794711760616e-10
)
LOG2 = _coefficients(  # log2((1 + s)/(1 - s))/s in z = s**2 on [0, 0.02945]
    "0x1.71547652b82fep+1",  # 2.8853900817779268
    "0x1.ec709dc3a047dp-1",  # 0.9617966939259898
    "0x1.2776c50ee39a4p-1",  # 0.577078016345514
    "0x1.a61762d699b46p-2",  # 0.4121985858422942
    "0x1.484afb77d8797p-2",  # 0.3205985347650481
    "0x1.0ca160eda205bp-2",  # 0.26233436060329546
    "0x1.c46df723fd2ebp-3",  # 0.22091286734180157
    "0x1.b594042f590e9p-3",  # 0.21366122502798326
)
SINE = _coefficients(  # sin(2 pi t)/t in z = t**2 on [0, 1/16]
    "0x1.921fb54442d18p+2",  # 6.283185307179586
    "-0x1.4abbce625be52p+5",  # -41.341702240399755
    "0x1.466bc6775aa7dp+6",  # 81.60524927607362
    "-0x1.32d2cce627c86p+6",  # -76.70585975282492
    "0x1.5078348551854p+5",  # 42.058693925428685
    "-0x1.e3074dfaf87afp+3",  # -15.0946416761179
    "0x1.e8f3675ee37ddp+1",  # 3.8199280942271643
    "-0x1.6f7acdb8f6580p-1",  # -0.7177337921413454
    "0x1.9d462020fcc78p-4",  # 0.10089695501646812
)


def header_text() -> str:
    """The text of kernels.h, to be put before a generated screen."""
    return (Path(__file__).parent / "kernels.h").read_text(encoding="utf-8")


def polynomial(coefficients: tuple[float, ...], x: Array) -> Array:
    """Estrin's scheme in groups of four, Horner's rule in x**4 between them: short chains pipeline well."""
    x2 = x * x
    x4 = x2 * x2
    groups = [coefficients[start : start + 4] for start in range(0, len(coefficients), 4)]
    result = _group(groups[-1], x, x2)
    for group in reversed(groups[:-1]):
        result = _group(group, x, x2) + x4 * result
    return result


def _group(c: tuple[float, ...], x: Array, x2: Array) -> Array:
    match len(c):
        case 1:
            return c[0]
        case 2:
            return c[0] + x * c[1]
        case 3:
            return (c[0] + x * c[1]) + x2 * c[2]
    return (c[0] + x * c[1]) + x2 * (c[2] + x * c[3])


def exp2_less_1(f: Array) -> Array:
    """2**f - 1 for |f| <= 0.5005. Polynomial error below 2**-55 of 2**f, rounding below 1.1 u of it."""
    return polynomial(EXP2, f) * f


def log2_of_quotient(s: Array) -> Array:
    """log2((1 + s)/(1 - s)) for |s| <= 0.1716. Relative: polynomial below 2**-54, rounding below 4 u."""
    return polynomial(LOG2, s * s) * s


def quarter_sine(t: Array) -> Array:
    """sin(2 pi t) for |t| <= 1/4. Polynomial error below 2**-53, rounding below 4 u, relative."""
    return polynomial(SINE, t * t) * t


def exp_fraction(x: Array, n: Array) -> Array:
    """x/ln 2 - n, from x - n ln 2 so that nothing cancels; n is the nearest integer to x/ln 2."""
    return ((x - n * LN2_HIGH) - n * LN2_LOW) * LOG2_E


def _bits(x: Array) -> Array:
    return np.ascontiguousarray(x, dtype=np.float64).view(np.uint64)


def _power(rounded: Array) -> Array:
    """2**n for the integer n held in the low bits of n + ROUNDER."""
    return ((_bits(rounded) << np.uint64(52)) + np.uint64(0x3FF0000000000000)).view(np.float64)


def _with_sign(x: Array, sign: Array) -> Array:
    return (_bits(x) ^ (_bits(sign) & np.uint64(1 << 63))).view(np.float64)


def exp2(x: Array) -> Array:
    """2**x for |x| <= 900, relative error <= EXP2_BOUND = 2**-51.

    n = nearest(x) and f = x - n are exact; 1 + (2**f - 1) adds u to the errors of exp2_less_1, at most
    (2**-55 + 1.1 u + u); scaling by 2**n is exact since no result is subnormal.
    """
    rounded = x + ROUNDER
    f = x - (rounded - ROUNDER)
    return (1.0 + exp2_less_1(f)) * _power(rounded)


def exp(x: Array) -> Array:
    """e**x for |x| <= 620, relative error <= EXP_BOUND = 2**-50.

    The reduced argument is off by at most 2 u absolutely, which changes the result by as much relatively;
    the rest as in exp2.
    """
    rounded = x * LOG2_E + ROUNDER
    return (1.0 + exp2_less_1(exp_fraction(x, rounded - ROUNDER))) * _power(rounded)


def log2(x: Array) -> Array:
    """log2 x for 2**-890 <= x <= 2**890, relative error <= LOG2_BOUND = 2**-49, also next to 1.

    x = 2**e m with m in [sqrt(1/2), sqrt 2); s = (m - 1)/(m + 1) has two roundings because m - 1 is exact;
    log2 m is within 6 u of itself. For e = 0 that is the result; else |e + log2 m| >= 1/2 >= |log2 m|.
    """
    bits = _bits(x)
    exponent = (bits - np.uint64(0x3FE6A09E667F3BCD) + np.uint64(1 << 62)) >> np.uint64(52)
    m = (bits - (exponent << np.uint64(52)) + np.uint64(1 << 62)).view(np.float64)
    e = (exponent | np.uint64(0x4330000000000000)).view(np.float64) - (2.0**52 + 1024.0)
    return e + log2_of_quotient((m - 1.0) / (m + 1.0))


def log(x: Array) -> Array:
    """ln x for 2**-890 <= x <= 2**890, relative error <= LOG_BOUND = 2**-49: log2 x times ln 2, 2 u more."""
    return log2(x) * LN2


def sin_turns(x: Array) -> Array:
    """sin(2 pi x) for |x| <= 2**50, relative error <= SINE_BOUND = 2**-50 (hence absolute too).

    r = x - nearest(x) is exact; folding |r| > 1/4 to 1/2 - |r| is exact there; the rest is quarter_sine.
    """
    r = x - ((x + ROUNDER) - ROUNDER)
    size = np.abs(r)
    half = 0.5 - size
    return _with_sign(quarter_sine(np.where(size < half, size, half)), r)


def sin_turns_of_one(x: float) -> float:
    """sin_turns of one number, with the same bits: an array of one costs thirty times as much."""
    r = x - ((x + ROUNDER) - ROUNDER)
    size = abs(r)
    value = polynomial(SINE, min(size, 0.5 - size) ** 2) * min(size, 0.5 - size)
    return float(-value if math.copysign(1.0, r) < 0 else value)


def cos_turns(x: Array) -> Array:
    """cos(2 pi x) for |x| <= 2**50, relative error <= SINE_BOUND = 2**-50: sin(2 pi (1/4 - |r|)).

    1/4 - |r| is exact for |r| >= 1/8; below that it is off by 2**-55 at most, where the cosine is flat
    and above 0.7.
    """
    r = x - ((x + ROUNDER) - ROUNDER)
    return quarter_sine(0.25 - np.abs(r))


def tanh(x: Array) -> Array:
    """Hyperbolic tangent for |x| <= 2**900, relative error <= TANH_BOUND = 2**-48.

    d/(d + 2) with d = e**(2|x|) - 1 formed without cancellation; from |x| = 22 on, 1 - tanh x < 2**-62.
    """
    size = np.abs(x)
    y = np.where(size < 22.0, size, 22.0) * 2.0
    rounded = y * LOG2_E + ROUNDER
    power = _power(rounded)
    d = exp2_less_1(exp_fraction(y, rounded - ROUNDER)) * power + (power - 1.0)
    return _with_sign(d / (d + 2.0), x)
