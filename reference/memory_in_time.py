"""Memory with state: a delay line, a millisecond tick, a sample and hold, sample by sample.

Conventions. A delay line gives at sample k what went in d samples before; before the first sample all was zero. The delay
is a constant or an event "delay"; from an event's sample on the new one counts, at once. A delay that is no whole number
is read linearly between its two neighbours. A tick counter starts at 0 (or at `start`) and wraps; sample k shows it after
k samples, or k + 1 with steps_first. A sample and hold takes its input at the sample of the event, and shows it from then on.
Limits: the input is a stream of exact binary64 numbers.
"""

from __future__ import annotations

from fractions import Fraction
from math import floor
from typing import Any

import numpy as np

from reference.errors import DomainError
from reference.rationals import RationalContext
from reference.recurrences import Steps, StreamTrajectory
from reference.trajectories import UNIT, Script


class DelayLine(StreamTrajectory):
    """An input, late by a time that events change."""

    def __init__(self, script: Script, stream: np.ndarray, delays: list[tuple[int, Fraction]]) -> None:
        super().__init__(script)
        self.stream, self.delays = np.asarray(stream, np.float64), delays

    def values(self) -> tuple[np.ndarray, np.ndarray]:
        """Whole delays are exact; linear reading rounds three times."""
        wanted, bound = np.zeros(self.script.samples), np.zeros(self.script.samples)
        ends = [at for at, _ in self.delays[1:]] + [self.script.samples]
        for (at, delay), end in zip(self.delays, ends, strict=True):
            whole, part = floor(delay), float(delay - floor(delay))
            near, far = self.past(at, end, whole), self.past(at, end, whole + 1)
            wanted[at:end] = near + part * (far - near) if part else near
            bound[at:end] = 8 * UNIT * (np.abs(near) + np.abs(far)) if part else 0.0
        return wanted, bound

    def past(self, at: int, end: int, back: int) -> np.ndarray:
        """The input of the samples [at, end), so many samples before."""
        places = np.arange(at, end) - back
        return np.where(places >= 0, self.stream[np.maximum(places, 0)], 0.0)

    def enclosure(self, sample: int, bits: int) -> tuple[Fraction, Fraction]:
        """Exact."""
        delay = [value for at, value in self.delays if at <= sample][-1]
        whole = floor(delay)
        near, far = (Fraction(float(self.stream[sample - k])) if sample >= k else Fraction(0) for k in (whole, whole + 1))
        value = near + (delay - whole) * (far - near)
        return value, value


def delay_line(ctx: Any, script: Script, *, source: str = "x", delay: Any = 1, most_samples: Any = None) -> DelayLine:
    """The input, `delay` samples late.

    Shape:   script to trajectory; source: name of the stream; delay: number, or sent as an event "delay".
    Unit:    delay and most_samples in samples; result in the stream's unit.
    Domain:  0 <= delay; beyond most_samples the longest one is taken.
    Error:   exact, or three roundings of binary64 where it is read between samples.
    Source:  definition; linear reading as K. Atkinson, An Introduction to Numerical Analysis, chapter 3;
             scipy.signal.lfilter in tests/external/test_memory_in_time.py.

    >>> s = Script(3, Fraction(10), (), {"x": np.array([1.0, 2.0, 4.0])})
    >>> delay_line(None, s, delay="1/2").screen()[0].tolist()
    [0.5, 1.5, 3.0]
    """
    if source not in script.streams:
        raise DomainError(f"a delay line needs the stream {source!r}")
    exact = RationalContext()
    changes = [(0, exact.number(delay))] + [(at, value) for at, name, value in script.events if name == "delay"]
    if any(value < 0 for _, value in changes):
        raise DomainError("a delay lies at or above 0")
    if most_samples is not None:
        changes = [(at, min(value, exact.number(most_samples))) for at, value in changes]
    latest = {at: value for at, value in changes if at < max(1, script.samples)}
    return DelayLine(script, script.streams[source], sorted(latest.items()))


def ticks(ctx: Any, script: Script, *, ticks_per_second: Any = 1000, start: int = 0, bits: int = 32,
          steps_first: bool = False) -> Steps:
    """A tick counter: (start + floor(samples ticks_per_second/sample_rate)) mod 2**bits.

    Shape:   script to trajectory.
    Unit:    ticks (milliseconds by default).
    Domain:  ticks_per_second > 0; bits 1 to 53.
    Error:   exact.
    Source:  definition of a rate; ISO/IEC 9899, 6.2.5p9 (unsigned integers wrap); tests/external/test_memory_in_time.py.

    >>> ticks(None, Script(4, Fraction(2000)), start=2**32 - 1).screen()[0].tolist()
    [4294967295.0, 4294967295.0, 0.0, 0.0]
    """
    rate = RationalContext().number(ticks_per_second) / script.sample_rate_hz
    if rate <= 0 or not 1 <= bits <= 53:
        raise DomainError("ticks_per_second lies above 0, bits are 1 to 53")
    count = [(k + steps_first) * rate.numerator // rate.denominator for k in range(script.samples)]
    return Steps(script, np.array([(start + c) % 2**bits for c in count], np.float64))


def sample_and_hold(ctx: Any, script: Script, *, source: str = "x", when: str = "hold", start: Any = 0) -> Steps:
    """The input as it was at the last event.

    Shape:   script to trajectory; source: name of the stream; when: the event that takes a sample.
    Unit:    that of the stream.
    Domain:  any.
    Error:   exact.
    Source:  definition; tests/external/test_memory_in_time.py.

    >>> s = Script(3, Fraction(10), ((1, "hold", Fraction(1)),), {"x": np.array([1.0, 2.0, 4.0])})
    >>> sample_and_hold(None, s).screen()[0].tolist()
    [0.0, 2.0, 2.0]
    """
    if source not in script.streams:
        raise DomainError(f"a sample and hold needs the stream {source!r}")
    found = np.full(script.samples, float(RationalContext().number(start)))
    for sample, name, _ in script.events:
        if name == when and sample < script.samples:
            found[sample:] = float(script.streams[source][sample])
    return Steps(script, found)
