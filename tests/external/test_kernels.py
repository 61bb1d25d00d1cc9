"""The kernels' stated bounds, proven and tried against libraries we did not write.

Proof, per kernel: (1) the polynomial's error by Taylor models in ball arithmetic (python-flint) on pieces
that cover the reduced range; (2) the rounding error by running the kernel's own polynomial code on objects
that carry a range and an error bound; (3) both combined over every binary exponent. Trial: random binary64
inputs against mpmath. Reduction steps that are called exact are tried with Fractions.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from fractions import Fraction

import mpmath
import numpy as np
import pytest

from reference import double_double_kernels as dk
from reference import kernels

flint = pytest.importorskip("flint", reason="needs python-flint")
arb = flint.arb

UNIT = 2.0**-53
PIECES = 64
TERMS = 24


@pytest.fixture(autouse=True)
def _ball_precision():
    before = flint.ctx.prec
    flint.ctx.prec = 300
    yield
    flint.ctx.prec = before


def above(ball) -> float:
    """An upper bound of |ball| as float."""
    return math.nextafter(float(abs(ball).upper()) * (1 + 2.0**-50), math.inf)


def fraction_ball(value: Fraction):
    return arb(value.numerator) / arb(value.denominator)


class Tracked:
    """An operand of kernel code: range of the exact values, and how far the computed one may be off."""

    def __init__(self, low: float, high: float, error: float = 0.0) -> None:
        self.low, self.high, self.error = low, high, error

    @property
    def size(self) -> float:
        return max(abs(self.low), abs(self.high))

    @staticmethod
    def of(value: Tracked | float) -> Tracked:
        return value if isinstance(value, Tracked) else Tracked(value, value)

    def _rounded(self, corners: list[float], carried: float) -> Tracked:
        low, high = min(corners), max(corners)
        pad = max(abs(low), abs(high)) * 2.0**-50  # these ranges are themselves computed in binary64
        size = max(abs(low), abs(high)) + pad
        return Tracked(low - pad, high + pad, (carried + UNIT * (size + carried)) * (1 + 2.0**-40))

    def __add__(self, other: Tracked | float) -> Tracked:
        o = Tracked.of(other)
        return self._rounded([self.low + o.low, self.high + o.high], self.error + o.error)

    def __mul__(self, other: Tracked | float) -> Tracked:
        o = Tracked.of(other)
        corners = [a * b for a in (self.low, self.high) for b in (o.low, o.high)]
        return self._rounded(corners, self.error * o.size + o.error * self.size + self.error * o.error)

    __radd__ = __add__
    __rmul__ = __mul__


def shifted(coefficients: list, centre) -> list:
    """Taylor coefficients of a polynomial at centre."""
    shift = flint.arb_poly([centre, 1])
    return list(flint.arb_poly(coefficients)(shift))


def model_error(polynomial: list, taylor: list, centre, h: float, remainder) -> list:
    """Coefficients' distances |d_k| at centre, the remainder appended as the coefficient of h**TERMS."""
    moved = shifted(polynomial, centre)
    moved += [arb(0)] * (TERMS - len(moved))
    assert len(moved) == TERMS == len(taylor)
    return [abs(p - t) for p, t in zip(moved, taylor, strict=True)] + [remainder]


def summed(distances: list, h: float, divide_by_h: bool = False):
    total = arb(0)
    for k, distance in enumerate(distances):
        power = k - 1 if divide_by_h else k
        if divide_by_h and k == 0:
            assert above(distance) == pytest.approx(0, abs=1e-80)
            continue
        total += distance * arb(h) ** power
    return total


# exp2 and exp


def exp2_fraction_error(low: float, high: float) -> tuple[float, float]:
    """(polynomial, rounding) error of 1 + exp2_less_1(f) on [low, high], each as a fraction of 2**f."""
    centre, h = (low + high) / 2, (high - low) / 2
    ln2, value = arb(2).log(), arb(2) ** arb(centre)
    taylor = [value * ln2**k / arb(k).fac() if k else value - 1 for k in range(TERMS)]
    remainder = 2 * value * ln2**TERMS / arb(TERMS).fac()
    polynomial = [arb(0), *map(arb, kernels.EXP2)]
    smallest = arb(2) ** arb(low)
    by_model = above(summed(model_error(polynomial, taylor, arb(centre), h, remainder), h) / smallest)
    result = 1.0 + kernels.exp2_less_1(Tracked(low, high))
    return by_model, result.error / float(smallest.lower())


def edges(low: float, high: float, count: int) -> list[tuple[float, float]]:
    points = [low + (high - low) * i / count for i in range(count + 1)]
    return list(itertools.pairwise(points))


def test_exp2_is_within_its_bound_for_every_exponent_and_piece():
    worst = max(sum(exp2_fraction_error(*piece)) for piece in edges(-0.5, 0.5, 8 * PIECES))

    # Scaling by 2**n is exact for every n in -900 ... 900, so the worst piece is the worst everywhere.
    assert kernels.EXP2_BOUND >= worst

    n = np.arange(-900.0, 901.0)
    assert (kernels.exp2(n) == np.ldexp(1.0, n.astype(int))).all()


def test_exp_is_within_its_bound_for_every_exponent():
    worst_step = max(sum(exp2_fraction_error(*piece)) for piece in edges(-0.5005, 0.5005, 8 * PIECES))
    ln2 = arb(2).log()
    split = above(ln2 - arb(kernels.LN2_HIGH) - arb(kernels.LN2_LOW))
    scale = above(arb(kernels.LOG2_E) * ln2 - 1)
    worst = 0.0
    for n in range(-895, 896):
        exact_product = Fraction(kernels.LN2_HIGH) * n
        assert Fraction(float(exact_product)) == exact_product

        # x - n LN2_HIGH, its difference from n LN2_LOW, the product, the constants' own errors; |r| < 0.347.
        first = UNIT * 0.3470 if n else 0.0
        low_product = abs(n) * kernels.LN2_LOW * UNIT
        second = UNIT * 0.3470 if n else 0.0
        argument = first + low_product + second + abs(n) * split  # in units of x
        final = 0.3470 * (scale + UNIT)  # of the product with LOG2_E, in units of x
        worst = max(worst, math.expm1((argument + final) * 1.001) + worst_step)

    assert kernels.EXP_BOUND >= worst * 1.001

    x = np.random.default_rng(5).uniform(-620, 620, 200_000)
    n = (x * kernels.LOG2_E + kernels.ROUNDER) - kernels.ROUNDER
    assert np.abs(kernels.exp_fraction(x, n)).max() <= 0.5005


# log2 and log


def log2_piece_error(low: float, high: float) -> float:
    """Error of log2_of_quotient(s) as a fraction of the exact value, for exact s in [low, high], 0 <= low."""
    h = high if low == 0 else (high - low) / 2
    centre = arb(0) if low == 0 else arb((low + high) / 2)
    taylor = [((1 + centre) / (1 - centre)).log() / arb(2).log()]
    for k in range(1, TERMS):
        term = (1 / (1 - centre) ** k + (-1) ** (k - 1) / (1 + centre) ** k) / k
        taylor.append(term / arb(2).log())
    ratio = arb(1) / (1 - centre - arb(h))
    remainder = 2 / arb(2).log() * ratio**TERMS / (1 - arb(h) * ratio)
    polynomial = [arb(0)]
    for coefficient in kernels.LOG2:
        polynomial += [arb(coefficient), arb(0)]
    distances = model_error(polynomial, taylor, centre, h, remainder)
    slope = 2 / arb(2).log()  # log2((1 + s)/(1 - s)) >= slope * s
    by_model = above(summed(distances, h, low == 0) / slope / (1 if low == 0 else arb(low)))
    s = Tracked(low, high)
    series = kernels.polynomial(kernels.LOG2, s * s)
    return by_model + series.error / series.low + UNIT * (1 + 2.0**-40)


def test_log2_is_within_its_bound_for_every_exponent_and_piece():
    widest = 0.17158
    pieces = [log2_piece_error(*piece) for piece in edges(0.0, widest, PIECES)]
    # s = (m - 1)/(m + 1): the sum and the quotient round; log2 of it is at most 1.04 times as sensitive.
    of_mantissa = max(pieces) + 1.04 * 2 * UNIT * 1.0001
    worst = of_mantissa
    for e in [*range(-890, 0), *range(1, 891)]:
        smallest = abs(e) - 0.5
        worst = max(worst, (0.5 * of_mantissa + UNIT * (smallest + 0.5 * of_mantissa)) / smallest)

    assert kernels.LOG2_BOUND >= worst * 1.001
    assert (1 + worst) * (1 + 2.02 * UNIT) - 1 <= kernels.LOG_BOUND

    m = np.concatenate([np.linspace(2**-0.5, 2**0.5, 10_001)[:-1], [np.nextafter(1, 0), np.nextafter(1, 2)]])
    assert all(Fraction(float(v - 1.0)) == Fraction(float(v)) - 1 for v in m)
    assert np.abs((m - 1.0) / (m + 1.0)).max() < widest


def test_log2_of_every_power_of_two_is_exact():
    exponents = np.arange(-890, 891)

    assert (kernels.log2(np.ldexp(1.0, exponents)) == exponents).all()


# sine and cosine


def sine_piece_error(low: float, high: float) -> float:
    """Error of quarter_sine(t) as a fraction of sin(2 pi t), t in [low, high], t exact, 0 <= low."""
    h = high if low == 0 else (high - low) / 2
    centre = arb(0) if low == 0 else arb((low + high) / 2)
    two_pi = 2 * arb.pi()
    sine, cosine = (two_pi * centre).sin(), (two_pi * centre).cos()
    signs = [sine, cosine, -sine, -cosine]
    taylor = [two_pi**k / arb(k).fac() * signs[k % 4] if k else sine for k in range(TERMS)]
    remainder = 2 * two_pi**TERMS / arb(TERMS).fac()
    polynomial = [arb(0)]
    for coefficient in kernels.SINE:
        polynomial += [arb(coefficient), arb(0)]
    distances = model_error(polynomial, taylor, centre, h, remainder)
    # sin(2 pi t) >= 4 t on [0, 1/4]; away from 0 the sine at the lower end is the smallest.
    smallest = arb(4) if low == 0 else (two_pi * arb(low)).sin()
    by_model = above(summed(distances, h, low == 0) / smallest)
    t = Tracked(low, high)
    series = kernels.polynomial(kernels.SINE, t * t)
    return by_model + series.error / series.low + UNIT * (1 + 2.0**-40)


def test_sine_and_cosine_are_within_their_bound_on_every_piece():
    worst = max(sine_piece_error(*piece) for piece in edges(0.0, 0.25, 4 * PIECES))

    assert kernels.SINE_BOUND >= worst * 1.001

    # Cosine: 1/4 - |r| rounds by at most 2**-55 where |r| < 1/8; |tan| <= 1 there, so 2 pi 2**-55 relatively.
    assert kernels.SINE_BOUND >= worst * 1.001 + 2 * math.pi * 2.0**-55 * 1.001


def test_sine_reduction_is_exact():
    rng = np.random.default_rng(11)
    x = np.concatenate(
        [rng.uniform(-4, 4, 4000), rng.uniform(-(2.0**50), 2.0**50, 4000), np.arange(-64, 65) / 8]
    )
    r = x - ((x + kernels.ROUNDER) - kernels.ROUNDER)
    for value, rest in zip(x, r, strict=True):
        turns = Fraction(float(value)) - Fraction(float(rest))
        assert turns.denominator == 1 and abs(rest) <= 0.5
    outer = np.abs(r[np.abs(r) >= 0.25])
    assert all(Fraction(float(0.5 - v)) == Fraction(1, 2) - Fraction(float(v)) for v in outer)


# tanh


def test_tanh_is_within_its_bound():
    pieces = edges(-0.5005, 0.5005, 8 * PIECES)
    argument = 4 * 0.347 * UNIT * 1.01  # of 2|x| - n ln 2 for n > 0, absolutely, as in exp: four roundings
    near, of_d = 0.0, 0.0
    for low, high in pieces:
        series = kernels.polynomial(kernels.EXP2, Tracked(low, high))
        near = max(near, series.error / series.low + 1.001 * UNIT)
        by_model, rounding = exp2_fraction_error(low, high)[0], kernels.exp2_less_1(Tracked(low, high)).error
        for n in range(1, 65):
            # d = (2**f - 1) 2**n + (2**n - 1): errors of both, of the argument, and of the sum.
            largest = 2.0 ** (n + high) - 1
            error = 2.0**n * (2.0**high * (by_model + argument) + rounding) * 1.0001 + UNIT * largest
            error += UNIT * 2.0**n if n > 53 else 0.0  # else 2**n - 1 is exact
            of_d = max(of_d, error / (2.0 ** (n + low) - 1))
    # n = 0: f = 2|x| LOG2_E (1 + 2 u); the condition of 2**f - 1 is at most 1.25 for 0 <= f <= 1/2.
    of_d = max(of_d, near + step_model_relative() + 1.25 * 2 * UNIT)
    # d/(d + 2): relative error of d counts at most once, then a sum and a quotient.
    worst = (of_d + 2 * UNIT) * 1.001 + 2.0**-62

    assert kernels.TANH_BOUND >= worst
    assert above(1 - arb(22).tanh()) < 2.0**-62


def step_model_relative() -> float:
    """Polynomial error of (2**f - 1)/f, as a fraction of it, on [-0.5005, 0.5005]."""
    ln2 = arb(2).log()
    taylor = [ln2 ** (k + 1) / arb(k + 1).fac() for k in range(TERMS)]
    polynomial = [arb(c) for c in kernels.EXP2]
    worst = 0.0
    for low, high in edges(-0.5005, 0.5005, PIECES):
        centre, h = (low + high) / 2, (high - low) / 2
        # Both are expanded at 0, moved to the centre; what the truncation leaves is below 0.36**24/25!.
        moved = shifted(polynomial, arb(centre))
        moved += [arb(0)] * (TERMS - len(moved))
        exact = shifted(taylor, arb(centre))
        distances = [abs(p - t) for p, t in zip(moved, exact, strict=True)]
        worst = max(worst, above((summed(distances, h) + arb(2) ** -110) / arb("0.58")))
    return worst


# trials against mpmath

MP = mpmath.MPContext()
MP.prec = 300

EXACT: dict[str, Callable] = {
    "exp2": lambda x: MP.mpf(2) ** x,
    "exp": MP.exp,
    "log2": lambda x: MP.log(x) / MP.log(2),
    "log": MP.log,
    "sin_turns": lambda x: MP.sinpi(2 * x),
    "cos_turns": lambda x: MP.cospi(2 * x),
    "tanh": MP.tanh,
}

BOUNDS = {
    "exp2": kernels.EXP2_BOUND,
    "exp": kernels.EXP_BOUND,
    "log2": kernels.LOG2_BOUND,
    "log": kernels.LOG_BOUND,
    "sin_turns": kernels.SINE_BOUND,
    "cos_turns": kernels.SINE_BOUND,
    "tanh": kernels.TANH_BOUND,
}

FINER_BOUNDS = {
    "exp2": (dk.EXP2_BOUND, 0),
    "exp": (dk.EXP_BOUND, 0),
    "log2": (dk.LOG_BOUND, dk.LOG_ABSOLUTE),
    "log": (dk.LOG_BOUND, dk.LOG_ABSOLUTE),
    "sin_turns": (dk.SINE_BOUND, dk.SINE_ABSOLUTE),
    "cos_turns": (dk.SINE_BOUND, dk.SINE_ABSOLUTE),
    "tanh": (dk.TANH_BOUND, 0),
}


def inputs(name: str, count: int) -> np.ndarray:
    """Random inputs over the domain: all exponents, the everyday range, and next to the hard places."""
    rng = np.random.default_rng(sum(map(ord, name)))
    near = 2.0 ** rng.uniform(-52, -1, count) * rng.choice([-1.0, 1.0], count)
    if name in ("exp2", "exp"):
        largest = kernels.EXP2_LARGEST if name == "exp2" else kernels.EXP_LARGEST
        wide = rng.uniform(-largest, largest, count)
        return np.concatenate([wide, rng.uniform(-5, 10, count), near, rng.integers(-9, 9, count) / 2 + near])
    if name in ("log2", "log"):
        return np.concatenate([2.0 ** rng.uniform(-890, 890, count), rng.uniform(0.1, 10, count), 1 + near])
    if name == "tanh":
        return np.concatenate([rng.uniform(-60, 60, count), near, 2.0 ** rng.uniform(-400, 400, count)])
    quarters = rng.integers(-12, 13, count) / 8
    return np.concatenate([rng.uniform(-1e6, 1e6, count), rng.uniform(-1, 1, count), near, quarters + near])


@pytest.mark.parametrize("name", sorted(EXACT))
def test_kernel_stays_within_its_bound_on_random_inputs(name):
    x = inputs(name, 1500)
    got = getattr(kernels, name)(x)
    for value, result in zip(x, got, strict=True):
        exact = EXACT[name](MP.mpf(float(value)))
        bound = MP.mpf(BOUNDS[name].numerator) / BOUNDS[name].denominator
        assert abs(MP.mpf(float(result)) - exact) <= bound * abs(exact), value.hex()


@pytest.mark.parametrize("name", sorted(EXACT))
def test_double_double_kernel_stays_within_its_bound_on_random_inputs(name):
    x = inputs(name, 1000)
    tail = x * 2.0**-54 * np.random.default_rng(3).uniform(-1, 1, x.size)
    high, low = getattr(dk, name)((x, tail))
    relative, absolute = (MP.mpf(b.numerator) / b.denominator for b in map(Fraction, FINER_BOUNDS[name]))
    for head, rest, first, second in zip(x, tail, high, low, strict=True):
        exact = EXACT[name](MP.mpf(float(head)) + MP.mpf(float(rest)))
        got = MP.mpf(float(first)) + MP.mpf(float(second))
        assert abs(got - exact) <= relative * abs(exact) + absolute, (head.hex(), rest.hex())


def test_one_sine_has_the_bits_of_an_array_of_them() -> None:
    rng = np.random.default_rng(3)
    values = np.concatenate([rng.uniform(-3, 3, 2000), [0.0, -0.0, 0.25, -0.25, 0.5, -0.5, 1.0, 2.0**40 + 0.25, 1e-300]])

    assert np.array([kernels.sin_turns_of_one(x) for x in values.tolist()]).tobytes() == kernels.sin_turns(values).tobytes()
