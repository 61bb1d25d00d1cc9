"""Oscillator references against published waveforms, a quadrature and a spectrum; sources beside the numbers."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import jv

from reference import DomainError, oscillator
from tests.external.screen_checks import assert_screen_keeps_its_word, exact


def test_waveforms_agree_with_the_published_phase() -> None:
    # W3C Web Audio API, basic waveform phase: odd, rising at 0; square +1 on [0, pi), triangle (2/pi) t on [0, pi/2];
    # sawtooth t/pi on (-pi, pi], which is ours half a turn later.
    for phase in np.linspace(0, 0.999, 77):
        turn = float(phase)
        assert float(exact(oscillator.sine_from_phase, turn)) == pytest.approx(math.sin(2 * math.pi * turn), abs=1e-15)
        assert (1 if turn < 0.5 else -1) == exact(oscillator.square_from_phase, turn)
        wanted = 4 * turn if turn <= 0.25 else 2 - 4 * turn if turn <= 0.75 else 4 * turn - 4
        assert float(exact(oscillator.triangle_from_phase, turn)) == pytest.approx(wanted, abs=1e-15)
        assert float(exact(oscillator.saw_from_phase, turn - 0.5)) == pytest.approx(2 * ((turn + 0.5) % 1) - 1, abs=1e-15)


def test_radians_and_32_bits_are_the_same_sine() -> None:
    for word in (0, 1, 2**30, 2**31 - 1, 0xDEADBEEF, 2**32 - 1):
        turn = Fraction(word, 2**32)
        found = float(exact(oscillator.sine_from_phase_32bit, word))
        assert found == float(exact(oscillator.sine_from_phase, turn))
        assert found == pytest.approx(math.sin(2 * math.pi * float(turn)), abs=1e-15)
    for angle in (-100.0, 0.5, 12345.678):
        assert float(exact(oscillator.sine_from_radians, angle)) == pytest.approx(math.sin(angle), rel=1e-12)


# Linear interpolation of a unit sine with N entries is off by at most 1 - cos(pi/N): K. Atkinson, An Introduction
# to Numerical Analysis, chapter 3 (bound h**2/8 max|f''|); figures of the exact worst case.
TABLES = {64: 1.20454379483e-3, 256: 7.52981608555e-5, 512: 1.88247173989e-5, 1024: 4.70619042383e-6}


@pytest.mark.parametrize(("size", "worst"), TABLES.items())
def test_a_table_read_linearly_is_off_the_sine_by_the_known_amount(size: int, worst: float) -> None:
    table = np.sin(2 * np.pi * np.arange(size + 1) / size)
    places = (np.arange(size * 16) + 0.5) / 16
    read = np.interp(places, np.arange(size + 1), table)
    sine = [float(exact(oscillator.sine_from_phase, float(place / size))) for place in places[: 4 * size]]
    peak = float(exact(oscillator.sine_from_phase, Fraction(1, 4) + Fraction(1, 2 * size)))

    assert np.max(np.abs(read[: 4 * size] - sine)) <= worst
    # Half way between entries the chord is below the arc by exactly 1 - cos(pi/N) of the arc's middle.
    assert 1 - math.cos(math.pi / size) == pytest.approx(worst, rel=1e-10)
    assert peak == pytest.approx(math.cos(math.pi / size), rel=1e-15)


def test_phase_modulation_has_the_bessel_spectrum() -> None:
    # Chowning 1973, equation 2: the amplitude of carrier + k modulator is J_k(index).
    size, index = 64, Fraction(3, 2)
    wave = [
        float(exact(oscillator.phase_modulated_sine_from_phases, Fraction(9 * n, size), Fraction(2 * n, size), index=index))
        for n in range(size)
    ]
    spectrum = np.fft.rfft(wave) / (size / 2)

    for k in range(5):
        assert abs(spectrum[9 + 2 * k]) == pytest.approx(abs(jv(k, 1.5)), abs=1e-6)


# Running integral of the triangular kernel less the step, for a unit step; figures of the formula t**2/2 +- t + 1/2.
RESIDUALS = {"-0.25": 0.28125, "0.25": -0.28125, "-0.5": 0.125, "0.5": -0.125, "-0.75": 0.03125, "0.75": -0.03125}


@pytest.mark.parametrize(("t", "residual"), RESIDUALS.items())
def test_step_residual_is_the_integral_of_the_triangular_kernel(t: str, residual: float) -> None:
    integral, _ = quad(lambda x: max(0.0, 1 - abs(x)), -1, float(t), points=[0.0] if float(t) > 0 else None)

    assert integral - (float(t) >= 0) == pytest.approx(residual, abs=1e-12)
    assert residual == float(exact(oscillator.step_residual_from_samples, t))


def test_band_limited_saw_is_the_saw_less_two_residuals() -> None:
    step = Fraction(1, 10)
    for place in range(100):
        phase = Fraction(place, 100)
        naive = exact(oscillator.saw_from_phase, phase)
        residuals = sum(exact(oscillator.step_residual_from_samples, (phase - k) / step) for k in (0, 1))
        assert naive - 2 * residuals == exact(oscillator.band_limited_saw_from_phase, phase, increment=step)


def test_band_limited_saw_aliases_less() -> None:
    """Lines that are no harmonic, at 27/256 turns per sample: folded energy falls by more than 10 dB."""
    step, size = Fraction(27, 256), 256
    folded = {}
    for name, wave in (
        ("naive", [exact(oscillator.saw_from_phase, n * step) for n in range(size)]),
        ("smooth", [exact(oscillator.band_limited_saw_from_phase, n * step, increment=step) for n in range(size)]),
    ):
        spectrum = np.abs(np.fft.rfft([float(x) for x in wave])) / (size / 2)
        spectrum[0] = 0
        spectrum[[27 * k for k in range(1, 5)]] = 0
        folded[name] = math.log10(np.sum(spectrum**2))

    assert folded["smooth"] < folded["naive"] - 1


def test_phase_accumulator_figures() -> None:
    # K. Gentile, AN-1396, equation 1: resolution fs/2**N; 440 Hz at 48 kHz and 32 bits is 39370533.5466... steps.
    step = 39370534
    for samples in (1, 48000, 10**9):
        assert samples * step % 2**32 == exact(oscillator.phase_32bit_after_samples, samples, increment=step)
    assert 2**32 - 3 == exact(oscillator.phase_32bit_after_samples, 3, increment=-1)
    # 440/48000 turns repeat after 1200 samples, over an hour without drift.
    assert 0 == exact(oscillator.phase_after_samples, 1200 * 144000, increment="440/48000")
    assert Fraction(3, 4) == exact(oscillator.phase_after_samples, 1, increment="-1/2", start="1/4")


def test_outside_the_domain() -> None:
    with pytest.raises(DomainError):
        exact(oscillator.band_limited_saw_from_phase, 0, increment="0.6")
    with pytest.raises(DomainError):
        exact(oscillator.square_from_phase, 0, width=2)


@pytest.mark.parametrize(
    ("function", "high", "constants"),
    [
        (oscillator.sine_from_phase, 10, {}),
        (oscillator.sine_from_phase, 1e9, {}),
        (oscillator.sine_from_radians, 1000, {}),
        (oscillator.sine_from_phase_32bit, 2.0**32, {}),
        (oscillator.saw_from_phase, 3, {}),
        (oscillator.triangle_from_phase, 3, {}),
        (oscillator.square_from_phase, 3, {}),
        (oscillator.step_residual_from_samples, 2, {}),
        (oscillator.band_limited_saw_from_phase, 2, dict(increment="0.01")),
        (oscillator.phase_after_samples, 1e6, dict(increment="0.01")),
    ],
)
def test_screens(function, high, constants) -> None:  # type: ignore[no-untyped-def]
    assert_screen_keeps_its_word(function, [(-high, high)], **constants)


def test_the_screen_of_two_phases() -> None:
    ends = [(-2.0, 2.0), (-2.0, 2.0)]
    assert_screen_keeps_its_word(oscillator.phase_modulated_sine_from_phases, ends, index=5)
