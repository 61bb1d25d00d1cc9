"""Gates: threshold with hysteresis, minimum pulse, debounce, edges, clock period, divider, lamp.

Conventions. A gate is 0 or 1. A threshold turns on at or above its high level and off at or below its low level;
between them it keeps its state; it starts off. Values within `band` of a level may go either way, and so may every
sample until the two readings meet again (the least and the most right value are given). An edge is the first sample
of an on-stretch; same_sample says what a gate counts for that events switch on and off within one sample (see edges_of).
Times in seconds count in samples, rounded down unless stated; one sample more or less is right as well.
"""

from __future__ import annotations

import itertools
from fractions import Fraction
from math import floor
from typing import Any

import numpy as np

from reference.errors import DomainError
from reference.limits import above_zero, not_negative, whole
from reference.rationals import RationalContext
from reference.recurrences import Steps, stream_or_events
from reference.trajectories import Plan, Script, Trajectory

SAME_SAMPLE = ("", "edge", "level")


def hysteresis(stream: np.ndarray, low: Fraction, high: Fraction) -> np.ndarray:
    """State per sample: 1 from a value >= high on, 0 from a value <= low on; exact comparisons.

    Shape:   stream float64[n]; result bool[n].
    Unit:    that of the stream.
    Domain:  low <= high.
    Error:   none.
    Source:  definition.

    >>> hysteresis(np.array([0.0, 2.0, 1.0, 0.0]), Fraction(1, 2), Fraction(3, 2)).tolist()
    [False, True, True, False]
    """
    on, off = _at_least(stream, high), _at_most(stream, low)
    marks = np.where(on, 1, np.where(off, 0, -1))
    places = np.where(marks >= 0, np.arange(len(stream)), -1)
    places = np.maximum.accumulate(places)
    return np.where(places >= 0, marks[np.maximum(places, 0)] == 1, False)


def _at_least(values: np.ndarray, limit: Fraction) -> np.ndarray:
    nearest = float(limit)
    return np.asarray(values > nearest if Fraction(nearest) < limit else values >= nearest)


def _at_most(values: np.ndarray, limit: Fraction) -> np.ndarray:
    nearest = float(limit)
    return np.asarray(values < nearest if Fraction(nearest) > limit else values <= nearest)


def threshold(ctx: Any, script: Script, *, source: str = "volts", low: Any, high: Any, band: Any = 0) -> Steps:
    """A gate from a voltage, with hysteresis.

    Shape:   script to trajectory; source: stream or event that holds the voltage.
    Unit:    low, high, band in the source's unit; result 0 or 1.
    Domain:  low <= high; band >= 0, the accuracy with which the firmware can hold its levels.
    Error:   none outside the band.
    Source:  definition; tests/external/test_gate.py.

    >>> s = Script(3, Fraction(10), (), {"volts": np.array([0.0, 2.0, 1.0])})
    >>> threshold(None, s, low=1, high="3/2").screen()[0].tolist()
    [0.0, 1.0, 0.0]
    """
    exact = RationalContext()
    bottom, top, width = exact.number(low), exact.number(high), exact.number(band)
    if bottom > top or width < 0:
        raise DomainError("a threshold has low <= high and a band of at least 0")
    stream = stream_or_events(script, source, Fraction(0))
    wanted = hysteresis(stream, bottom, top)
    if not width:
        return Steps(script, wanted)
    # Any firmware whose levels lie within the band is never on where the reluctant one is off, and so on.
    eager, reluctant = hysteresis(stream, bottom - width, top - width), hysteresis(stream, bottom + width, top + width)
    return Steps(script, wanted, reluctant, eager)


def _gate(script: Script, source: str) -> np.ndarray:
    return stream_or_events(script, source, Fraction(0)) != 0


def rising_edges(gate: np.ndarray) -> np.ndarray:
    """Samples at which a gate goes on.

    Shape:   bool[n] to int[k].
    Unit:    samples.
    Domain:  any.
    Error:   none.
    Source:  definition.

    >>> rising_edges(np.array([True, False, True])).tolist()
    [0, 2]
    """
    return np.flatnonzero(gate & ~np.concatenate([[False], gate[:-1]]))


def edges_of(script: Script, source: str, same_sample: str) -> np.ndarray:
    """Samples of rising edges; a sample in which a gate sent by events goes on twice comes twice.

    Shape:   script to int[k]; same_sample: "edge" where each event counts, "level" where the last one of a sample does.
    Unit:    samples.
    Domain:  where nothing is said, a gate whose events come and go within one sample raises DomainError.
    Error:   none.
    Source:  definition; tests/external/test_gate.py.

    >>> s = Script(4, Fraction(10), ((0, "gate", Fraction(1)), (2, "gate", Fraction(0)), (2, "gate", Fraction(1))))
    >>> edges_of(s, "gate", "edge").tolist(), edges_of(s, "gate", "level").tolist()
    ([0, 2], [0])
    """
    if same_sample not in SAME_SAMPLE:
        raise DomainError(f'same_sample is "edge" or "level"; got {same_sample!r}')
    levels = rising_edges(_gate(script, source))
    if source in script.streams or same_sample == "level":
        return levels
    found, on = [], False
    for sample, name, value in script.events:
        if name == source:
            if value != 0 and not on:
                found.append(sample)
            on = value != 0
    if not same_sample and found != levels.tolist():
        raise DomainError(f'{source} comes and goes within one sample: say in constants whether each event counts '
                          '(same_sample="edge") or only what the last one leaves ("level")')
    return np.array(found, np.int64)


def edges(ctx: Any, script: Script, *, source: str = "gate", latency_samples: int = 0, same_sample: str = "") -> Steps:
    """A pulse of one sample at each rising edge.

    Shape:   script to trajectory; source: stream or event.
    Unit:    result 0 or 1; latency in samples.
    Domain:  latency_samples >= 0.
    Error:   none.
    Source:  definition; tests/external/test_gate.py.

    >>> s = Script(4, Fraction(10), ((1, "gate", Fraction(1)), (3, "gate", Fraction(0))))
    >>> edges(None, s).screen()[0].tolist()
    [0.0, 1.0, 0.0, 0.0]
    """
    wanted = np.zeros(script.samples)
    places = edges_of(script, source, same_sample) + whole(latency_samples, "latency_samples", 0)
    wanted[places[places < script.samples]] = 1
    return Steps(script, wanted)


def minimum_pulse(ctx: Any, script: Script, *, source: str = "gate", seconds: Any, same_sample: str = "") -> Steps:
    """The gate, each on-stretch made at least so long.

    Shape:   script to trajectory; source: stream or event.
    Unit:    seconds in s; result 0 or 1.
    Domain:  seconds >= 0; a new edge inside the pulse starts it again.
    Error:   the pulse's last sample is free by one either way.
    Source:  definition; tests/external/test_gate.py.

    >>> s = Script(6, Fraction(10), ((0, "gate", Fraction(1)), (1, "gate", Fraction(0))))
    >>> minimum_pulse(None, s, seconds="3/10").screen()[0].tolist()
    [1.0, 1.0, 1.0, 0.0, 0.0, 0.0]
    """
    least = floor(not_negative(seconds, "seconds") * script.sample_rate_hz)
    gate = _gate(script, source)
    wanted, low, high = gate.copy(), gate.copy(), gate.copy()
    for start in edges_of(script, source, same_sample):
        end = start + max(1, least)
        wanted[start:end] = True
        low[start : max(start + 1, end - 1)] = True
        high[start : end + 1] = True
    return Steps(script, wanted, low, high)


def debounce(ctx: Any, script: Script, *, source: str = "gate", samples: int) -> Steps:
    """Follows the gate only after it has kept its new state for so many samples, the changing one included.

    Shape:   script to trajectory; source: stream or event.
    Unit:    samples; result 0 or 1.
    Domain:  samples >= 1.
    Error:   none.
    Source:  definition; tests/external/test_gate.py.

    >>> s = Script(5, Fraction(10), ((1, "gate", Fraction(1)),))
    >>> debounce(None, s, samples=2).screen()[0].tolist()
    [0.0, 0.0, 1.0, 1.0, 1.0]
    """
    gate, state, samples = _gate(script, source), False, whole(samples, "samples", 1)
    wanted = np.zeros(script.samples)
    starts = np.flatnonzero(np.concatenate([[True], gate[1:] != gate[:-1]])) if len(gate) else np.zeros(0, int)
    ends = np.append(starts[1:], len(gate))
    for start, end in zip(starts, ends, strict=True):
        wanted[start:end] = state
        if bool(gate[start]) != state and end - start >= samples:
            state = bool(gate[start])
            wanted[start + samples - 1 : end] = state
    return Steps(script, wanted)


def divider(ctx: Any, script: Script, *, source: str = "gate", by: int, first: int = 1, same_sample: str = "") -> Steps:
    """A pulse of one sample at every by-th rising edge; `first` is the number of the first edge that gives one.

    Shape:   script to trajectory; source: stream or event.
    Unit:    result 0 or 1.
    Domain:  by >= 1, first >= 1.
    Error:   none.
    Source:  definition; tests/external/test_gate.py.

    >>> s = Script(4, Fraction(10), (), {"gate": np.array([1.0, 0.0, 1.0, 0.0])})
    >>> divider(None, s, by=2, first=2).screen()[0].tolist()
    [0.0, 0.0, 1.0, 0.0]
    """
    wanted = np.zeros(script.samples)
    start = whole(first, "first", 1) - 1
    wanted[edges_of(script, source, same_sample)[start :: whole(by, "by", 1)]] = 1
    return Steps(script, wanted)


def period(ctx: Any, script: Script, *, source: str = "gate", same_sample: str = "") -> Steps:
    """Samples between the last two rising edges, held; 0 before the second edge.

    Shape:   script to trajectory; source: stream or event.
    Unit:    samples.
    Domain:  any.
    Error:   none.
    Source:  definition; tests/external/test_gate.py.

    >>> s = Script(5, Fraction(10), (), {"gate": np.array([1.0, 0.0, 0.0, 1.0, 0.0])})
    >>> period(None, s).screen()[0].tolist()
    [0.0, 0.0, 0.0, 3.0, 3.0]
    """
    wanted = np.zeros(script.samples)
    places = edges_of(script, source, same_sample)
    for before, now in itertools.pairwise(places):
        wanted[now:] = now - before
    return Steps(script, wanted)


def lamp(ctx: Any, script: Script, *, source: str = "strike", hold: Any = 0, decay: Any = 1, peak: Any = 1) -> Trajectory:
    """Full at each strike, held for a time, then decaying to 0 by 60 dB in another time.

    Shape:   script to Trajectory; source: the event that strikes.
    Unit:    hold, decay in s; peak and result in full scale.
    Domain:  hold >= 0, decay > 0.
    Error:   enclosed; the screen states its bound.
    Source:  definition; tests/external/test_gate.py.

    >>> s = Script(3, Fraction(10), ((0, "strike", Fraction(1)),))
    >>> [float(lamp(None, s, hold="2/10").exact(k)[0]) for k in range(2)]
    [1.0, 1.0]
    """
    held, falling, full = not_negative(hold, "hold"), above_zero(decay, "decay"), RationalContext().number(peak)

    def build(plan: Plan) -> None:
        plan.hold("dark", 0, 0)
        strikes = [sample for sample, name, value in script.events if name == source and value != 0]
        ratio = -plan.ctx.log2(plan.ctx.number(1000)) / plan.ctx.number(falling * script.sample_rate_hz)
        for number, sample in enumerate(strikes):
            plan.hold("hold", sample, full)
            end = plan.decide(sample + max(1, floor(held * script.sample_rate_hz)), "end of the hold", earliest=sample + 1)
            if number + 1 == len(strikes) or end < strikes[number + 1]:
                plan.decay("decay", end, full, ratio, 0)

    return Trajectory(script, build)
