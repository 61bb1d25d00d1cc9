"""Sums, products and settings of several parts against identities and results that we did not compute."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np
import pytest

from reference import DomainError, combinations, envelope, filters_in_time, oscillator_pairs, oscillators_in_time
from reference.combinations import heard, mixed, product, settings_from
from reference.trajectories import Script

signal = pytest.importorskip("scipy.signal")
RATE = Fraction(48000)


def script(samples: int, *events: Any, **streams: Any) -> Script:
    return Script(samples, RATE, events, {name: np.asarray(values, np.float64) for name, values in streams.items()})


def noise(seed: int, samples: int = 700) -> np.ndarray:
    return np.random.default_rng(seed).uniform(-1, 1, samples)


def holds(trajectory: Any, wanted: np.ndarray, within: float) -> None:
    """The screen, its bound and the enclosure of some samples against values of another source."""
    screen, bound = trajectory.screen()

    assert float(np.abs(screen - wanted).max()) <= within
    assert float(bound.max()) <= within
    for sample in (0, len(wanted) // 3, len(wanted) - 1):
        low, high = trajectory.exact(sample, 120)
        assert low <= high
        assert abs(Fraction(float(screen[sample])) - (low + high) / 2) <= Fraction(float(bound[sample])) + (high - low)


def test_two_filters_of_two_streams_are_superposed() -> None:
    x, y = noise(1), noise(2)
    s = script(700, x=x, y=y)
    numbers = (Fraction(1, 4), Fraction(1, 2), Fraction(1, 8), Fraction(-3, 4), Fraction(1, 4))
    parts = [filters_in_time.biquad(None, s, source=name, coefficients=numbers) for name in ("x", "y")]
    b, a = [0.25, 0.5, 0.125], [1, -0.75, 0.25]
    wanted = 0.5 * signal.lfilter(b, a, x) - 2**-0.5 * signal.lfilter(b, a, y)

    holds(mixed([("1/2", parts[0]), ("-2**(-1/2)", parts[1])]), wanted, 1e-13)
    # Linear: the filter of the sum is the sum of the filters (Oppenheim and Schafer, superposition).
    summed = filters_in_time.biquad(None, script(700, x=x + y), coefficients=numbers)
    assert float(np.abs(mixed([(1, parts[0]), (1, parts[1])]).screen()[0] - summed.screen()[0]).max()) < 1e-13


def test_a_product_of_two_sines_is_two_sines() -> None:
    """2 sin a sin b = cos(a - b) - cos(a + b): Abramowitz and Stegun 4.3.31."""
    s = script(480)
    found = product(*(oscillators_in_time.from_frequency(None, s, hz=hz) for hz in (1000, 300)))
    turns = np.arange(480) / 48000

    holds(found, (np.cos(2 * np.pi * 700 * turns) - np.cos(2 * np.pi * 1300 * turns)) / 2, 1e-12)


def test_sums_of_whole_numbers_are_exact_and_saturate() -> None:
    s = script(4, first=[32767, -32768, 5, 0], second=[1, -1, 6, 0])
    found = mixed([(1, heard(s, "first")), (1, heard(s, "second"))], low=-32768, high=32767)

    assert [32767, -32768, 11, 0] == found.screen()[0].tolist()
    assert [0, 0, 0, 0] == found.screen()[1].tolist()
    assert (32767, 32767) == found.exact(0)
    rounded = mixed([(1, heard(script(1, x=[1.0], y=[2.0**-60]), name)) for name in ("x",)])
    assert 0 == rounded.screen()[1][0]


def test_what_rounds_says_so() -> None:
    s = script(1, x=[1.0], y=[2.0**-60])
    screen, bound = mixed([(1, heard(s, "x")), (1, heard(s, "y"))]).screen()

    assert (1.0, 2.0**-60) == (screen[0], pytest.approx(bound[0]))
    third = mixed([("1/3", heard(s, "x"))])
    low, high = third.exact(0)
    assert low <= Fraction(1, 3) <= high
    assert abs(Fraction(float(third.screen()[0][0])) - Fraction(1, 3)) <= Fraction(float(third.screen()[1][0]))


def test_a_span_of_a_part_is_a_span_of_the_whole() -> None:
    s = script(4, (2, "index", Fraction(3)), x=[0.25, 0.25, 0.25, 0.25])
    part = oscillator_pairs.cross_fed(None, s, first_hz=12000, second_hz=6000)
    low, high = mixed([("-1/2", part), (1, heard(s, "x"))]).span() or (None, None)
    assert low is not None and high is not None

    assert [0.25, -0.25, -0.25, -0.25] == pytest.approx(low.tolist())
    assert [0.25, -0.25, 0.75, 0.75] == pytest.approx(high.tolist())
    assert low[2] <= -0.25 and high[2] >= 0.75
    low, high = product(part, heard(s, "x")).span() or (None, None)
    assert low is not None and high is not None
    assert [-0.25, 0.25] == [pytest.approx(low[2]), pytest.approx(high[2])]
    assert mixed([(1, heard(s, "x"))]).span() is None


def test_settings_are_made_of_other_settings() -> None:
    s = script(600, (0, "knob", Fraction(2)), (300, "knob", Fraction(0)), x=noise(3, 600))
    by_knob = filters_in_time.state_variable(None, settings_from(s, cutoff_hz="100 * 10**(knob/2)"))
    by_hz = filters_in_time.state_variable(
        None, script(600, (0, "cutoff_hz", Fraction(1000)), (300, "cutoff_hz", Fraction(100)), x=noise(3, 600)))

    assert by_hz.screen()[0].tolist() == by_knob.screen()[0].tolist()
    # A twelfth of an octave is irrational: 440 Hz and a semitone are 466.163761518 Hz (ISO 16 and equal temperament).
    odd = settings_from(script(600, (0, "note", Fraction(70)), x=noise(3, 600)), cutoff_hz="440 * 2**((note - 69)/12)")
    near = script(600, (0, "cutoff_hz", Fraction("466.163761518")), x=noise(3, 600))
    assert np.abs(filters_in_time.state_variable(None, odd).screen()[0]
                  - filters_in_time.state_variable(None, near).screen()[0]).max() < 1e-9


@pytest.mark.parametrize("wrong", [
    lambda s: mixed([]), lambda s: mixed([(1, heard(s, "y"))]), lambda s: mixed([(1, heard(s, "x"))], low=1, high=0),
    lambda s: settings_from(s, hz="a * b"), lambda s: settings_from(s, hz="2"), lambda s: settings_from(s, hz="2 * x"),
    lambda s: product(envelope.attack_decay(None, s, attack=1, decay=1))])
def test_what_cannot_be_combined_is_refused(wrong: Any) -> None:
    with pytest.raises(DomainError):
        wrong(script(100, (0, "strike", Fraction(1)), x=np.zeros(100)))


def test_a_knob_of_equal_ratios_meets_its_ends() -> None:
    made = settings_from(script(1, (0, "code", Fraction(0)), (0, "code", Fraction(4095))), hz="80 * 100**(code/4095)")

    assert [80, 8000] == [value for _, name, value in made.events if name == "hz"]
    assert combinations.settings_from(script(1, (0, "pi", Fraction(1)), (0, "e", Fraction(2))), hz="1e3 * e").events[-1] == (
        0, "hz", 2000)
