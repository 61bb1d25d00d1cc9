"""From outputs to verdicts: categories before distance, inclusive limits, precedence, shares of failing inputs."""

import itertools
import math
import struct
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest

from verify.claims.accurate import interval
from verify.judging.exact import ExactError, error_between, exact_error
from verify.judging.verdict import BLOCKED, FAILS, HOLDS, UNDECIDED, VACUOUS, Tally, decide
from verify.number_formats import category, ulp_float32, ulp_float64

FLOAT, DOUBLE, INT16 = 0, 1, 4
LARGEST = Fraction(float(np.finfo(np.float32).max))
TINY = Fraction(1, 2**149)


def same(ctx: Any, x: Any) -> Any:
    return x


def judged(
    metric: str,
    limit: Fraction | int,
    got: float,
    wanted: Fraction | int,
    *,
    kind: int = FLOAT,
    scale: Fraction = Fraction(1),
    reference: Callable[..., Any] = same,
) -> tuple[bool | None, ExactError]:
    raw = struct.pack({FLOAT: "<f", DOUBLE: "<d", INT16: "<h"}[kind], got)
    return exact_error(metric, Fraction(limit), raw, [Fraction(wanted)], reference, {}, type_number=kind, scale=scale)


# Precedence.


@pytest.mark.parametrize(("failing", "blocked", "opened", "valid"), [*itertools.product(
    [0, 3], ["", "no compiler"], [0, 2], [0, 100])])  # fmt: skip
@pytest.mark.parametrize("every_value", [False, True])
def test_fails_comes_before_blocked_before_undecided_before_vacuous_before_holds(
    failing: int, blocked: str, opened: int, valid: int, every_value: bool
) -> None:
    expected = FAILS if failing else BLOCKED if blocked else UNDECIDED if opened else VACUOUS if not valid else HOLDS
    verdict = decide(Tally(valid, failing, opened, every_value, blocked))

    assert expected == verdict.word
    assert verdict.every_value <= every_value


@pytest.mark.parametrize(("tally", "text"), [
    (Tally(12_345, 0, 0, False), "holds (12 345 tried)"),
    (Tally(12_345, 0, 0, True), "holds (every value)"),
    (Tally(1, 0, 0, True, assumed=True), "holds (every value, screen assumed)"),
    (Tally(9, 0, 3, True), "undecided (3 open)"),
    (Tally(0, 0, 0, True), "vacuous (no valid input)"),
    (Tally(9, 0, 0, True, "no compiler"), "blocked (no compiler)"),
    (Tally(9, 1, 0, True), "fails"),
])  # fmt: skip
def test_a_verdict_says_how_strong_it_is(tally: Tally, text: str) -> None:
    assert text == decide(tally).text()


@given(st.builds(Tally, st.integers(0, 9), st.integers(0, 9), st.integers(0, 9), st.just(False), st.sampled_from(["", "x"])))
def test_a_sample_is_never_shown_as_every_value(tally: Tally) -> None:
    verdict = decide(tally)

    assert not verdict.every_value
    assert "every value" not in verdict.text()


# Limits are inclusive.


@pytest.mark.parametrize(("metric", "limit", "got", "wanted", "kind", "scale"), [
    ("absolute", Fraction(1, 4), 1.25, Fraction(1), FLOAT, Fraction(1)),
    ("absolute", Fraction(1, 4), 0.75, Fraction(1), FLOAT, Fraction(1)),
    ("absolute", Fraction(0), 0.5, Fraction(1, 2), FLOAT, Fraction(1)),
    ("relative", Fraction(1, 8), 9.0, Fraction(8), FLOAT, Fraction(1)),
    ("relative", Fraction(1, 8), -7.0, Fraction(-8), FLOAT, Fraction(1)),
    ("ulp", Fraction(1, 2), 1.0, 1 + Fraction(1, 2**24), FLOAT, Fraction(1)),
    ("ulp", Fraction(1), 1 + 2.0**-52, Fraction(1), DOUBLE, Fraction(1)),
    ("lsb", Fraction(1, 2), 3, Fraction(7, 32), INT16, Fraction(1, 16)),
    ("cents", Fraction(1200), 880.0, Fraction(440), FLOAT, Fraction(1)),
])  # fmt: skip
def test_an_error_exactly_at_the_limit_is_within_it(
    metric: str, limit: Fraction, got: float, wanted: Fraction, kind: int, scale: Fraction
) -> None:
    verdict, error = judged(metric, limit, got, wanted, kind=kind, scale=scale)
    below, _ = judged(metric, limit - Fraction(1, 10**30), got, wanted, kind=kind, scale=scale)

    assert (True, False) == (verdict, below)
    assert limit == abs(Fraction(error.low)) == abs(Fraction(error.high))


def test_an_irrational_answer_at_the_limit_to_400_bits_is_not_decided() -> None:
    def root(ctx: Any, x: Any) -> Any:
        return ctx.sqrt(x)

    limit = Fraction(math.isqrt(2 << 4000), 1 << 2000)  # the root of 2 to 2000 bits, cut off
    verdict, error = judged("absolute", limit, 0.0, 2, reference=root)

    assert verdict is None
    assert error.low < error.high


# Categories come before distance.


@pytest.mark.parametrize("metric", ["absolute", "relative", "ulp", "cents"])
@pytest.mark.parametrize("wrong", [math.inf, -math.inf, math.nan])
def test_a_result_that_is_not_finite_is_wrong_by_any_limit(metric: str, wrong: float) -> None:
    verdict, error = judged(metric, 10**60, wrong, LARGEST)

    assert verdict is False
    assert math.inf == error.middle
    assert LARGEST == error.wanted
    assert f"got {category(wrong)}, wanted a finite value" == error.why


def test_the_largest_float_is_a_number_like_any_other() -> None:
    assert (True, False) == (judged("ulp", 1, float(LARGEST), LARGEST + 2**104)[0], judged("ulp", 0, 1.0, LARGEST)[0])


def test_the_sign_of_zero_is_no_error() -> None:
    for metric in ("absolute", "relative", "ulp"):
        assert (True, Fraction(0)) == (judged(metric, 0, -0.0, 0)[0], judged(metric, 0, -0.0, 0)[1].low)


@pytest.mark.parametrize(("metric", "got", "wanted"), [
    ("relative", 1e-45, 0), ("cents", 0.0, 440), ("cents", -440.0, 440), ("cents", 440.0, 0), ("cents", 440.0, -440),
])  # fmt: skip
def test_a_ratio_without_meaning_is_wrong_and_says_why(metric: str, got: float, wanted: int) -> None:
    verdict, error = judged(metric, 10**9, got, wanted)

    assert verdict is False
    assert "zero" in error.why


# The unit in the last place.


@given(st.integers(-126, 127))
def test_an_ulp_doubles_at_each_power_of_two_and_belongs_to_the_upper_side(exponent: int) -> None:
    power = Fraction(2) ** exponent
    spacing = Fraction(float(np.spacing(np.float32(float(power)))))
    just_below = power - Fraction(1, 10**60)

    assert spacing == ulp_float32(power) == ulp_float32(-power)
    assert max(spacing / 2, TINY) == ulp_float32(just_below)


@given(st.fractions(0, 1, max_denominator=10**9))
def test_all_subnormals_share_one_ulp(share: Fraction) -> None:
    assert TINY == ulp_float32(share * Fraction(1, 2**126))
    assert Fraction(1, 2**1074) == ulp_float64(share * Fraction(1, 2**1022))


@given(st.floats(-(2.0**127), 2.0**127, width=32), st.floats(-(2.0**1023), 2.0**1023))
def test_an_ulp_is_the_distance_to_the_next_float_away_from_zero(single: float, double: float) -> None:
    assert Fraction(float(np.spacing(np.float32(abs(single))))) == ulp_float32(Fraction(single))
    assert Fraction(float(np.spacing(abs(double)))) == ulp_float64(Fraction(double))


def test_an_answer_between_two_ulps_gives_both_errors() -> None:
    around = (1 - Fraction(1, 2**80), 1 + Fraction(1, 2**80))
    got = 1 + Fraction(1, 2**23)
    low, high, why = error_between("ulp", got, *around, lsb=Fraction(1), double=False, bits=100)

    assert "" == why
    assert low == pytest.approx(1, abs=1e-9)
    assert high == pytest.approx(2, abs=1e-9)


@given(st.integers(0, 0x7F7FFFFE), st.fractions(-2, 2, max_denominator=1000))
def test_an_error_in_ulp_is_the_distance_in_steps_of_the_answers_own_float(ordinal: int, steps: Fraction) -> None:
    got = struct.unpack("<f", struct.pack("<I", ordinal))[0]
    wanted = Fraction(got) - steps * Fraction(float(np.spacing(np.float32(got))))
    error = judged("ulp", 4, got, wanted)[1]

    assert error.low == error.high == (Fraction(got) - wanted) / ulp_float32(wanted)
    assert error.low == steps or ulp_float32(wanted) != ulp_float32(Fraction(got))


# The share of failing inputs.


@given(st.integers(1, 10**7).flatmap(lambda drawn: st.tuples(st.integers(0, drawn), st.just(drawn))))
def test_the_interval_of_a_share_is_that_of_wilson(counts: tuple[int, int]) -> None:
    failing, drawn = counts
    share, low, high = interval(failing, drawn)
    wilson = binomtest(failing, drawn).proportion_ci(0.95, method="wilson")

    assert failing / drawn == share
    assert (wilson.low, wilson.high) == pytest.approx((low, high), abs=1e-6, rel=1e-6)
    assert 0 <= low <= share + 1e-15 and share - 1e-15 <= high <= 1
