"""Double-double building blocks against exact fractions."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reference import double_double as dd
from reference.intervals import IntervalContext

OPERATIONS: dict[str, tuple[Callable[..., Any], Callable[[Fraction, Fraction], Fraction], Fraction]] = {
    "add": (dd.add, lambda x, y: x + y, dd.SUM_BOUND),
    "subtract": (dd.subtract, lambda x, y: x - y, dd.SUM_BOUND),
    "multiply": (dd.multiply, lambda x, y: x * y, dd.PRODUCT_BOUND),
    "divide": (dd.divide, lambda x, y: x / y, dd.QUOTIENT_BOUND),
}


def pairs(rng: np.random.Generator, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Normalised pairs: any sign, 120 binary orders of size, tails from full to tiny or zero."""
    high = rng.choice([-1.0, 1.0], count) * 2.0 ** rng.uniform(-60, 60, count)
    nearly_two = rng.random(count) < 0.2  # mantissas next to a power of two are the hard ones
    high = np.where(nearly_two, np.nextafter(2.0 ** np.rint(np.log2(np.abs(high))), 0), high)
    tail = (
        np.spacing(np.abs(high)) / 2 * rng.uniform(-1, 1, count) * 2.0 ** -rng.choice([0, 0, 20, 60], count)
    )
    return dd.fast_two_sum(high, np.where(rng.random(count) < 0.1, 0.0, tail))


def exact(pair: tuple[np.ndarray, np.ndarray]) -> list[Fraction]:
    return [Fraction(float(high)) + Fraction(float(low)) for high, low in zip(*pair, strict=True)]


@pytest.mark.parametrize("name", sorted(OPERATIONS))
@given(seed=st.integers(0, 2**32 - 1), close=st.booleans())
def test_operation_stays_within_its_bound(name: str, seed: int, close: bool) -> None:
    rng = np.random.default_rng(seed)
    x, y = pairs(rng, 50), pairs(rng, 50)
    if close:  # sums that cancel
        y = dd.fast_two_sum(-x[0] * (1 + 2.0 ** -rng.uniform(1, 60, 50)), y[1] * 0 + x[1] * 0.9)
    operation, truth, bound = OPERATIONS[name]
    result = operation(x, y)
    for got, a, b in zip(exact(result), exact(x), exact(y), strict=True):
        assert abs(got - truth(a, b)) <= bound * abs(truth(a, b))
    assert (result[0] + result[1] == result[0]).all()


@given(seed=st.integers(0, 2**32 - 1))
def test_root_stays_within_its_bound(seed: int) -> None:
    ctx = IntervalContext(200)
    x = dd.absolute(pairs(np.random.default_rng(seed), 30))
    for got, value in zip(exact(dd.root(x)), exact(x), strict=True):
        low, high = ctx.sqrt(ctx.number(value)).ends()

        assert low * (1 - dd.ROOT_BOUND) <= got <= high * (1 + dd.ROOT_BOUND)


@given(seed=st.integers(0, 2**32 - 1))
def test_error_free_transformations_lose_nothing(seed: int) -> None:
    rng = np.random.default_rng(seed)
    a, b = pairs(rng, 50)[0], pairs(rng, 50)[0]
    for p, q, total, product in zip(a, b, exact(dd.two_sum(a, b)), exact(dd.two_product(a, b)), strict=True):
        assert Fraction(float(p)) + Fraction(float(q)) == total
        assert Fraction(float(p)) * Fraction(float(q)) == product


def test_root_of_zero_and_order_of_pairs() -> None:
    zero = (np.zeros(1), np.zeros(1))

    assert (0.0, 0.0) == tuple(float(part[0]) for part in dd.root(zero))
    assert bool(dd.less((1.0, -(2.0**-60)), (1.0, 0.0))) and not bool(dd.less((1.0, 0.0), (1.0, 0.0)))
