"""Filters with state against SciPy, the Audio EQ Cookbook, ITU-R BS.1770, and loops typed again here."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from scipy import signal

from reference import DomainError, filters, filters_in_time
from reference.trajectories import Script
from tests.external.screen_checks import exact

RATE = Fraction(48_000)
NOISE = np.random.default_rng(11).uniform(-1, 1, 3000)


def script(*events: tuple[int, str, Any], x: np.ndarray = NOISE) -> Script:
    return Script(len(x), RATE, tuple((at, name, Fraction(value)) for at, name, value in events), {"x": x})


def coefficients(kind: str, hz: object, q: object, db: object = 0) -> list[float]:
    found = [exact(filters.biquad_from_hz, hz, kind=kind, coefficient=name, sample_rate_hz=48_000, q=q, gain_db=db)
             for name in filters.COEFFICIENTS]
    return [float(value) for value in found]


def run(b: Any, a: Any, x: np.ndarray = NOISE) -> np.ndarray:
    return np.asarray(signal.lfilter(b, a, x))


# SciPy: signal.lfilter runs the difference equation of the Audio EQ Cookbook's H(z).
@pytest.mark.parametrize("form", filters_in_time.FORMS)
@pytest.mark.parametrize("kind", filters.KINDS)
def test_biquads_equal_lfilter(kind: str, form: str) -> None:
    found = filters_in_time.biquad(None, script(), kind=kind, form=form, cutoff_hz=700, q="3/2", gain_db=-5)
    b0, b1, b2, a1, a2 = coefficients(kind, 700, "3/2", -5)

    assert np.abs(found.screen()[0] - run([b0, b1, b2], [1, a1, a2])).max() < 1e-11


# scipy.signal.butter of order 2 is the cookbook's low and high pass at Q = 1/sqrt 2, and (both being bilinear
# transforms of one analogue filter) the trapezoidal state-variable filter's; of order 1 the trapezoidal one-pole.
@pytest.mark.parametrize(("kind", "output"), [("low pass", "low"), ("high pass", "high")])
@pytest.mark.parametrize("hz", [30, 1000, 9000])
def test_butterworth_filters_equal_scipy(kind: str, output: str, hz: int) -> None:
    by_biquad = filters_in_time.biquad(None, script(), kind=kind, cutoff_hz=hz)
    by_state = filters_in_time.state_variable(None, script(), output=output, cutoff_hz=hz, q="1/2**(1/2)")
    by_pole = filters_in_time.first_order(None, script(), kind=kind, form="trapezoidal", cutoff_hz=hz)
    second = run(*signal.butter(2, hz, kind.split()[0], fs=48_000))

    assert np.abs(by_biquad.screen()[0] - second).max() < 1e-10
    assert np.abs(by_state.screen()[0] - second).max() < 1e-10
    assert np.abs(by_pole.screen()[0] - run(*signal.butter(1, hz, kind.split()[0], fs=48_000))).max() < 1e-12


# signal.lfilter keeps a transposed direct form 2, whose state zi is carried on; a setting for each sample is one call each.
@pytest.mark.parametrize(("kind", "order"), [("low pass", 2), ("high pass", 2)])
def test_a_cutoff_fed_with_every_sample_equals_lfilter_sample_by_sample(kind: str, order: int) -> None:
    x, hz = NOISE[:600], 2000 + 1500 * np.sin(np.arange(600) / 20)
    found = filters_in_time.biquad(None, Script(600, RATE, (), {"x": x, "cutoff_hz": hz}), kind=kind)
    state, wanted = np.zeros(order), []
    for value, at in zip(x, hz, strict=True):
        y, state = signal.lfilter(*signal.butter(order, at, kind.split()[0], fs=48_000), [value], zi=state)
        wanted.append(y[0])

    assert np.abs(found.screen()[0] - wanted).max() < 1e-10
    held = filters_in_time.biquad(None, script(x=x), kind=kind, cutoff_hz=2000).screen()[0]
    assert np.abs(held - wanted).max() > 0.01


# ITU-R BS.1770, Annex 1, tables of the two stages at 48 kHz (as quoted in "ITU-R BS.1770-1 filter specifications
# (unofficial)", 2011); the first as a shelf from the parameters given there, the second as the cookbook's high pass.
SHELF = ("1.53512485958697", "-2.69169618940638", "1.19839281085285", "-1.69065929318241", "0.73248077421585")
HIGH = ("1", "-2", "1", "-1.99004745483398", "0.99007225036621")


def test_bs1770_stages_equal_lfilter() -> None:
    for stage in (SHELF, HIGH):
        b0, b1, b2, a1, a2 = (float(value) for value in stage)
        for form in filters_in_time.FORMS:
            found = filters_in_time.biquad(None, script(), coefficients=stage, form=form)
            assert np.abs(found.screen()[0] - run([b0, b1, b2], [1, a1, a2])).max() < 1e-10


def test_bs1770_high_pass_is_the_cookbooks() -> None:
    found = filters_in_time.biquad(None, script(), kind="high pass", cutoff_hz="38.13547087602444", q="0.5003270373238773")
    published = filters_in_time.biquad(None, script(), coefficients=HIGH)

    # b of the table is over its own b0 (0.99502992630...); poles agree to its 14 digits.
    assert np.abs(found.screen()[0] / 0.9950299263000475 - published.screen()[0]).max() < 1e-9


def test_k_weighting_of_bs1770_at_997_hz() -> None:
    # The loudness formula's constant -0.691 dB takes back the gain of both stages at 997 Hz (constant from memory).
    stages = [filters_in_time.biquad(None, script(), coefficients=stage) for stage in (SHELF, HIGH)]
    gain = sum(stage.gain_db(Fraction(997), 0)[0] for stage in stages)

    assert float(gain) == pytest.approx(0.691, abs=1e-3)


@pytest.mark.parametrize("form", filters_in_time.FORMS)
def test_gain_equals_freqz(form: str) -> None:
    found = filters_in_time.biquad(None, script(), kind="peaking", form=form, cutoff_hz=1500, q=2, gain_db=9)
    b0, b1, b2, a1, a2 = coefficients("peaking", 1500, 2, 9)
    places = [1, 300, 1500, 7000, 23_000]
    _, response = signal.freqz([b0, b1, b2], [1, a1, a2], worN=places, fs=48_000)

    for hz, wanted in zip(places, 20 * np.log10(np.abs(response)), strict=True):
        low, high = found.gain_db(Fraction(hz), 0)
        assert low <= high and float(high - low) < 1e-15
        assert float(low) == pytest.approx(wanted, abs=1e-7)


def test_gains_at_known_places() -> None:
    def gain(hz: object, **how: Any) -> float:
        return float(filters_in_time.state_variable(None, script(), cutoff_hz=1000, **how).gain_db(Fraction(hz), 0)[0])

    # At the cutoff low, band and high have gain Q; Q = 1/sqrt 2 is the half-power point, -10 log10 2 dB.
    assert gain(1000, output="low", q="1/2**(1/2)") == pytest.approx(-3.0102999566398120, abs=1e-12)
    for output in ("low", "band", "high"):
        assert gain(1000, output=output, q=10) == pytest.approx(20, abs=1e-12)
    assert gain(0, output="low", q=10) == pytest.approx(0, abs=1e-12)
    assert gain(3000, output="all pass", q=10) == pytest.approx(0, abs=1e-12)
    one_pole = filters_in_time.first_order(None, script(), form="trapezoidal", cutoff_hz=1000)
    assert float(one_pole.gain_db(Fraction(1000), 0)[0]) == pytest.approx(-3.0102999566398120, abs=1e-12)
    with pytest.raises(DomainError):
        gain(0, output="high", q=1)


def test_the_step_of_a_one_pole_is_known() -> None:
    # A one-pole of time constant tau (cutoff 1/(2 pi tau)) stands at 1 - 1/e after tau: 480 samples here.
    hz = Fraction(48_000, 480) / Fraction(2 * math.pi)
    found = filters_in_time.first_order(None, script(x=np.ones(480)), cutoff_hz=hz)

    assert found.screen()[0][-1] == pytest.approx(0.6321205588285566, abs=1e-14)


class Again:
    """Each form typed again as a loop, one sample at a time, with coefficients looked up as they are in force."""

    def __init__(self, kind: str) -> None:
        self.kind, self.p, self.q, self.r, self.s = kind, 0.0, 0.0, 0.0, 0.0

    def step(self, x: float, c: list[float]) -> float:
        b0, b1, b2, a1, a2 = c
        if self.kind == "direct 1":
            y = b0 * x + b1 * self.p + b2 * self.q - a1 * self.r - a2 * self.s
            self.p, self.q, self.r, self.s = x, self.p, y, self.r
        elif self.kind == "direct 2":
            w = x - a1 * self.p - a2 * self.q
            y = b0 * w + b1 * self.p + b2 * self.q
            self.p, self.q = w, self.p
        else:
            y = b0 * x + self.p
            self.p, self.q = b1 * x - a1 * y + self.q, b2 * x - a2 * y
        return y


@pytest.mark.parametrize("form", filters_in_time.FORMS)
def test_settings_that_change_while_a_biquad_rings(form: str) -> None:
    found = filters_in_time.biquad(None, script((100, "cutoff_hz", 4000), (133, "q", 5), (1000, "cutoff_hz", 60)), form=form)
    sets = {0: (1000, "1/2**(1/2)"), 100: (4000, "1/2**(1/2)"), 133: (4000, 5), 1000: (60, 5)}
    again, now, wanted = Again(form), coefficients("low pass", *sets[0]), []
    for k, x in enumerate(NOISE.tolist()):
        now = coefficients("low pass", *sets[k]) if k in sets else now
        wanted.append(again.step(x, now))

    assert np.abs(found.screen()[0] - wanted).max() < 1e-9 * np.abs(wanted).max()


@pytest.mark.parametrize("output", ["low", "band", "high", "notch"])
def test_settings_that_change_in_state_variable_filters(output: str) -> None:
    events = ((77, "cutoff_hz", 3000), (500, "q", 8), (501, "cutoff_hz", 100))
    for form in ("trapezoidal", "two integrators"):
        found = filters_in_time.state_variable(None, script(*events), output=output, form=form, cutoff_hz=400, q=2)
        hz, q, low, band, wanted = 400.0, 2.0, 0.0, 0.0, []
        for k, x in enumerate(NOISE.tolist()):
            hz = {77: 3000.0, 501: 100.0}.get(k, hz)
            q = 8.0 if k >= 500 else 2.0
            if form == "trapezoidal":
                # Both integrators by the trapezoidal rule, the loop without delay solved for band.
                g = math.tan(math.pi * hz / 48_000)
                v1 = (band + g * (x - low)) / (1 + g * (g + 1 / q))
                v2 = low + g * v1
                band, low = 2 * v1 - band, 2 * v2 - low
                now = {"low": v2, "band": v1, "high": x - v1 / q - v2, "notch": x - v1 / q}
            else:
                f = 2 * math.sin(math.pi * hz / 48_000)
                low += f * band
                high = x - low - band / q
                band += f * high
                now = {"low": low, "band": band, "high": high, "notch": low + high}
            wanted.append(now[output])
        assert np.abs(found.screen()[0] - wanted).max() < 1e-10


def test_what_cannot_be_meant_is_refused() -> None:
    for wrong in (dict(form="lattice"), dict(kind="brick wall"), dict(q=-1), dict(cutoff_hz=24_000),
                  dict(coefficients=(1, 2)), dict(coefficients=(1, 0, 0, 0, "1.01"))):
        with pytest.raises(DomainError):
            filters_in_time.biquad(None, script(), **wrong).screen()
    with pytest.raises(DomainError):
        # The two-integrator form is unstable here: f^2 + f/q > 4 - ...; its poles leave the circle.
        filters_in_time.state_variable(None, script(), form="two integrators", cutoff_hz=20_000, q="1/2").screen()
    with pytest.raises(DomainError):
        filters_in_time.first_order(None, Script(3, RATE))
