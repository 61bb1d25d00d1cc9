"""Pitch with memory: semitones of an octave, hysteresis by hand, glides of equal intervals in equal times."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from mpmath import mpf

from reference import pitch_memory
from reference.trajectories import Script


def volts(values: list[float] | np.ndarray) -> Script:
    """A script of one input voltage."""
    return Script(len(values), Fraction(48_000), (), {"volts": np.asarray(values, np.float64)})


# Twelve equal semitones to the octave (MIDI Tuning, 440 * 2^((n - 69)/12)): a volt is an octave, a semitone 83.33 mV.
def test_each_semitone_is_taken_at_its_centre() -> None:
    centres = np.arange(0, 61) / 12

    assert list(range(61)) == pitch_memory.quantiser(None, volts(centres)).screen()[0].astype(int).tolist()


def test_without_hysteresis_the_nearest_semitone_is_held() -> None:
    places = np.random.default_rng(4).uniform(0, 5, 4000)
    found = pitch_memory.quantiser(None, volts(places))
    clear = np.abs(places * 12 - np.floor(places * 12) - 0.5) > 1e-9

    assert (found.screen()[0][clear] == np.floor(places * 12 + 0.5)[clear]).all()


# The span of a semitone reaches 1/24 V to either side; 5 mV of hysteresis move both borders out: 46.67 mV above the centre.
@pytest.mark.parametrize(("value", "semitone"), [(0.0416, 0), (0.0466, 0), (0.0467, 1), (-0.0466, 0), (-0.0467, -1)])
def test_hysteresis_moves_the_border_away_from_the_held_semitone(value: float, semitone: int) -> None:
    found = pitch_memory.quantiser(None, volts([0.0, value]), hysteresis_volts="0.005")

    assert semitone == int(found.screen()[0][1])


def test_noise_smaller_than_the_hysteresis_never_changes_the_note() -> None:
    border = 1 / 24
    noise = border + np.random.default_rng(5).uniform(-0.004, 0.004, 5000)
    found = pitch_memory.quantiser(None, volts(np.concatenate([[0.0], noise])), hysteresis_volts="0.005").screen()[0]

    assert set(found) == {0.0}


def test_a_leap_takes_the_nearest_semitone_at_once() -> None:
    found = pitch_memory.quantiser(None, volts([0.0, 2.51, 0.0]), hysteresis_volts="0.03")

    assert [0.0, 30.0, 0.0] == found.screen()[0].tolist()


def slow_quantiser(values: np.ndarray, width: Fraction) -> list[int]:
    """The definition in exact fractions, sample by sample."""
    held, found = 0, []
    for value in values.tolist():
        place = Fraction(value) * 12
        if abs(place - held) > Fraction(1, 2) + 12 * width:
            held = (place + Fraction(1, 2)).__floor__()
        found.append(held)
    return found


@pytest.mark.parametrize("spread", [0.02, 0.2, 2.0])
def test_quantiser_equals_its_definition(spread: float) -> None:
    walk = np.clip(np.cumsum(np.random.default_rng(6).normal(0, spread / 10, 4000)), -5, 5)

    found = pitch_memory.quantiser(None, volts(walk), hysteresis_volts="1/200").screen()[0]

    assert slow_quantiser(walk, Fraction(1, 200)) == found.astype(int).tolist()


# A glide in the log domain: an octave takes the same time at every pitch, and 1 - 1/e of it one time constant
# (dictionary of engineering, "time constant").
@pytest.mark.parametrize("start", [0, 1, 4])
def test_an_octave_glides_in_the_same_time_everywhere(start: int) -> None:
    script = Script(4801, Fraction(48_000), ((0, "volts", Fraction(start + 1)),))
    found = pitch_memory.glide(None, script, seconds="1/10", start=start)
    low, high = found.exact(4799)

    assert abs(mpf(low.numerator) / low.denominator - start - mpf("0.632120558828558")) < mpf("1e-14")
    assert high - low < Fraction(1, 10**25)
