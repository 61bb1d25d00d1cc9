"""Envelopes against published shapes: 60 dB times, time constants, timecents, linear segments."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from fractions import Fraction
from typing import Any

import pytest
from mpmath import mp, mpf

from reference import envelope
from reference.errors import DomainError
from reference.trajectories import Script

RATE = Fraction(48_000)

@pytest.fixture(autouse=True)
def many_digits() -> Iterator[None]:
    """Figures are compared in 220 bits."""
    with mp.workprec(220):
        yield



def struck(samples: int, *events: tuple[int, str, Fraction | int]) -> Script:
    """A script at 48 kHz."""
    return Script(samples, RATE, tuple((k, name, Fraction(value)) for k, name, value in events))


def middle(found: Any, sample: int) -> mpf:
    """The exact value at a sample, to far more digits than any figure here."""
    low, high = found.exact(sample, 200)
    assert high - low < Fraction(1, 2**150)
    return mpf(low.numerator) / low.denominator


# Decay from the peak: output k has taken k decay steps when the attack takes one sample.
def decay_from_peak(samples: int, **constants: Any) -> Any:
    return envelope.attack_decay(None, struck(samples, (0, "strike", 1)), attack=0, **constants)


# -60 dB is a factor of 1000; textbooks on signal processing give t60 = 6.91 time constants: ln 1000 = 6.9077552789821370521.
def test_a_decay_of_so_many_seconds_has_lost_60_db_after_them() -> None:
    found = decay_from_peak(24_001, decay="1/2")

    assert abs(middle(found, 24_000) - mpf("0.001")) < mpf("1e-30")
    assert abs(middle(found, 12_000) - mp.sqrt(mpf("0.001"))) < mpf("1e-12")


@pytest.mark.parametrize(("tau", "t60"), [("1/10", "0.69077552789821370521"), ("1/100", "0.069077552789821370521")])
def test_time_constant_and_60_db_time_are_6_9078_apart(tau: str, t60: str) -> None:
    by_tau = decay_from_peak(2000, decay=tau, by="time constant")
    by_60_db = decay_from_peak(2000, decay=t60)

    for k in (1, 100, 1999):
        assert abs(middle(by_tau, k) - middle(by_60_db, k)) < mpf("1e-18")


# After k time constants a first-order step has covered 1 - e^-k (dictionary of engineering, "time constant": 63.21 %).
AFTER = ["0.632120558828558", "0.864664716763387", "0.950212931632136", "0.981684361111266", "0.993262053000915",
         "0.997521247823334", "0.999088118034445"]


def test_after_so_many_time_constants_so_much_is_gone() -> None:
    found = decay_from_peak(7 * 480 + 1, decay="1/100", by="time constant")

    for number, figure in enumerate(AFTER, 1):
        assert abs(1 - middle(found, 480 * number) - mpf(figure)) < mpf("1e-15")


# Settling (arithmetic): 5 % after ln 20, 1 % after ln 100, one 16-bit step after ln 65536 time constants.
@pytest.mark.parametrize(("left", "constants"), [
    ("0.05", "2.99573227355399099"), ("0.01", "4.605170185988091368"), ("0.0000152587890625", "11.090354888959125")])
def test_settling_times(left: str, constants: str) -> None:
    samples = 480 * mpf(constants)
    found = decay_from_peak(int(samples) + 2, decay="1/100", by="time constant")

    assert middle(found, int(samples)) >= mpf(left) > middle(found, int(samples) + 1)


# SoundFont 2.04, generators of the volume envelope: times are timecents, 1200 log2(seconds). 10 ms = -7973 there, which
# is rounded: -7973 is 0.0099978481697291 s.
def test_timecents_of_ten_milliseconds() -> None:
    seconds = Fraction("0.0099978481697291")
    found = envelope.attack_decay(None, struck(1000, (0, "strike", 1)), attack=seconds, decay=10)
    published = mpf(2) ** (mpf(-7973) / 1200)

    assert abs(middle(found, 99) - 100 / (48_000 * published)) < mpf("1e-13")
    assert middle(found, 479) == 1  # 479.897 samples: full with the 480th


@pytest.mark.parametrize(("timecents", "seconds"), [(-12_000, "0.0009765625"), (-2400, "1/4"), (-1200, "1/2"), (0, "1")])
def test_whole_octaves_of_time(timecents: int, seconds: str) -> None:
    found = envelope.attack_decay(None, struck(100, (0, "strike", 1)), attack=seconds, decay=10)

    assert abs(middle(found, 9) - 10 / (48_000 * mpf(2) ** (mpf(timecents) / 1200))) < mpf("1e-30")


# SoundFont 2.04: decay and release are linear in dB, so equal times lose equal decibels.
def test_an_exponential_release_is_linear_in_decibels() -> None:
    script = struck(4000, (0, "gate", 1), (1000, "gate", 0))
    found = envelope.attack_decay_sustain_release(None, script, sustain="3/4", release="1/10", shape="exponential")
    decibels = [20 * mp.log10(middle(found, 1000 + 480 * k)) for k in range(4)]

    for before, now in itertools.pairwise(decibels):
        assert abs(before - now - 6) < mpf("1e-12")  # 60 dB in 100 ms: 6 dB in each 10 ms


# W3C Web Audio API, linearRampToValueAtTime: v(t) = V0 + (V1 - V0) (t - T0)/(T1 - T0), V1 afterwards. Sample k here is
# the value after k + 1 steps, that is at time (k + 1)/rate.
def test_attack_and_release_are_linear_ramps() -> None:
    script = struck(3000, (0, "gate", 1), (1500, "gate", 0))
    found = envelope.attack_decay_sustain_release(None, script, attack="1/100", sustain=1, release="1/50")

    for k in (0, 100, 478):
        assert found.exact(k, 200)[0] <= Fraction(k + 1, 480) <= found.exact(k, 200)[1]
    for k in (0, 100, 959):
        low, high = found.exact(1500 + k, 200)
        assert low <= 1 - Fraction(k + 1, 960) <= high
    assert middle(found, 1000) == 1 and middle(found, 2999) == 0


def test_retrigger_goes_on_from_the_level_or_from_zero() -> None:
    script = struck(3000, (0, "strike", 1), (600, "strike", 1))
    options = {"attack": "1/100", "decay": "1/2"}
    current = envelope.attack_decay(None, script, **options)
    zero = envelope.attack_decay(None, script, retrigger="zero", **options)
    before = middle(current, 599)

    assert abs(middle(current, 600) - (before + mpf(1) / 480)) < mpf("1e-30")
    assert abs(middle(zero, 600) - mpf(1) / 480) < mpf("1e-30")


@pytest.mark.parametrize("attack", [0, "1/1000000", "1/48000"])
def test_an_attack_shorter_than_a_sample_is_over_in_one(attack: Any) -> None:
    found = envelope.attack_decay(None, struck(10, (3, "strike", 1)), attack=attack, decay=10)

    assert (middle(found, 2), middle(found, 3)) == (0, 1)


def test_a_time_longer_than_the_script_does_not_arrive() -> None:
    found = envelope.attack_decay(None, struck(1000, (0, "strike", 1)), attack=10**9, decay=1)

    assert found.exact(999)[1] < Fraction(1, 10**9)


# Definition: with changes="now" the segment goes on from the level reached with the new time, W3C's ramp from there.
def test_a_time_changed_in_mid_segment_counts_at_once_or_from_the_next_segment_on() -> None:
    script = struck(3000, (0, "gate", 1), (240, "attack", "1/50"), (1500, "gate", 0), (1600, "release", "1/100"))
    options = {"attack": "1/100", "sustain": 1, "release": "1/50"}
    later = envelope.attack_decay_sustain_release(None, script, **options)
    now = envelope.attack_decay_sustain_release(None, script, changes="now", **options)
    attack = envelope.attack_decay_sustain_release(None, script, changes=("attack",), **options)

    for k, wanted in ((239, mpf("0.5")), (479, 1), (1699, 1 - mpf(200) / 960)):
        assert abs(middle(later, k) - wanted) < mpf("1e-30")
    for found, release in ((now, 1 - mpf(100) / 960 - mpf(100) / 480), (attack, 1 - mpf(200) / 960)):
        assert abs(middle(found, 479) - (mpf("0.5") + mpf(240) / 960)) < mpf("1e-30")
        assert abs(middle(found, 719) - 1) < mpf("1e-30") and middle(found, 800) == 1
        assert abs(middle(found, 1699) - release) < mpf("1e-30")


def test_a_sustain_level_changed_in_mid_segment_is_stepped_to_or_waits() -> None:
    script = struck(3000, (0, "gate", 1), (2000, "sustain", "1/4"), (2500, "gate", 0), (2500, "gate", 1))
    options = {"attack": 0, "decay": "1/100", "sustain": "1/2"}
    later = envelope.attack_decay_sustain_release(None, script, **options)
    now = envelope.attack_decay_sustain_release(None, script, changes="now", **options)

    assert [middle(later, k) for k in (1999, 2000, 2499, 2999)] == [mpf("0.5"), mpf("0.5"), mpf("0.5"), mpf("0.25")]
    assert [middle(now, k) for k in (1999, 2000, 2499, 2999)] == [mpf("0.5"), mpf("0.25"), mpf("0.25"), mpf("0.25")]


@pytest.mark.parametrize("changes", ["soon", ("attack", "peak")])
def test_an_unknown_word_for_changes_is_refused(changes: Any) -> None:
    with pytest.raises(DomainError, match="changes"):
        envelope.attack_decay(None, struck(10), changes=changes)


@pytest.mark.parametrize(("constants", "words"), [
    ({"attack": -1}, "attack lies at or above 0"),
    ({"release": "-1/1000"}, "release lies at or above 0"),
    ({"sustain": -1}, "sustain lies at or above 0"),
    ({"sustain": 2}, "sustain lies at or below the peak of 1, not at 2"),
    ({"peak": 0}, "peak lies above 0"),
    ({"silence": -1}, "silence lies at or above 0"),
])  # fmt: skip
def test_settings_that_cannot_be_meant_are_refused(constants: dict[str, Any], words: str) -> None:
    on = (0, "gate", Fraction(1))
    with pytest.raises(DomainError, match=words):
        envelope.attack_decay_sustain_release(None, Script(9, Fraction(1000), (on,)), **constants)
    ((name, value),) = constants.items()
    if name not in ("peak", "silence"):
        with pytest.raises(DomainError, match=words):
            envelope.attack_decay_sustain_release(None, Script(9, Fraction(1000), (on, (3, name, Fraction(value))))).screen()
