"""Table reads, ring addresses and counters against SciPy, numpy and plain modular arithmetic."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from scipy.interpolate import CubicHermiteSpline

from reference import DomainError, memory
from tests.external.screen_checks import assert_screen_keeps_its_word, exact

TABLE = [0.0, 0.25, 1.0, -0.5, 0.125, -1.0, 0.75, 0.5]
PLACES = [0, 0.25, 1, 1.75, 3.5, 5.125, 6, 6.9375, 7]


def test_reads_without_wrap_agree_with_numpy_and_scipy() -> None:
    knots = np.arange(8)
    slopes = np.array([0, *((np.array(TABLE[2:]) - np.array(TABLE[:-2])) / 2), 0])
    spline = CubicHermiteSpline(knots, TABLE, slopes)
    for place in PLACES:
        assert TABLE[math.floor(place)] == exact(memory.entry_from_position, place, table=TABLE, wrap=False)
        found = float(exact(memory.linear_from_position, place, table=TABLE, wrap=False))
        assert found == pytest.approx(np.interp(place, knots, TABLE), abs=1e-15)
        inside = min(max(place, 1), 6)
        found = float(exact(memory.cubic_from_position, place, table=TABLE, wrap=False))
        assert found == pytest.approx(float(spline(inside)), abs=1e-15)


def test_reads_with_wrap_are_periodic() -> None:
    longer = [*TABLE[-2:], *TABLE, *TABLE[:3]]
    for place in [*PLACES, 7.5]:
        for function in (memory.entry_from_position, memory.linear_from_position, memory.cubic_from_position):
            found = exact(function, place, table=TABLE)
            assert found == exact(function, place - 16, table=TABLE) == exact(function, place + 8, table=TABLE)
            assert found == exact(function, place + 2, table=longer, wrap=False)


def test_cubic_reproduces_a_parabola_and_linear_a_line() -> None:
    for place in ("1.1", "2.5", "3.9"):
        x = Fraction(place)
        assert x * x == exact(memory.cubic_from_position, x, table=[k * k for k in range(6)], wrap=False)
        assert 3 * x - 1 == exact(memory.linear_from_position, x, table=[3 * k - 1 for k in range(6)], wrap=False)


# Linear interpolation of a sine with N entries a period: worst error 1 - cos(pi/N) (K. Atkinson, An Introduction to
# Numerical Analysis, chapter 3, gives the bound h**2/8 max|f''|): 1.20454379483e-3 for 64, 7.52981608555e-5 for 256.
@pytest.mark.parametrize(("size", "worst"), [(64, 1.20454379483e-3), (256, 7.52981608555e-5)])
def test_linear_read_of_a_sine_has_the_known_worst_error(size: int, worst: float) -> None:
    # Entries half a step beside the peak: there the chord is lowest.
    table = [math.cos(2 * math.pi * (k + 0.5) / size) for k in range(size)]
    middle = float(exact(memory.linear_from_position, size - Fraction(1, 2), table=table))

    assert 1 - middle == pytest.approx(worst, rel=1e-9)
    for place in np.linspace(0, size, 997):
        found = float(exact(memory.linear_from_position, float(place), table=table))
        assert abs(found - math.cos(2 * math.pi * (place + 0.5) / size)) <= worst * (1 + 1e-9)


def test_32_bit_phase_reads_the_same_table() -> None:
    for phase in (0, 1, 2**29 - 1, 2**29, 0xDEADBEEF, 2**32 - 1):
        wanted = exact(memory.linear_from_position, Fraction(8 * phase, 2**32), table=TABLE)
        assert wanted == exact(memory.linear_from_phase_32bit, phase, table=TABLE)


def test_ring_addresses_agree_with_modulo() -> None:
    for length in (1, 5, 8):
        for write in range(length):
            for delay in range(length + 1):
                found = exact(memory.address_from_write_and_delay, write, delay, length=length)
                assert (write - delay) % length == found


def test_counters_wrap() -> None:
    # 2**32 milliseconds are 49.7 days; 2**32 samples at 48 kHz one day and 51 minutes.
    assert 0 == exact(memory.counter_after_samples, 1, start=2**32 - 1)
    assert 255 == exact(memory.counter_after_samples, -1, bits=8)
    assert 2**64 - 1 == exact(memory.counter_after_samples, 2**64 - 1, bits=64)
    for samples in (0, 44, 45, 441, 44099, 44100, 2**32 - 1):
        assert samples * 1000 // 44100 == exact(memory.ticks_from_samples, samples, sample_rate_hz=44100)
    assert 0 == exact(memory.ticks_from_samples, 48 * 2**32, sample_rate_hz=48000)
    now, before = np.uint32(7), np.uint32(2**32 - 9)
    with np.errstate(over="ignore"):
        assert int(now - before) == exact(memory.elapsed_from_ticks, 7, 2**32 - 9)


def test_outside_the_domain() -> None:
    for function, wrong in (
        (memory.linear_from_position, dict(table=[1])),
        (memory.cubic_from_position, dict(table=[1, 2, 3])),
        (memory.entry_from_position, dict(table=[])),
        (memory.counter_after_samples, dict(bits=65)),
        (memory.ticks_from_samples, dict(sample_rate_hz=0)),
    ):
        with pytest.raises(DomainError):
            exact(function, 0, **wrong)
    with pytest.raises(DomainError):
        exact(memory.address_from_write_and_delay, 0, 0, length=0)


@pytest.mark.parametrize("wrap", [True, False])
@pytest.mark.parametrize(
    "function", [memory.entry_from_position, memory.linear_from_position, memory.cubic_from_position]
)
def test_screens_of_reads_are_never_in_doubt(function, wrap) -> None:  # type: ignore[no-untyped-def]
    decimals = [str(value / 10) for value in range(7)]
    for table in (TABLE, [Fraction(text) for text in decimals]):
        assert_screen_keeps_its_word(function, [(-3.0, 20.0)], sure=True, table=table, wrap=wrap)


def test_screens_of_counters_are_never_in_doubt() -> None:
    whole = dict(whole=True, sure=True)
    assert_screen_keeps_its_word(memory.linear_from_phase_32bit, [(0, 2.0**32 - 1)], table=TABLE, **whole)
    assert_screen_keeps_its_word(memory.counter_after_samples, [(0, 2.0**33)], start=17, **whole)
    assert_screen_keeps_its_word(memory.ticks_from_samples, [(0, 2.0**32 - 1)], sample_rate_hz=44100, **whole)
    assert_screen_keeps_its_word(memory.ticks_from_samples, [(0, 10**6)], sample_rate_hz=48000, bits=8, **whole)
    ends = [(0, 2.0**32 - 1), (0, 2.0**32 - 1)]
    assert_screen_keeps_its_word(memory.elapsed_from_ticks, ends, **whole)
    assert_screen_keeps_its_word(memory.address_from_write_and_delay, [(0, 999), (0, 1000)], length=1000, **whole)
