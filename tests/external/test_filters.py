"""Filter references against the Audio EQ Cookbook, ITU-R BS.1770 and SciPy; each source stands beside its numbers."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from scipy import signal

from reference import DomainError, filters
from tests.external.screen_checks import assert_screen_keeps_its_word, exact

ROOT_HALF = "1/2**(1/2)"


def biquad(kind: str, hz: object, rate: int, q: object, gain_db: object = 0) -> list[float]:
    return [
        float(exact(filters.biquad_from_hz, hz, kind=kind, coefficient=c, sample_rate_hz=rate, q=q, gain_db=gain_db))
        for c in filters.COEFFICIENTS
    ]


# Audio EQ Cookbook low pass at Q = 1/sqrt 2 (second-order Butterworth), f0 1000 Hz: b0, b1, a1, a2.
BUTTERWORTH = {
    44100: (0.0046039984750224645, 0.0092079969500449291, -1.7990964094846681, 0.81751240338475799),
    48000: (0.0039161266605473695, 0.0078322533210947390, -1.8153410827045681, 0.83100558934675755),
}


@pytest.mark.parametrize(("rate", "figures"), BUTTERWORTH.items())
def test_low_pass_agrees_with_figures_and_butter(rate: int, figures: tuple[float, ...]) -> None:
    b0, b1, b2, a1, a2 = biquad("low pass", 1000, rate, ROOT_HALF)
    top, bottom = signal.butter(2, 1000, fs=rate)

    assert (b0, b1, a1, a2) == pytest.approx(figures, rel=1e-15)
    assert [b0, b1, b2] == pytest.approx(top, rel=1e-12)
    assert [1, a1, a2] == pytest.approx(bottom, rel=1e-12)


def test_high_pass_agrees_with_butter() -> None:
    found = biquad("high pass", 700, 48000, ROOT_HALF)
    top, bottom = signal.butter(2, 700, "high", fs=48000)

    assert found == pytest.approx([*top, *bottom[1:]], rel=1e-12)


# Recommendation ITU-R BS.1770, Annex 1, second stage at 48 kHz, and the parameters that reproduce it
# ("ITU-R BS.1770-1 filter specifications (unofficial)", 2011).
def test_high_pass_agrees_with_bs1770() -> None:
    b0, b1, b2, a1, a2 = biquad("high pass", "38.13547087602444", 48000, "0.5003270373238773")

    assert (a1, a2) == pytest.approx((-1.99004745483398, 0.99007225036621), abs=2e-14)
    assert (b1 / b0, b2 / b0) == pytest.approx((-2, 1), abs=1e-12)


def cookbook(kind: str, w: float, q: float, db: float) -> list[float]:
    """The Audio EQ Cookbook's text, typed again in binary64."""
    c, alpha, a = math.cos(w), math.sin(w) / (2 * q), 10 ** (db / 40)
    root = 2 * math.sqrt(a) * alpha
    top, bottom = {
        "band pass": ((alpha, 0, -alpha), (1 + alpha, -2 * c, 1 - alpha)),
        "notch": ((1, -2 * c, 1), (1 + alpha, -2 * c, 1 - alpha)),
        "all pass": ((1 - alpha, -2 * c, 1 + alpha), (1 + alpha, -2 * c, 1 - alpha)),
        "peaking": ((1 + alpha * a, -2 * c, 1 - alpha * a), (1 + alpha / a, -2 * c, 1 - alpha / a)),
        "low shelf": (
            (a * ((a + 1) - (a - 1) * c + root), 2 * a * ((a - 1) - (a + 1) * c), a * ((a + 1) - (a - 1) * c - root)),
            ((a + 1) + (a - 1) * c + root, -2 * ((a - 1) + (a + 1) * c), (a + 1) + (a - 1) * c - root),
        ),
        "high shelf": (
            (a * ((a + 1) + (a - 1) * c + root), -2 * a * ((a - 1) + (a + 1) * c), a * ((a + 1) + (a - 1) * c - root)),
            ((a + 1) - (a - 1) * c + root, 2 * ((a - 1) - (a + 1) * c), (a + 1) - (a - 1) * c - root),
        ),
    }[kind]
    return [value / bottom[0] for value in (*top, *bottom[1:])]


@pytest.mark.parametrize("kind", ["band pass", "notch", "all pass", "peaking", "low shelf", "high shelf"])
@pytest.mark.parametrize(("hz", "q", "db"), [(100, 0.5, 6), (3000, 2.0, -12), (11000, 0.9, 3)])
def test_all_kinds_agree_with_the_cookbook(kind: str, hz: int, q: float, db: float) -> None:
    wanted = cookbook(kind, 2 * math.pi * hz / 48000, q, db)

    assert biquad(kind, hz, 48000, q, db) == pytest.approx(wanted, rel=1e-12, abs=1e-15)


def gain_db(kind: str, hz: object, at_hz: object, q: object, db: object = 0) -> float:
    b0, b1, b2, a1, a2 = (Fraction(x) for x in biquad(kind, hz, 48000, q, db))
    return float(exact(filters.db_from_hz, at_hz, b0=b0, b1=b1, b2=b2, a1=a1, a2=a2, sample_rate_hz=48000))


def test_gain_at_known_places() -> None:
    # -10 log10 2 at a Butterworth's cutoff; the set gain at a peak's centre; half of it at a shelf's middle.
    assert gain_db("low pass", 1000, 1000, ROOT_HALF) == pytest.approx(-3.0102999566398120, abs=1e-10)
    assert gain_db("peaking", 2000, 2000, 3, 9) == pytest.approx(9, abs=1e-10)
    assert gain_db("low shelf", 500, 500, ROOT_HALF, 8) == pytest.approx(4, abs=1e-10)
    assert gain_db("high shelf", 500, 23999, ROOT_HALF, 8) == pytest.approx(8, abs=1e-4)
    assert gain_db("all pass", 500, 3000, 2) == pytest.approx(0, abs=1e-10)
    assert gain_db("band pass", 500, 500, 7) == pytest.approx(0, abs=1e-10)


@pytest.mark.parametrize("kind", ["low pass", "high pass", "peaking", "high shelf"])
def test_gain_agrees_with_freqz(kind: str) -> None:
    coefficients = biquad(kind, 1500, 48000, "0.8", 5)
    places = [20, 500, 1500, 9000, 23000]
    _, response = signal.freqz(coefficients[:3], [1, *coefficients[3:]], worN=places, fs=48000)

    found = [gain_db(kind, 1500, hz, "0.8", 5) for hz in places]
    assert found == pytest.approx(20 * np.log10(np.abs(response)), abs=1e-8)


@pytest.mark.parametrize("top", [(0.3, 0.2, 0), (0.3, -0.7, 0.2), (1, 0.7, 0.1), (1, -1.9, 0.95), (0, 0, 2), (1, 0.1, -0.5)])
def test_gain_by_every_kind_of_roots_agrees_with_freqz(top: tuple[float, ...]) -> None:
    places = [3, 400, 5000, 13000, 23900]
    _, response = signal.freqz(top, [1, *top[1:]], worN=places, fs=48000)
    named = dict(zip(("b0", "b1", "b2", "a1", "a2"), (*top, *top[1:]), strict=True))
    found = [float(exact(filters.db_from_hz, hz, sample_rate_hz=48000, **named)) for hz in places]

    assert found == pytest.approx(20 * np.log10(np.abs(response)), abs=1e-9)
    assert_screen_keeps_its_word(filters.db_from_hz, [(3.0, 23900.0)], sure=True, sample_rate_hz=48000, **named)


def test_one_pole_reaches_the_time_constant_exactly() -> None:
    # After tau fs samples the step-invariant one-pole is at 1 - 1/e; scipy.signal.lfilter runs it.
    rate, samples = 48000, 480
    hz = Fraction(rate, samples) / Fraction(2 * math.pi)
    a = float(exact(filters.one_pole_from_hz, hz, sample_rate_hz=rate))
    step = signal.lfilter([a], [1, a - 1], np.ones(samples))

    assert step[-1] == pytest.approx(1 - math.exp(-1), rel=1e-12)
    assert a == pytest.approx(-math.expm1(-1 / samples), rel=1e-14)


@pytest.mark.parametrize("hz", [5, 1000, 15000])
def test_bilinear_one_pole_agrees_with_butter(hz: int) -> None:
    top, bottom = signal.butter(1, hz, fs=48000)
    gain = float(exact(filters.one_pole_bilinear_from_hz, hz, sample_rate_hz=48000))

    assert gain == pytest.approx(top[0], rel=1e-12)
    assert 2 * gain - 1 == pytest.approx(bottom[1], rel=1e-12)


def test_state_variable_coefficients() -> None:
    for hz in (20, 1000, 7000):
        f = float(exact(filters.state_variable_from_hz, hz, sample_rate_hz=48000))
        # Without damping the loop's poles are on the circle at +-hz: z**2 - (2 - f**2) z + 1.
        angles = np.abs(np.angle(np.roots([1, -(2 - f * f), 1])))
        assert angles * 48000 / (2 * np.pi) == pytest.approx([hz, hz], rel=1e-6)
        g = float(exact(filters.state_variable_trapezoidal_from_hz, hz, sample_rate_hz=48000))
        assert g == pytest.approx(math.tan(math.pi * hz / 48000), rel=1e-14)


@pytest.mark.parametrize(("a1", "a2"), [(-1.8153, 0.8310), (-1.5, 0.2), (0.9, 0.05), (0.0, -0.25), (1.2, 0.9)])
def test_poles_agree_with_tf2zpk(a1: float, a2: float) -> None:
    _, poles, _ = signal.tf2zpk([1, 0, 0], [1, a1, a2])

    found = float(exact(filters.pole_square_from_coefficients, a1, a2))
    assert found == pytest.approx(np.max(np.abs(poles)) ** 2, rel=1e-12)


def test_pole_radius_figure() -> None:
    # The 1 kHz Butterworth at 48 kHz: pole radius 0.91159508.
    a1, a2 = biquad("low pass", 1000, 48000, ROOT_HALF)[3:]

    assert round(math.sqrt(exact(filters.pole_square_from_coefficients, a1, a2)), 8) == 0.91159508


def test_outside_the_domain() -> None:
    for hz in (0, 24000, -5):
        with pytest.raises(DomainError):
            exact(filters.one_pole_from_hz, hz, sample_rate_hz=48000)
    for wrong in (dict(kind="low", q=1), dict(kind="notch", q=0)):
        with pytest.raises(DomainError):
            exact(filters.biquad_from_hz, 100, coefficient="b0", sample_rate_hz=48000, **wrong)
    with pytest.raises(DomainError):
        exact(filters.db_from_hz, 100, b0=0, b1=0, b2=0, a1=0, a2=0, sample_rate_hz=48000)


@pytest.mark.parametrize("coefficient", filters.COEFFICIENTS)
@pytest.mark.parametrize("kind", filters.KINDS)
def test_screens_of_coefficients(kind: str, coefficient: str) -> None:
    assert_screen_keeps_its_word(filters.biquad_from_hz, [(20.0, 20000.0)], sure=True, kind=kind,
                                 coefficient=coefficient, sample_rate_hz=48000, q="0.7", gain_db=6)


@pytest.mark.parametrize(
    ("function", "constants"),
    [
        (filters.one_pole_from_hz, {}),
        (filters.one_pole_bilinear_from_hz, {}),
        (filters.state_variable_from_hz, {}),
        (filters.state_variable_trapezoidal_from_hz, {}),
        (filters.db_from_hz, dict(b0="0.1", b1="0.2", b2="0.1", a1="-0.9", a2="0.3")),
    ],
)
def test_screens(function, constants) -> None:  # type: ignore[no-untyped-def]
    assert_screen_keeps_its_word(function, [(20.0, 20000.0)], sure=True, sample_rate_hz=48000, **constants)
