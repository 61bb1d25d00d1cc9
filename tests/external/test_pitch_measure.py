"""The measurement of a signal's pitch against frequencies that are known exactly: turns per sample as fractions.

The window is sin^8, of the family in D. C. Rife, G. A. Vincent, Bell System Technical Journal 49 (1970); its response at x
bins, sin(pi x)/(pi x) * prod k^2/(x^2 - k^2), follows from the transform of a power of a sine.
"""

from __future__ import annotations

import ctypes
import math
import os
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from firmware_shim.compiler import find_compiler
from firmware_shim.engine import RUNTIME, compile_own

RATE_HZ = 48_000
OWN_ERROR_CENTS = 0.003
Measure = Callable[..., float]


@pytest.fixture(scope="module")
def measure() -> Measure:
    cache = Path(os.environ["XDG_CACHE_HOME"]) / "preflash"
    compiler = find_compiler(None, cache).path
    library = ctypes.CDLL(str(compile_own([RUNTIME / "pitch_measure.c"], "pitch_measure", compiler, cache)))
    pitch, needed = library.pf_pitch_of, library.pf_pitch_samples
    pitch.restype = ctypes.c_double
    pitch.argtypes = [ctypes.c_void_p, ctypes.c_long, ctypes.c_double, ctypes.c_double, ctypes.c_double]
    needed.restype, needed.argtypes = ctypes.c_long, [ctypes.c_double, ctypes.c_double]

    def of(wave: Callable[[np.ndarray], np.ndarray], near_hz: float, doubt: float = OWN_ERROR_CENTS) -> float:
        count = needed(RATE_HZ, near_hz)
        samples = np.ascontiguousarray(wave(np.arange(count)), np.float64)
        return float(pitch(samples.ctypes.data, count, RATE_HZ, near_hz, doubt))

    return of


def phase(turns: Fraction, start: float = 0.1) -> Callable[[np.ndarray], np.ndarray]:
    """Phase in turns of a frequency that is an exact fraction of the rate: whole turns are taken off in integers."""
    return lambda n: (n * turns.numerator % turns.denominator) / turns.denominator + start


def cents(got_hz: float, turns: Fraction) -> float:
    return 1200 * math.log2(got_hz / (RATE_HZ * float(turns)))


# 8/993: as far from a whole number of periods in the window (8.2497) as a phasor of whole turns is used for.
FREQUENCIES = [Fraction(1, 733), Fraction(7, 1600), Fraction(8, 993), Fraction(113, 5007), Fraction(1, 24),
               Fraction(3001, 20011)]
# A third harmonic at 0.45 of the rate, where aliases come from; steps that are coarse for so few samples in a period.
TOO_HIGH = [("harmonics", Fraction(3001, 20011)), ("unsigned codes", Fraction(3001, 20011))]
WAVES = {
    "sine": lambda p: np.sin(2 * np.pi * p),
    "single precision": lambda p: np.sin((2 * np.pi * p).astype(np.float32)).astype(np.float32),
    "codes of 16 bits": lambda p: np.rint(32767 * np.sin(2 * np.pi * p)),
    "unsigned codes": lambda p: np.rint(2048 + 2000 * np.sin(2 * np.pi * p) * 16) / 16,
    "harmonics": lambda p: 5 + sum(np.sin(2 * np.pi * k * p) / k for k in (1, 2, 3)),
}


@pytest.mark.parametrize("turns", FREQUENCIES, ids=str)
@pytest.mark.parametrize("name", WAVES)
def test_known_frequencies_are_met_within_the_stated_error(measure: Measure, name: str, turns: Fraction) -> None:
    got = measure(lambda n: WAVES[name](phase(turns)(n)), RATE_HZ * float(turns))

    if (name, turns) in TOO_HIGH:
        assert math.isnan(got)
        got = measure(lambda n: WAVES[name](phase(turns)(n)), RATE_HZ * float(turns), 300.0)
    assert abs(cents(got, turns)) < OWN_ERROR_CENTS
    if name in ("sine", "single precision"):
        assert abs(cents(got, turns)) < OWN_ERROR_CENTS / 100


@pytest.mark.parametrize("off", [0.5, 0.9, 0.999, 1.06, 1.3])
def test_a_frequency_far_from_the_one_asked_for_is_found(measure: Measure, off: float) -> None:
    turns = Fraction(113, 5007)

    assert abs(cents(measure(lambda n: np.sin(2 * np.pi * phase(turns)(n)), RATE_HZ * float(turns) * off), turns)) < 0.003


def test_a_signal_off_by_more_than_the_error_is_seen_as_off(measure: Measure) -> None:
    asked, played = Fraction(113, 5007), Fraction(113, 5007) * Fraction(1_000_004, 1_000_000)  # 0.0069 cents
    got = measure(lambda n: np.sin(2 * np.pi * phase(played)(n)), RATE_HZ * float(asked))

    assert 0.0069 == pytest.approx(cents(got, asked), abs=2e-4)


def test_what_cannot_be_measured_is_not_given_as_a_number(measure: Measure) -> None:
    turns = Fraction(113, 5007)

    def beside(n: np.ndarray) -> np.ndarray:  # a second tone within the window's reach
        return np.sin(2 * np.pi * phase(turns)(n)) + 0.02 * np.sin(2 * np.pi * phase(turns * Fraction(123, 100))(n))

    def glide(n: np.ndarray) -> np.ndarray:
        return np.sin(2 * np.pi * (float(turns) * n + 1e-6 * n * n))

    assert math.isnan(measure(beside, RATE_HZ * float(turns)))
    assert math.isnan(measure(glide, RATE_HZ * float(turns)))
    # With more doubt allowed the first is given, and is right within it.
    allowed = measure(beside, RATE_HZ * float(turns), 30.0)
    assert abs(cents(allowed, turns)) < 30


def triangle(p: np.ndarray) -> np.ndarray:
    return 4 * np.abs(p % 1 - 0.5) - 1


ALIASED = {
    "saw": lambda p: 2 * (p % 1) - 1,
    "square": lambda p: np.where(p % 1 < 0.5, 1.0, -1.0),
    "triangle": triangle,
    "codes of 12 bits": lambda p: np.rint(2047 * np.sin(2 * np.pi * p)),
    "phase modulation": lambda p: np.sin(2 * np.pi * p + 2 * np.sin(6 * np.pi * p)),
}


@pytest.mark.parametrize("doubt", [0.003, 0.03, 3.0])
@pytest.mark.parametrize("name", ALIASED)
def test_aliases_right_beside_the_pitch_never_make_a_wrong_number(measure: Measure, name: str, doubt: float) -> None:
    """Just off a whole number of samples in a period they beat slowest, and bend neither phase nor size."""
    random, given = np.random.default_rng(20), 0
    beside = random.choice([0, 1, -1], 150) * 10 ** random.uniform(-4, -0.5, 150)
    for samples in random.uniform(10, 200, 150).round() + beside:
        turns = Fraction(1 / samples).limit_denominator(10**6)
        got = measure(lambda n, turns=turns: ALIASED[name](phase(turns, random.uniform())(n)), RATE_HZ * float(turns), doubt)
        given += not math.isnan(got)
        assert math.isnan(got) or abs(cents(got, turns)) <= doubt, (samples, cents(got, turns))
    assert 0 == given if doubt == 0.003 and name in ("saw", "square") else given > 0 or name != "phase modulation"


def test_silence_and_no_numbers_have_no_pitch(measure: Measure) -> None:
    assert math.isinf(measure(np.zeros_like, 440.0))
    assert math.isinf(measure(lambda n: np.full(len(n), 0.25), 440.0))
    assert math.isinf(measure(lambda n: np.where(n == 7, np.nan, np.sin(n / 9)), 440.0))


def test_what_was_measured_before_changes_nothing(measure: Measure) -> None:
    def of(turns: Fraction) -> float:
        return measure(lambda n: WAVES["harmonics"](phase(turns)(n)), RATE_HZ * float(turns))

    near = [Fraction(8, 993), Fraction(8, 1023), Fraction(8, 2047), Fraction(8, 993), Fraction(113, 5007)]
    alone = [of(turns) for turns in near for _ in (of(Fraction(1, 733)),)]

    assert alone == [of(turns) for turns in near]
