"""The methods behind claims in time, against signals whose answer is known."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from scipy import signal

from verify.claims.gain import Measured, measured_db
from verify.claims.poles import pole_size
from verify.claims.randomness import least_period
from verify.claims.stability import repeats
from verify.grids import binary32, integers
from verify.machines.drives import ends_and_middle, settings
from verify.machines.machine import event
from verify.machines.script import TURN, Piece, stream_places

RATE = Fraction(48_000)


# scipy.signal.freqz is the response; lfilter the filter; the sine is the one that scripts make.
@pytest.mark.parametrize("hz", [Fraction(50), Fraction(1234), Fraction(20_011)])
def test_a_measured_gain_is_the_response_of_scipy(hz: Fraction) -> None:
    b, a = signal.butter(2, 700, fs=48_000)
    grid = binary32("x", -1, 1, "full scale")
    piece = Piece(0, "sine", grid.index_near(Fraction(-1, 2)), grid.index_near(Fraction(1, 2)), round(hz / RATE * TURN))
    x = grid.doubles(stream_places((piece,), grid, 12_000))
    window = Measured(2400, 12_000, piece.period * RATE / TURN, 0)
    got, steady = measured_db(x, signal.lfilter(b, a, x), window, RATE)
    _, response = signal.freqz(b, a, worN=[float(window.hz)], fs=48_000)

    assert got == pytest.approx(20 * np.log10(abs(response[0])), abs=1e-5)
    assert steady < 1e-4
    assert abs(np.abs(x).max() - 0.5) < 1e-6


def test_a_gain_that_still_moves_is_not_steady() -> None:
    hz = Fraction(1000)
    n = np.arange(4800)
    x = np.sin(2 * np.pi * n / 48)
    got, steady = measured_db(x, x * (1 + 0.1 * n / 4800), Measured(0, 4800, hz, 0), RATE)

    assert got == pytest.approx(20 * np.log10(1.05), abs=0.01)
    assert steady > 0.3


def test_periods_are_found_and_chance_is_none() -> None:
    noise = np.random.default_rng(1).integers(0, 2, 4000).astype(float)

    assert least_period(noise) == 0
    assert least_period(np.tile(noise[:500], 4)) == 500
    assert least_period(np.concatenate([noise, np.tile(noise[:300], 3)])) == 300
    assert least_period(np.zeros(600)) == 128 or least_period(np.zeros(600)) == 1
    assert list(repeats(np.tile([1.0, -1.0], 200))) == [2]
    assert list(repeats(np.full(300, 3.0))) == [1]
    assert list(repeats(0.99 ** np.arange(600))) == []


def test_pole_sizes_equal_numpy() -> None:
    for a1, a2 in ((Fraction(-3, 2), Fraction(9, 10)), (Fraction(-3, 2), Fraction(1, 5)), (Fraction(1), Fraction(-1, 3))):
        assert pole_size(a1, a2) == pytest.approx(np.abs(np.roots([1, float(a1), float(a2)])).max(), rel=1e-12)


def test_settings_hold_every_end() -> None:
    class Two:
        events = (event("cutoff", "x", binary32("cutoff", 20, 12_000, "Hz")), event("gate", "y", integers("gate", 0, 1, "")),
                  event("q", "z", binary32("q", 0.5, 10, "")))

    rows = settings(Two())  # type: ignore[arg-type]
    cutoffs = {happening.places[0] for row in rows for happening in row if happening.kind == 0}

    assert rows[0] == ()
    assert set(ends_and_middle(Two.events[0].arguments[0])) == cutoffs
    assert all(happening.kind != 1 for row in rows for happening in row)
