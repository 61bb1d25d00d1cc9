"""Smoothing against the W3C automation example, published one-pole facts and poles, and SciPy's lfilter."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from mpmath import mp, mpf

from reference import smoothing
from reference.intervals import IntervalContext
from reference.trajectories import Script

RATE = Fraction(48_000)

@pytest.fixture(autouse=True)
def many_digits() -> Iterator[None]:
    """Figures are compared in 220 bits."""
    with mp.workprec(220):
        yield



def script(samples: int, *events: tuple[int, str, Any], rate: Fraction = RATE) -> Script:
    """Events of a target."""
    return Script(samples, rate, tuple((k, name, Fraction(value)) for k, name, value in events))


def middle(found: Any, sample: int) -> mpf:
    """The exact value at a sample."""
    low, high = found.exact(sample, 200)
    assert high - low < Fraction(1, 2**120)
    return mpf(low.numerator) / low.denominator


# W3C Web Audio API, "AudioParam automation example": set 0.2, 0.3, 0.4 at 0, 0.1, 0.2 s; linear to 1 at 0.3, to 0.8 at
# 0.325; towards 0.5 from 0.325 with time constant 0.1; held at 0.5 s; exponential to 0.75 at 0.6 and to 0.05 at 0.7.
# Its formulas put the value of time t at t; here sample k is the value after k + 1 steps, so time t is sample t rate - 1.
def at(seconds: str) -> int:
    """The sample that holds the value of a time."""
    return int(Fraction(seconds) * RATE) - 1


@pytest.mark.parametrize(("when", "value"), [("0.25", "0.7"), ("0.3125", "0.9")])
def test_linear_ramps_of_the_w3c_example(when: str, value: str) -> None:
    events = [(9600, "seconds", "0.1"), (9600, "target", 1), (14_400, "seconds", "0.025"), (14_400, "target", "0.8")]
    found = smoothing.ramp(None, script(20_000, *events), start="0.4")

    assert abs(middle(found, at(when)) - mpf(value)) < mpf("1e-30")
    assert abs(middle(found, at("0.2")) - mpf("0.4")) < mpf("1e-30")
    assert abs(middle(found, at("0.325")) - mpf("0.8")) < mpf("1e-30")


APPROACH = [("0.35", "0.73364023492142146"), ("0.4", "0.641709965822304412"), ("0.425", "0.610363832351432696"),
            ("0.45", "0.58595143905805703"), ("0.5", "0.552132183035133538")]


@pytest.mark.parametrize(("when", "value"), APPROACH)
def test_approach_to_a_target_of_the_w3c_example(when: str, value: str) -> None:
    found = smoothing.one_pole(None, script(24_000, (15_600, "target", "0.5")), seconds="0.1", start="0.8")

    assert abs(middle(found, at(when)) - mpf(value)) < mpf("1e-17")


# exponentialRampToValueAtTime: V0 (V1/V0)^((t - T0)/(T1 - T0)): a one-pole towards 0 with time constant (T1 - T0)/ln(V0/V1);
# the first ramp of the example climbs, so it is followed backwards from its end.
@pytest.mark.parametrize(("before", "after", "value"), [
    ("0.75", "0.05", "0.19364916731037084426"), ("0.75", "0.552132183035133538", "0.64350535139682416902")])
def test_exponential_ramps_of_the_w3c_example(before: str, after: str, value: str) -> None:
    tau = Fraction(mp.nstr(mpf("0.1") / mp.log(mpf(before) / mpf(after)), 40))
    found = smoothing.one_pole(None, script(4800, (0, "target", 0)), seconds=tau, start=before)

    assert abs(middle(found, at("0.05")) - mpf(value)) < mpf("1e-17")
    assert abs(middle(found, at("0.1")) - mpf(after)) < mpf("1e-17")


# The one-pole of a time constant has the pole exp(-1/(tau rate)): the step-invariant form of first-order textbooks.
POLES: Mapping[int, tuple[str, str, str]] = {
    44_100: ("0.97757942525915261581", "0.99773499530692046499", "0.99977326833789466567"),
    48_000: ("0.97938218133124016326", "0.99791883529929925069", "0.99979168836654859315")}


@pytest.mark.parametrize("rate", sorted(POLES))
def test_poles_of_time_constants(rate: int) -> None:
    for tau, pole in zip(("1/1000", "1/100", "1/10"), POLES[rate], strict=True):
        found = smoothing.one_pole(None, script(2, (0, "target", 0), rate=Fraction(rate)), seconds=tau, start=1)

        assert abs(middle(found, 0) - mpf(pole)) < mpf("1e-20")
        assert abs(middle(found, 1) - mpf(pole) ** 2) < mpf("1e-19")


# A step after tau rate samples stands at 1 - 1/e exactly; the 10 to 90 % rise takes ln 9 = 2.1972245773362193828 tau.
def test_step_response_of_the_one_pole() -> None:
    found = smoothing.one_pole(None, script(4000, (0, "target", 1)), seconds="1/100")
    values = found.screen()[0]
    rise = int((values < 0.9).sum()) - int((values < 0.1).sum())

    assert abs(middle(found, 479) - mpf("0.632120558828558")) < mpf("1e-15")
    assert abs(rise - 480 * 2.1972245773362193828) <= 1


# -60 dB after ln 1000 = 6.9077552789821370521 time constants (6.91 in textbooks on signal processing).
def test_sixty_decibels_of_the_one_pole() -> None:
    found = smoothing.one_pole(None, script(3400, (0, "target", 0)), seconds="1/100", start=1)
    place = int(480 * 6.9077552789821370521)

    assert middle(found, place - 1) >= mpf("0.001") > middle(found, place)


# M. Puckette, Theory and Technique of Electronic Music, 8.3: far below 1 the half-power cutoff is about 1 - p rad/sample.
def test_small_angle_rule_of_the_cutoff() -> None:
    found = smoothing.one_pole(None, script(1, (0, "target", 1)), cutoff_hz=10)
    coefficient = float(middle(found, 0))
    half_power = np.arccos(1 - coefficient**2 / (2 * (1 - coefficient)))  # |H| of a/(1 - p/z) is 1/sqrt 2

    assert coefficient == pytest.approx(2 * np.pi * 10 / 48_000, rel=1e-3)
    assert half_power == pytest.approx(coefficient, rel=2e-3)


# SciPy: signal.lfilter([1 - p], [1, -p], x) is the same recurrence; its value 479 of a step is 0.6321205588285566.
@pytest.mark.parametrize("seconds", ["1/1000", "1/100", "3/2"])
def test_one_pole_equals_scipy_on_a_stream(seconds: str) -> None:
    signal = pytest.importorskip("scipy.signal", reason="needs scipy")
    stream = np.random.default_rng(7).uniform(-1, 1, 5000)
    found = smoothing.one_pole(None, Script(5000, RATE, (), {"target": stream}), seconds=seconds)
    ctx = IntervalContext(100)
    pole = float(ctx.exp(-1 / (ctx.number(seconds) * ctx.number(RATE))).ends()[0])
    wanted, bound = found.screen()

    assert np.abs(wanted - signal.lfilter([1 - pole], [1, -pole], stream)).max() < 1e-12
    assert bound.max() < 1e-10


def test_step_of_the_one_pole_equals_the_scipy_run() -> None:
    found = smoothing.one_pole(None, script(480, (0, "target", 1)), seconds="1/100")

    assert found.screen()[0][479] == pytest.approx(0.6321205588285566, abs=2e-15)


def test_moving_average_equals_scipy() -> None:
    signal = pytest.importorskip("scipy.signal", reason="needs scipy")
    stream = np.random.default_rng(8).uniform(-1, 1, 3000)
    found = smoothing.moving_average(None, Script(3000, RATE, (), {"target": stream}), length_samples=19)

    assert np.abs(found.screen()[0] - signal.lfilter(np.full(19, 1 / 19), [1.0], stream)).max() < 1e-13


# Stream and events are two ways to the same answer.
def test_stream_and_events_agree() -> None:
    stream = np.concatenate([np.full(300, 0.5), np.full(700, -0.25)])
    events = ((0, "target", Fraction(1, 2)), (300, "target", Fraction(-1, 4)))
    for make in (lambda s: smoothing.one_pole(None, s, seconds="1/200"), lambda s: smoothing.slew(None, s, per_second=90)):
        by_stream = make(Script(1000, RATE, (), {"target": stream}))
        by_events = make(Script(1000, RATE, events))

        assert np.abs(by_stream.screen()[0] - by_events.screen()[0]).max() < 1e-12
        assert by_stream.exact(777)[0] <= by_events.exact(777)[1] and by_events.exact(777)[0] <= by_stream.exact(777)[1]


# An exact value must not lose the tail of a time that is far shorter than a sample, or far longer than a script.
def test_very_short_and_very_long_time_constants_keep_their_digits() -> None:
    short = smoothing.one_pole(None, script(2, (0, "target", 1)), seconds=Fraction(1, 48_000 * 60))
    long = smoothing.one_pole(None, script(2, (0, "target", 1)), seconds=10**12)

    assert abs(1 - middle(short, 0) - mp.exp(-60)) < mpf("1e-35")
    assert abs(middle(long, 0) * 48_000 * 10**12 - 1) < mpf("1e-16")
    assert long.screen()[1].max() < 1e-14


# First-order recurrence: each step of the way keeps 1 - a of the distance, with the a in force.
@pytest.mark.parametrize("is_stream", [False, True])
def test_a_one_pole_whose_coefficient_changes_on_the_way(is_stream: bool) -> None:
    events = [(10, "coefficient", "1/4"), (20, "coefficient", "1/8")]
    if is_stream:
        asked = Script(40, RATE, tuple((k, name, Fraction(value)) for k, name, value in events), {"target": np.ones(40)})
    else:
        asked = script(40, (0, "target", 1), *events)
    found = smoothing.one_pole(None, asked, coefficient="1/2")
    wanted, bound = found.screen()

    for sample in (0, 9, 10, 19, 20, 39):
        steps = [min(sample + 1, 10), min(max(0, sample - 9), 10), max(0, sample - 19)]
        kept = mpf("0.5") ** steps[0] * mpf("0.75") ** steps[1] * mpf("0.875") ** steps[2]
        assert abs(middle(found, sample) - (1 - kept)) < mpf("1e-30")
        assert abs(wanted[sample] - (1 - kept)) <= bound[sample] < 1e-12


def test_a_coefficient_may_wait_for_the_next_target() -> None:
    asked = script(40, (0, "target", 1), (10, "coefficient", "1/4"), (20, "target", 0))
    found = smoothing.one_pole(None, asked, coefficient="1/2", changes="next segment")

    assert abs(middle(found, 19) - (1 - mpf("0.5") ** 20)) < mpf("1e-30")
    assert abs(middle(found, 21) - (1 - mpf("0.5") ** 20) * mpf("0.75") ** 2) < mpf("1e-30")


def test_a_ramp_whose_time_changes_on_the_way() -> None:
    asked = script(2000, (0, "target", 1), (240, "seconds", "1/50"), (1800, "seconds", "1/10"))
    later = smoothing.ramp(None, asked, seconds="1/100")
    now = smoothing.ramp(None, asked, seconds="1/100", changes="now")

    assert abs(middle(later, 239) - mpf("0.5")) < mpf("1e-30")
    assert [middle(later, k) for k in (480, 1999)] == [1, 1]
    assert abs(middle(now, 479) - (mpf("0.5") + mpf("0.5") * 240 / 960)) < mpf("1e-30")
    assert [middle(now, k) for k in (1200, 1999)] == [1, 1]
