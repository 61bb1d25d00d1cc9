"""What a screen refuses, what its key depends on, and what it says of itself."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import Any

import mpmath
import numpy as np
import pytest

from reference import DomainError, pitch, screen, why_no_screen


def half(ctx: Any, x: Any) -> Any:
    return x / 2


@pytest.mark.parametrize(
    ("function", "ranges", "reason"),
    [
        (lambda ctx, x: ctx.floor(x * 2**60), [(0, 9)], "floor"),
        (lambda ctx, x: x if x < 1 else x * x, [(0, 9)], "comparison"),
        (lambda ctx, x: ctx.exp2(x), [(0, 901)], "exp2 outside"),
        (lambda ctx, x: ctx.exp(x), [(-700, 0)], "exp outside"),
        (lambda ctx, x: ctx.log2(x), [(-1, 1)], "domain"),
        (lambda ctx, x: ctx.log2(x), [(-2, -1)], "domain"),
        (lambda ctx, x: ctx.sqrt(x - 1), [(0, 2)], "domain"),
        (lambda ctx, x: 1 / x, [(-1, 1)], "domain"),
        (lambda ctx, x: x * 10**200, [(0, 10**100)], "2**900"),
        (lambda ctx, x: ctx.sin_turns(x), [(0, 2**51)], "turns"),
        (lambda ctx, x: x * 0.5, [(0, 1)], "float"),
        (half, [(1, 0)], "empty"),
        (half, [(0, math.inf)], "finite"),
        (half, [(math.nan, 1)], "finite"),
    ],
)
def test_what_cannot_be_screened_is_refused_with_its_reason(function: Any, ranges: Any, reason: str) -> None:
    assert screen(function, ranges, {}) is None
    assert reason in (why_no_screen(function, ranges, {}) or "")


def test_a_floor_is_exact_or_in_doubt_never_wrong() -> None:
    """12 x + 1/2 rounds: next to a whole number the screen must say NaN, elsewhere the exact floor."""

    def semitone(ctx: Any, x: Any) -> Any:
        return ctx.floor(12 * x / 7 + Fraction(1, 2))

    found = screen(semitone, [(-9, 9)], {})
    assert found is not None and (found.absolute_bound, found.finer_absolute_bound) == (0.0, 0.0)
    borders = np.array([7 * (k - 0.5) / 12 for k in range(-14, 15)])
    near = np.concatenate([np.nextafter(borders, s * np.inf) for s in (-1, 1)] + [borders, borders + 1e-9, borders - 1e-9])
    plain, (finer, rest) = found.evaluate([near]), found.finer([near])
    exact = np.array([math.floor(12 * Fraction(float(x)) / 7 + Fraction(1, 2)) for x in near])

    assert not rest.any()
    for computed in (plain, finer):
        sure = ~np.isnan(computed)
        assert sure[-2 * len(borders) :].all()
        assert (computed[sure] == exact[sure]).all()
    assert np.isnan(plain).any()


def test_a_floor_of_an_exact_value_is_never_in_doubt() -> None:
    found = screen(lambda ctx, x: ctx.floor(x), [(0, 99)], {})
    assert found is not None

    assert [0.0, 0.0, 4.0, 8.0] == list(found.evaluate([np.array([0.0, 0.75, 4.0, 8.5])]))


def test_a_decision_that_the_range_settles_is_no_obstacle() -> None:
    found = screen(lambda ctx, x: x if x < 1 else x * x, [(2, 9)], {})

    assert found is not None
    assert [25.0] == list(found.evaluate([np.array([5.0])]))


def test_a_screen_refuses_inputs_outside_its_ranges_and_nan() -> None:
    found = screen(half, [(0, 1)], {})
    assert found is not None
    for bad in (-0.1, 1.1, math.nan, math.inf):
        with pytest.raises(DomainError, match="outside"):
            found.evaluate([np.array([0.5, bad])])
        with pytest.raises(DomainError, match="outside"):
            found.finer([np.array([0.5, bad])])
    with pytest.raises(DomainError, match="inputs"):
        found.evaluate([])


def test_empty_arrays_give_empty_results() -> None:
    found = screen(half, [(0, 1)], {})

    assert found is not None
    assert (0,) == found.evaluate([np.empty(0)]).shape


@pytest.mark.parametrize(
    ("function", "rational"),
    [
        (half, True),
        (lambda ctx, x: ctx.clamp(x, Fraction(1, 3), 1), True),
        (lambda ctx, x: x * ctx.exp2(ctx.number(3)), True),
        (lambda ctx, x: ctx.pi * x, False),
        (lambda ctx, x: ctx.exp2(x), False),
    ],
)
def test_rational_references_are_told_apart(function: Any, rational: bool) -> None:
    found = screen(function, [(0, 1)], {})

    assert found is not None
    assert rational == found.rational


def test_key_depends_on_function_constants_and_ranges_only() -> None:
    def key(ranges: Any = ((0, 1),), zero: object = 440) -> str:
        found = screen(pitch.hz_from_volts, ranges, {"zero_volt_hz": zero})
        assert found is not None
        return found.key

    assert key() == key(zero="880 / 2")
    assert 4 == len({key(), key(ranges=((0, 2),)), key(zero=441), key(zero="440 * 2**(-9/12)")})


def test_range_of_the_result_encloses_it_tightly() -> None:
    found = screen(pitch.hz_from_volts, [(-1, 5)], {"zero_volt_hz": 440})

    assert found is not None
    assert (220.0, 14080.0) == (found.low, found.high)


def test_c_name_must_be_an_identifier() -> None:
    found = screen(half, [(0, 1)], {})
    assert found is not None
    with pytest.raises(ValueError, match="identifier"):
        found.c_source("not a name")


def test_exact_results_have_a_zero_bound() -> None:
    found = screen(lambda ctx, x: ctx.absolute(-x), [(-1, 1)], {})

    assert found is not None
    assert (0.0, 0.0) == (found.absolute_bound, found.relative_bound)


def test_whole_inputs_are_added_scaled_and_clamped_without_any_doubt() -> None:
    def mixed(ctx: Any, a: Any, b: Any) -> Any:
        return ctx.clamp(a + b * 3 / 4096, -100, 100)

    ranges = [(-32768, 32767), (-32768, 32767)]
    known = screen(mixed, ranges, {}, [Fraction(1), Fraction(1)])
    unknown, odd = screen(mixed, ranges, {}), screen(mixed, ranges, {}, [Fraction(1), Fraction(1, 3)])
    assert known is not None and unknown is not None and odd is not None

    assert (0.0, 0.0) == (known.relative_bound, known.absolute_bound)
    assert min(unknown.absolute_bound, odd.absolute_bound) > 0
    a, b = np.arange(-60.0, 60), np.arange(-30000.0, 30000, 500)
    assert np.clip(a + b * 3 / 4096, -100, 100).tolist() == known.evaluate([a, b]).tolist()


def test_whole_inputs_beyond_the_mantissa_are_rounded_and_said_to_be() -> None:
    found = screen(lambda ctx, a, b: a * b, [(0, 2**30), (0, 2**30)], {}, [Fraction(1), Fraction(1)])
    even = screen(lambda ctx, a, b: a * b, [(0, 2**30), (0, 2**30)], {}, [Fraction(8), Fraction(16)])
    assert found is not None and even is not None

    assert found.absolute_bound > 0
    assert 0 == even.absolute_bound


@pytest.mark.parametrize(("function", "ranges"), [
    (lambda ctx, x: ctx.sqrt(1 - x), [(0, 1)]), (lambda ctx, x: ctx.sqrt(1 - x / ctx.number(65535)), [(0, 65535)]),
    (lambda ctx, x, y: ctx.sqrt(x * x + y * y), [(-1, 1), (-1, 1)]), (lambda ctx, x: ctx.sqrt((x - 3) / 7), [(3, 10)]),
])
def test_a_root_that_comes_to_zero_is_near_or_in_doubt(function: Any, ranges: Any) -> None:
    found = screen(function, ranges, {})
    assert found is not None
    draws = np.random.default_rng(5).random((len(ranges), 400))
    near = np.concatenate([draws, draws**20, 1 - draws**20, np.zeros((len(ranges), 1)), np.ones((len(ranges), 1))], axis=1)
    inputs = [low + (high - low) * part for (low, high), part in zip(ranges, near, strict=True)]
    plain, (high, low) = found.evaluate(inputs), found.finer(inputs)

    doubtful = 0
    for k, values in enumerate(zip(*(part.tolist() for part in inputs), strict=True)):
        with mpmath.workdps(80):
            wanted = function(MPContext, *map(mpmath.mpf, values))
            doubtful += math.isnan(plain[k])
            finer = mpmath.mpf(high[k]) + mpmath.mpf(low[k])
            for got, relative, absolute in ((mpmath.mpf(plain[k]), found.relative_bound, found.absolute_bound),
                                            (finer, found.finer_relative_bound, found.finer_absolute_bound)):
                if not mpmath.isnan(got):
                    assert abs(got - wanted) <= absolute
                    assert relative == math.inf or abs(got - wanted) <= relative * wanted
    assert doubtful < 5 and found.finer_absolute_bound < 1e-14


class MPContext:
    """The few words of these references, in plain mpmath."""

    number = staticmethod(mpmath.mpf)
    sqrt = staticmethod(mpmath.sqrt)
