"""Smoothing: one-pole, linear ramp, slew limit, moving average; control rate to audio rate.

Conventions. The target is an input stream or an event of the given name. One sample's output already contains that
sample's step. A one-pole is given by its coefficient a in y += a (x - y), by its time constant (it covers 63.2 % of
a step in it: a = 1 - exp(-1/(seconds rate))) or by its cutoff (a = 1 - exp(-2 pi cutoff/rate)). A ramp takes its
time for every change, whatever its size; a slew limit moves at most so much per second. A parameter that an event of
its name changes takes effect with its sample (changes="now": for a ramp, the rest of the way takes the new time), or
with the next target (changes="next segment", which a stream does not have: there it is always with its sample).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from fractions import Fraction
from math import ceil
from typing import Any

import numpy as np

from reference.errors import DomainError
from reference.limits import not_negative
from reference.rationals import RationalContext
from reference.recurrences import MovingAverage, OnePole, Slew, StreamTrajectory
from reference.state_space import Matrices
from reference.trajectories import EDGE, Plan, Script, Trajectory, double
from reference.varying_settings import VaryingSystem


def _coefficient(script: Script, coefficient: Any, seconds: Any, cutoff_hz: Any) -> Callable[[Any], Any]:
    given = [value for value in (coefficient, seconds, cutoff_hz) if value is not None]
    if len(given) != 1:
        raise DomainError("give one of coefficient, seconds and cutoff_hz")
    number = RationalContext().number(given[0])
    if number <= 0 or (coefficient is not None and number > 1):
        raise DomainError("a one-pole has a time or cutoff above 0, or a coefficient above 0 and at most 1; "
                          f"got {float(number):g}")
    rate = script.sample_rate_hz

    name = "coefficient" if coefficient is not None else "seconds" if seconds is not None else "cutoff_hz"
    return lambda ctx: _coefficient_of(ctx, name, given[0], rate)


def _coefficient_of(ctx: Any, name: str, number: Any, rate: Fraction) -> Any:
    """a, from a setting of this name."""
    if name == "coefficient":
        return ctx.number(number)
    if name == "seconds":
        return 1 - ctx.exp(-1 / (ctx.number(number) * ctx.number(rate)))
    return 1 - ctx.exp(-2 * ctx.pi * ctx.number(number) / ctx.number(rate))


def _log2_ratio(script: Script, coefficient: Any, seconds: Any, cutoff_hz: Any) -> Callable[[Any], Any]:
    """log2(1 - a), straight from time or cutoff: 1 - a would lose digits for long times and be 0 for short ones."""

    def ratio(ctx: Any) -> Any:
        if coefficient is not None:
            return ctx.log2(1 - ctx.number(coefficient))
        rate = ctx.number(script.sample_rate_hz)
        if seconds is not None:
            return -1 / (ctx.number(seconds) * rate * ctx.log(ctx.number(2)))
        return -2 * ctx.pi * ctx.number(cutoff_hz) / (rate * ctx.log(ctx.number(2)))

    return ratio


def one_pole(ctx: Any, script: Script, *, target: str = "target", coefficient: Any = None, seconds: Any = None,
             cutoff_hz: Any = None, start: Any = 0, changes: str = "now") -> Trajectory | StreamTrajectory:
    """y += a (x - y) once per sample: what a step leaves after k samples is (1 - a)^k of it.

    Shape:   script to trajectory; target: name of the stream or event that holds x; coefficient, seconds or cutoff_hz: a
             number, or an event or a stream of this name; changes: "now" or "next segment" (see the module).
    Unit:    seconds in s, cutoff_hz in Hz, coefficient per sample; start and result in the target's unit.
    Domain:  0 < a <= 1.
    Error:   enclosed; the screen states its bound.
    Source:  first-order recurrence; tests/external/test_smoothing.py.

    >>> from fractions import Fraction
    >>> s = Script(3, Fraction(10), ((0, "target", Fraction(1)),))
    >>> t = one_pole(None, s, coefficient="1/2")
    >>> [float(t.exact(k)[0]) for k in range(3)]
    [0.5, 0.75, 0.875]
    """
    first, at_once = RationalContext().number(start), _is_now(changes)
    given = {"coefficient": coefficient, "seconds": seconds, "cutoff_hz": cutoff_hz}
    a = _coefficient(script, **given)
    own = next(name for name, value in given.items() if value is not None)
    if target in script.streams and own in script.streams:
        return _with_stream(script, target, own, given, first)
    if target in script.streams:
        changed = [(sample, value) for sample, name, value in script.events if name == own]
        later = [(sample, _coefficient(script, **{**given, own: value})) for sample, value in changed]
        return OnePole(script, script.streams[target], a, first, later)

    def build(plan: Plan) -> None:
        plan.hold("rest", 0, first)
        number, wanted = given[own], None
        for sample, name, value in script.events:
            if name == own:
                number = value
                _coefficient(script, **{**given, own: number})  # refuses what is no one-pole
            if name == target:
                wanted = value
            if wanted is None or not (name == target or (name == own and at_once)):
                continue
            if own == "coefficient" and RationalContext().number(number) == 1:
                plan.hold("settling", sample, wanted)
            else:
                ratio = _log2_ratio(script, **{**given, own: number})(plan.ctx)
                plan.decay("settling", sample, plan.value(sample - 1) if sample else first, ratio, wanted)

    return Trajectory(script, build)


def _with_stream(script: Script, target: str, own: str, given: Mapping[str, Any], start: Fraction) -> VaryingSystem:
    """The same with a setting of its own for each sample; the start level comes in before the first one."""
    if Fraction(float(start)) != start:
        raise DomainError("a start level beside a setting that is a stream is a number of binary64")
    before = np.zeros(script.samples)
    before[:1] = float(start)

    def matrices(ctx: Any, number: Any) -> Matrices:
        a = _coefficient_of(ctx, own, number, script.sample_rate_hz)
        keep, nothing = 1 - a, ctx.number(0)
        return (keep, nothing, nothing, nothing), ((a, nothing), (keep, nothing)), (keep, nothing), (a, keep)

    return VaryingSystem(script, np.stack([script.streams[target], before], axis=1), matrices, lambda now: (now[own],),
                         [(0, given)], {own: script.streams[own]})


def _is_now(changes: str) -> bool:
    """Whether a parameter takes effect in the middle of a way."""
    if changes not in ("now", "next segment"):
        raise DomainError(f'changes is "now" or "next segment"; got {changes!r}')
    return changes == "now"


def ramp(ctx: Any, script: Script, *, target: str = "target", seconds: Any = "1/100", start: Any = 0,
         changes: str = "next segment") -> Trajectory:
    """A straight line from where the output is to each new target, in a fixed time.

    Shape:   script to Trajectory; target: the event that holds the new level; seconds: number, or sent as an event;
             changes: "now" or "next segment" (see the module).
    Unit:    seconds in s; start and result in the target's unit.
    Domain:  seconds >= 0; 0 arrives with the next sample.
    Error:   enclosed; the screen states its bound.
    Source:  definition, as W3C Web Audio linearRampToValueAtTime; tests/external/test_smoothing.py.

    >>> from fractions import Fraction
    >>> s = Script(5, Fraction(4), ((0, "target", Fraction(2)),))
    >>> [float(ramp(None, s, seconds=1).exact(k)[0]) for k in range(5)]
    [0.5, 1.0, 1.5, 2.0, 2.0]
    """
    exact = RationalContext()
    first, standard, at_once = exact.number(start), not_negative(seconds, "seconds"), _is_now(changes)

    def build(plan: Plan) -> None:
        plan.hold("rest", 0, first)
        time, wanted, arrives = standard, None, 0
        for sample, name, given in script.events:
            if name == "seconds":
                time = not_negative(given, "seconds")
            if name == target:
                wanted = given
            if wanted is None or not (name == target or (name == "seconds" and at_once and sample < arrives)):
                continue
            value, arrives = wanted, 0
            level = plan.value(sample - 1) if sample else plan.number(first)
            samples = Fraction(time) * script.sample_rate_hz
            distance = plan.number(value) - level
            if samples <= 1 or abs(double(distance)[0]) < 2.0**-60:
                plan.hold("rest", sample, value)
                continue
            plan.line("moving", sample, level, distance / plan.ctx.number(samples), value)
            arrives = plan.decide(sample + ceil(samples), "end of the ramp")
            plan.hold("rest", arrives, value)

    return Trajectory(script, build)


def slew(ctx: Any, script: Script, *, target: str = "target", per_second: Any = 1, start: Any = 0) -> Trajectory | Slew:
    """The output follows the target by at most so much per second.

    Shape:   script to trajectory; target: name of the stream or event.
    Unit:    per_second in the target's unit per s; start and result in the target's unit.
    Domain:  per_second > 0.
    Error:   enclosed; the screen states its bound.
    Source:  definition; tests/external/test_smoothing.py.

    >>> from fractions import Fraction
    >>> s = Script(3, Fraction(10), ((0, "target", Fraction(1)),))
    >>> [float(slew(None, s, per_second=4).exact(k)[0]) for k in range(3)]
    [0.4, 0.8, 1.0]
    """
    exact = RationalContext()
    step, first = exact.number(per_second) / script.sample_rate_hz, exact.number(start)
    if step <= 0:
        raise DomainError("a slew limit lies above zero")
    if target in script.streams:
        return Slew(script, script.streams[target], step, first)

    def build(plan: Plan) -> None:
        plan.hold("rest", 0, first)
        for sample, name, value in script.events:
            if name != target:
                continue
            level = plan.value(sample - 1) if sample else plan.number(first)
            distance = plan.number(value) - level
            middle, _ = double(distance)
            if abs(middle) <= float(step):
                plan.hold("rest", sample, value)
                continue
            plan.line("moving", sample, level, step if middle > 0 else -step, value)
            plan.hold("rest", plan.decide(sample + ceil(abs(middle) / float(step) - EDGE), "target reached"), value)

    return Trajectory(script, build)


def moving_average(ctx: Any, script: Script, *, target: str = "target", length_samples: int = 8) -> MovingAverage:
    """Mean of the last length_samples values of a stream; before the first the stream was zero.

    Shape:   script to trajectory; target: name of the stream.
    Unit:    that of the stream.
    Domain:  length_samples >= 1.
    Error:   exact; the screen states its bound.
    Source:  definition; tests/external/test_smoothing.py.

    >>> import numpy as np
    >>> from fractions import Fraction
    >>> s = Script(3, Fraction(10), (), {"target": np.array([1.0, 1.0, 4.0])})
    >>> [float(moving_average(None, s, length_samples=2).exact(k)[0]) for k in range(3)]
    [0.5, 1.0, 2.5]
    """
    if not isinstance(length_samples, int) or length_samples < 1:
        raise DomainError("a moving average has at least one sample")
    if target not in script.streams:
        raise DomainError(f"moving_average needs the stream {target!r}")
    return MovingAverage(script, script.streams[target], length_samples)
