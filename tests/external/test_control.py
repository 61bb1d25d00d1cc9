"""Control references against published laws and independent formulas; each source stands beside its numbers."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest

from reference import DomainError, control
from tests.external.screen_checks import assert_screen_keeps_its_word, exact

KNOB = {"low_code": 20, "high_code": 4075}


def test_linear_is_the_published_ramp() -> None:
    # W3C Web Audio API, linearRampToValueAtTime: V0 + (V1 - V0) (t - T0)/(T1 - T0); the example's v(0.25) is 0.7.
    ramp = dict(low_code=2000, high_code=3000, low="0.4", high=1)

    assert Fraction(7, 10) == exact(control.linear_from_code, 2500, **ramp)
    assert Fraction(2, 5) == exact(control.linear_from_code, 1000, **ramp)
    assert 1 == exact(control.linear_from_code, 4000, **ramp)


def test_exponential_is_the_published_ramp() -> None:
    # The same page, exponentialRampToValueAtTime: V0 (V1/V0)**share; in its example 0.75 to 0.05 gives at half way:
    found = exact(control.exponential_from_code, 1, low_code=0, high_code=2, low="0.75", high="0.05")

    assert abs(found - Fraction("0.19364916731037084426")) < Fraction(1, 10**20)


def test_exponential_covers_octaves_evenly() -> None:
    for octave in range(11):
        assert 20 * 2**octave == exact(
            control.exponential_from_code, 100 * octave, low_code=0, high_code=1000, low=20, high=20480
        )


@pytest.mark.parametrize(("low", "centre", "high"), [(0, 1, 10), (20, 640, 20000), (5, -4, -5), (0, 9, 10)])
def test_taper_passes_three_points_with_geometric_steps(low: int, centre: int, high: int) -> None:
    law = dict(low_code=0, high_code=4, low=low, high=high, centre=centre)
    points = [exact(control.tapered_from_code, code, **law) for code in range(5)]
    steps = np.diff([float(point) for point in points])

    assert [low, centre, high] == pytest.approx([float(points[k]) for k in (0, 2, 4)], abs=1e-25)
    assert steps[1:] / steps[:-1] == pytest.approx([math.sqrt((high - centre) / (centre - low))] * 3)


def test_a_centre_in_the_middle_is_a_straight_line() -> None:
    law = dict(low_code=0, high_code=8, low=1, high=3)

    for code in range(9):
        line = exact(control.linear_from_code, code, **law)
        assert line == exact(control.tapered_from_code, code, centre=2, **law)
        assert line == exact(control.power_law_from_code, code, power=1, **law)


def test_power_law() -> None:
    assert Fraction(1, 8) == exact(control.power_law_from_code, 1, low_code=0, high_code=2, low=0, high=1, power=3)


def test_dead_band_reaches_both_ends_and_zero() -> None:
    for x in np.linspace(-1, 1, 41):
        found = exact(control.dead_band_from_level, float(x), half_width="0.1")
        wanted = 0 if abs(x) <= 0.1 else math.copysign((abs(x) - 0.1) / 0.9, x)
        assert float(found) == pytest.approx(wanted, abs=1e-12)


def test_equal_power_gains() -> None:
    # W3C Web Audio API, StereoPannerNode: gainL = cos(x pi/2), gainR = sin(x pi/2); -3.0103 dB in the middle.
    for share in (0, "1/8", "1/2", "0.9", 1):
        first = exact(control.first_gain_equal_power_from_position, share)
        second = exact(control.second_gain_equal_power_from_position, share)
        angle = float(Fraction(share)) * math.pi / 2
        assert (float(first), float(second)) == pytest.approx((math.cos(angle), math.sin(angle)), abs=1e-15)
        assert abs(first**2 + second**2 - 1) < Fraction(1, 2**190)
    middle = float(exact(control.first_gain_equal_power_from_position, "1/2"))
    assert round(20 * math.log10(middle), 10) == -3.0102999566


def test_linear_crossfade_gains_add_up_to_one() -> None:
    for share in (-1, 0, "1/3", 1, 2):
        first = exact(control.first_gain_linear_from_position, share)
        second = exact(control.second_gain_linear_from_position, share)
        assert 1 == first + second
        assert 3 * first + 7 * second == exact(control.crossfade_linear_from_levels, 3, 7, share)


def test_pickup_against_all_pairs() -> None:
    for before in range(8):
        for now in range(8):
            wanted = min(before, now) <= 4 <= max(before, now)
            assert wanted == exact(control.pickup_from_positions, before, now, stored=4)


def test_integer_scaling_truncates_like_c() -> None:
    # ISO/IEC 9899 6.5.5p6: the quotient with any fractional part discarded.
    for code in range(-50, 51):
        for numerator, denominator in ((3, 4), (-3, 4), (127, -7)):
            wanted = math.trunc(Fraction(code * numerator, denominator))
            found = exact(control.scaled_from_code, code, numerator=numerator, denominator=denominator)
            assert wanted == found


def test_outside_the_domain() -> None:
    for function, wrong in (
        (control.linear_from_code, dict(low_code=1, high_code=1, low=0, high=1)),
        (control.exponential_from_code, dict(low_code=0, high_code=1, low=0, high=1)),
        (control.tapered_from_code, dict(low_code=0, high_code=1, low=0, high=1, centre=1)),
        (control.power_law_from_code, dict(low_code=0, high_code=1, low=0, high=1, power=0)),
        (control.dead_band_from_level, dict(half_width=1)),
        (control.scaled_from_code, dict(numerator=1, denominator=0)),
    ):
        with pytest.raises(DomainError):
            exact(function, "1/2", **wrong)


@pytest.mark.parametrize(
    ("function", "whole", "constants"),
    [
        (control.linear_from_code, True, dict(low=-5, high=5, **KNOB)),
        (control.exponential_from_code, True, dict(low="0.001", high=10, **KNOB)),
        (control.tapered_from_code, True, dict(low=0, high=10, centre=1, **KNOB)),
        (control.power_law_from_code, True, dict(low=0, high=1, power=3, **KNOB)),
        (control.scaled_from_code, True, dict(numerator=127, denominator=4095)),
        (control.dead_band_from_level, False, dict(half_width=100, full_scale=4095)),
        (control.first_gain_equal_power_from_position, False, {}),
    ],
)
def test_screens(function, whole, constants) -> None:  # type: ignore[no-untyped-def]
    assert_screen_keeps_its_word(function, [(0, 4095)], whole=whole, sure=True, **constants)
