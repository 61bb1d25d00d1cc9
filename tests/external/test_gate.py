"""Gates against definitions, worked by hand, and against the W3C clamping example."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np
import pytest

from reference import gate, smoothing
from reference.errors import DomainError
from reference.trajectories import Script

RATE = Fraction(48_000)


def stream(name: str, values: list[float] | np.ndarray, rate: Fraction = RATE) -> Script:
    """A script of one input."""
    return Script(len(values), rate, (), {name: np.asarray(values, np.float64)})


# Hysteresis of a Schmitt trigger: on at the high level, off at the low one, nothing in between.
def test_threshold_keeps_its_state_between_the_levels() -> None:
    volts = [0.0, 1.5, 1.6, 1.3, 1.21, 1.2, 1.3, 1.6]

    found = gate.threshold(None, stream("volts", volts), low="1.2", high="1.6").screen()[0].tolist()

    # 1.6 in binary64 lies just above 8/5 and 1.2 just below 6/5: both switch.
    assert [0.0, 0.0, 1.0, 1.0, 1.0, 0.0, 0.0, 1.0] == found


@pytest.mark.parametrize(("value", "on"), [(2.0, 1.0), (np.nextafter(2.0, 0), 0.0)])
def test_the_levels_themselves_belong_to_on_and_off(value: float, on: float) -> None:
    assert on == gate.threshold(None, stream("volts", [value]), low=1, high=2).screen()[0][0]


def test_in_the_band_both_readings_are_right_until_they_meet_again() -> None:
    found = gate.threshold(None, stream("volts", [0.0, 1.95, 1.5, 0.0, 3.0]), low=1, high=2, band="1/10")
    span = found.span()
    assert span is not None

    assert span[0].tolist() == [0, 0, 0, 0, 1]
    assert span[1].tolist() == [0, 1, 1, 0, 1]


# W3C Web Audio API, "AudioParam value clamping": 0 at 0 s, linear to 4 at 1 s, to 0 at 2 s:
# above 1 from 0.25 to 1.75 s.
def test_times_at_which_the_w3c_clamping_example_crosses_one() -> None:
    rate = Fraction(1000)
    events = ((0, "target", Fraction(4)), (1000, "target", Fraction(0)))
    ramp = smoothing.ramp(None, Script(2000, rate, events), seconds=1).screen()[0]
    found = gate.threshold(None, stream("volts", np.round(ramp, 9), rate), low=1, high=1).screen()[0]

    # Sample k is the value at (k + 1)/rate: reached with sample 249, left behind sample 1749.
    assert np.flatnonzero(np.diff(found)).tolist() == [248, 1749]


def test_each_edge_gives_one_pulse() -> None:
    values = np.random.default_rng(3).integers(0, 2, 5000)
    found = gate.edges(None, stream("gate", values)).screen()[0]

    assert found.sum() == ((values[1:] == 1) & (values[:-1] == 0)).sum() + values[0]
    assert gate.edges(None, stream("gate", values), latency_samples=2).screen()[0][2:].tolist() == found[:-2].tolist()


@pytest.mark.parametrize(("rate", "samples"), [(48_000, 96), (44_100, 88), (96_000, 192)])
def test_minimum_pulse_counts_whole_samples_of_its_time(rate: int, samples: int) -> None:
    # 2 ms are 96, 88.2 and 192 samples; one more or less is right as well.
    found = gate.minimum_pulse(None, stream("gate", [1.0] + [0.0] * 400, Fraction(rate)), seconds="2/1000")
    span = found.span()
    assert span is not None

    assert int(found.screen()[0].sum()) == samples
    assert (int(span[0].sum()), int(span[1].sum())) == (samples - 1, samples + 1)


def test_a_longer_gate_is_left_alone() -> None:
    values = [0.0] * 5 + [1.0] * 300 + [0.0] * 50
    found = gate.minimum_pulse(None, stream("gate", values), seconds="2/1000")

    assert found.screen()[0].tolist() == values


def slow_debounce(values: np.ndarray, samples: int) -> list[float]:
    """The definition, sample by sample."""
    state, run, found = False, 0, []
    for value in values:
        run = run + 1 if bool(value) != state else 0
        if run >= samples:
            state, run = bool(value), 0
        found.append(float(state))
    return found


@pytest.mark.parametrize("samples", [1, 2, 5])
def test_debounce_equals_its_definition(samples: int) -> None:
    values = (np.random.default_rng(samples).integers(0, 6, 3000) > 2).repeat(2)

    assert slow_debounce(values, samples) == gate.debounce(None, stream("gate", values), samples=samples).screen()[0].tolist()


def test_divider_and_period_of_a_steady_clock() -> None:
    # 120 per minute at 1 kHz: an edge every 500 samples; by 4 one every 2000.
    clock = np.tile([1.0] * 50 + [0.0] * 450, 20)
    rate = Fraction(1000)

    assert np.flatnonzero(gate.divider(None, stream("gate", clock, rate), by=4).screen()[0]).tolist() == [
        0, 2000, 4000, 6000, 8000]
    period = gate.period(None, stream("gate", clock, rate)).screen()[0]
    assert (set(period[:500]), set(period[500:])) == ({0.0}, {500.0})


# The lamp decays by 60 dB in its time: a factor of 1000.
def test_lamp_holds_and_then_loses_60_db() -> None:
    script = Script(2000, Fraction(1000), ((0, "strike", Fraction(1)),))
    found = gate.lamp(None, script, hold="1/10", decay=1)

    assert found.exact(99) == (1, 1)
    low, high = found.exact(1099)
    assert low <= Fraction(1, 1000) <= high
    assert high - low < Fraction(1, 10**30)


def test_a_gate_that_comes_and_goes_within_one_sample_counts_as_the_sheet_says() -> None:
    events = ((2, 1), (5, 0), (5, 1), (7, 0), (9, 1), (9, 0))
    script = Script(16, Fraction(10), tuple((k, "gate", Fraction(v)) for k, v in events))

    for word, wanted in (("edge", [2, 5, 9]), ("level", [2])):
        assert np.flatnonzero(gate.edges(None, script, same_sample=word).screen()[0]).tolist() == wanted
        assert np.flatnonzero(gate.divider(None, script, by=1, same_sample=word).screen()[0]).tolist() == wanted
    held = gate.period(None, script, same_sample="edge").screen()[0]
    assert held[[4, 5, 8, 9]].tolist() == [0, 3, 3, 4]
    assert gate.minimum_pulse(None, script, seconds="3/10", same_sample="edge").screen()[0][9:13].tolist() == [1, 1, 1, 0]
    for words in ({}, {"same_sample": "both"}):
        with pytest.raises(DomainError, match="same_sample"):
            gate.edges(None, script, **words)


@pytest.mark.parametrize(("function", "constants", "words"), [
    (gate.minimum_pulse, {"seconds": -1}, "seconds lies at or above 0"),
    (gate.debounce, {"samples": 0}, "samples is a whole number of at least 1"),
    (gate.debounce, {"samples": "5/2"}, "samples is a whole number"),
    (gate.divider, {"by": 0}, "by is a whole number of at least 1"),
    (gate.divider, {"by": 2, "first": 0}, "first is a whole number of at least 1"),
    (gate.edges, {"latency_samples": -1}, "latency_samples is a whole number of at least 0"),
    (gate.lamp, {"source": "gate", "hold": -1}, "hold lies at or above 0"),
    (gate.lamp, {"source": "gate", "decay": 0}, "decay lies above 0"),
])  # fmt: skip
def test_times_and_counts_that_cannot_be_meant_are_refused(function: Any, constants: dict[str, Any], words: str) -> None:
    found = Script(20, Fraction(1000), ((3, "gate", Fraction(1)), (9, "gate", Fraction(0)), (12, "gate", Fraction(1))))

    with pytest.raises(DomainError, match=words):
        function(None, found, **constants)
