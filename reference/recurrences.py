"""Trajectories driven sample by sample by an input stream: one-pole, slew, average, and gates of zeros and ones.

Stream values are exact binary64 numbers. `span` gives, where a decision band lets the output be one or another, the
least and the most that is right.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from fractions import Fraction
from functools import cached_property
from typing import Any

import numpy as np

from reference.intervals import IntervalContext
from reference.near_numbers import NearContext
from reference.trajectories import UNIT, Decision, Phase, Script, double

CHUNK = 64


class StreamTrajectory:
    """What Trajectory offers, for outputs that follow a stream. Subclasses give `values` and `enclosure`."""

    decisions: tuple[Decision, ...] = ()
    phases: tuple[Phase, ...] = ()

    def __init__(self, script: Script) -> None:
        self.script = script
        self.shifts: dict[int, int] = {}

    def values(self) -> tuple[np.ndarray, np.ndarray]:
        """(wanted, bound) of all samples."""
        raise NotImplementedError

    def enclosure(self, sample: int, bits: int) -> tuple[Fraction, Fraction]:
        """Enclosure of one sample."""
        raise NotImplementedError

    @cached_property
    def _screen(self) -> tuple[np.ndarray, np.ndarray]:
        return self.values()

    def screen(self) -> tuple[np.ndarray, np.ndarray]:
        """(wanted, bound) of all samples, in binary64."""
        return self._screen

    def screen_part(self, first: int, end: int) -> tuple[np.ndarray, np.ndarray]:
        """The same for the samples [first, end)."""
        wanted, bound = self._screen
        return wanted[first:end], bound[first:end]

    def pieces(self) -> list[tuple[Any, ...]]:
        """The screen as one stretch of tables, for a compiled judge (as Trajectory.pieces; kind 3)."""
        return [table_piece(*self._screen)]

    def exact(self, sample: int, bits: int = 120) -> tuple[Fraction, Fraction]:
        """Enclosure of the right output at one sample."""
        return self.enclosure(sample, bits)

    def span(self) -> tuple[np.ndarray, np.ndarray] | None:
        """Least and most right value per sample where decision bands leave more than one; None where they do not."""
        return None

    def shifted(self, shifts: Any, until: int | None = None) -> StreamTrajectory:
        """No decision has a shift here."""
        return self


def table_piece(wanted: np.ndarray, bound: np.ndarray) -> tuple[Any, ...]:
    """All samples as one stretch of tables."""
    wanted, bound = (np.ascontiguousarray(values, np.float64) for values in (wanted, bound))
    return (0, len(wanted), 3, 0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, wanted, bound)


class OnePole(StreamTrajectory):
    """y += a (x - y) per sample, from a start level; a as a function of a context, 0 < a <= 1; later: (sample, a).

    Screen: within a chunk of 64 samples the answer to the chunk's own input, a sum with positive weights a (1-a)^k
    that add up to at most 1, is built by doubling (six sums and products, powers off by 64 u each); the level before
    the chunk decays. Errors carried over shrink by (1-a)^64 per chunk.
    """

    def __init__(self, script: Script, stream: np.ndarray, a: Callable[[Any], Any], start: Fraction,
                 later: Sequence[tuple[int, Callable[[Any], Any]]] = ()) -> None:
        super().__init__(script)
        self.stream, self.start = np.asarray(stream, np.float64), start
        self.parts = {0: a, **dict(later)}

    def values(self) -> tuple[np.ndarray, np.ndarray]:
        """Screen and bound, stretch after stretch: an error of a stretch's first level does not grow in it."""
        wanted, bound = np.empty(len(self.stream)), np.empty(len(self.stream))
        level, off = float(self.start), 2 * UNIT * abs(float(self.start))
        starts = sorted(self.parts)
        size = max(float(np.abs(self.stream).max(initial=0.0)), abs(float(self.start)))
        for begin, end in zip(starts, [*starts[1:], len(self.stream)], strict=True):
            if end > begin:
                part = slice(begin, end)
                wanted[part], own = self._stretch(self.stream[part], self.parts[begin], level, size)
                off += own
                bound[part], level = off, float(wanted[end - 1])
        return wanted, bound

    def _stretch(self, x: np.ndarray, coefficient: Callable[[Any], Any], level: float,
                 size: float) -> tuple[np.ndarray, float]:
        a, a_off = double(coefficient(NearContext()))
        count, keep = len(x), 1.0 - a
        powers = np.cumprod(np.concatenate([[1.0], np.full(CHUNK, keep)]))
        own = np.concatenate([x, np.zeros(-count % CHUNK)]).reshape(-1, CHUNK) * a
        shift = 1
        while shift < CHUNK:
            own[:, shift:] += powers[shift] * own[:, :-shift]
            shift *= 2
        levels = np.empty(len(own))
        last, decay = own[:, -1], float(powers[CHUNK])
        for number in range(len(own)):
            levels[number] = level
            level = level * decay + float(last[number])
        wanted = (own + levels[:, None] * powers[1:]).reshape(-1)[:count]
        # Per chunk: 64 products and sums, powers off by 64 u each, a off by a_off.
        per_chunk = (4 * CHUNK * UNIT + 2 * CHUNK * a_off + 2.0**-1000) * 2 * size
        carried = per_chunk / max(1.0 - decay, UNIT)
        return wanted, min(per_chunk * len(own), carried) + per_chunk

    def enclosure(self, sample: int, bits: int) -> tuple[Fraction, Fraction]:
        """Fixed-point integers with 2^-bits steps: each step adds at most one unit and |x - y| times a's own error."""
        shift = bits + 16
        one = 1 << shift
        ends = {at: a(IntervalContext(bits + 32)).ends() for at, a in self.parts.items()}
        steps = {at: int((low + high) / 2 * one) for at, (low, high) in ends.items()}
        y, a, size = int(self.start * one), 0, 1
        for k, value in enumerate(self.stream[: sample + 1]):
            a = steps.get(k, a)
            numerator, denominator = float(value).as_integer_ratio()
            x = (numerator << shift) // denominator
            size = max(size, abs(x - y))
            y += a * (x - y) >> shift
        width, least = max(high - low for low, high in ends.values()), min(low for low, _ in ends.values())
        off = Fraction(width * size + 4, one) * min(Fraction(sample + 1), 1 / least) if least > 0 else Fraction(size, one)
        off += Fraction(size, one * one) * (sample + 1)
        return Fraction(y, one) - off, Fraction(y, one) + off


class Slew(StreamTrajectory):
    """y moves towards x by at most a step per sample. steps: (stream, step, start) to all y, with the bits of `slewed`."""

    steps: Callable[[np.ndarray, float, float], np.ndarray] | None = None

    def __init__(self, script: Script, stream: np.ndarray, step: Fraction, start: Fraction) -> None:
        super().__init__(script)
        self.stream, self.step, self.start = np.asarray(stream, np.float64), step, start

    def values(self) -> tuple[np.ndarray, np.ndarray]:
        """Each sample rounds once and the step once; where y meets x the error ends."""
        step = float(self.step)
        wanted = (self.steps or slewed)(self.stream, step, float(self.start))
        size = float(np.abs(wanted).max(initial=0.0)) + step
        return wanted, np.arange(1, len(wanted) + 1) * 4 * UNIT * size

    def enclosure(self, sample: int, bits: int) -> tuple[Fraction, Fraction]:
        """Exact: sums of fractions."""
        y = self.start
        for value in self.stream[: sample + 1]:
            x = Fraction(float(value))
            gap = x - y
            y = x if abs(gap) <= self.step else y + self.step if gap > 0 else y - self.step
        return y, y


def slewed(stream: np.ndarray, step: float, start: float) -> np.ndarray:
    """The recurrence in binary64, one sample after the other."""
    y, found = start, np.empty(len(stream))
    for number, x in enumerate(stream.tolist()):
        gap = x - y
        y = x if -step <= gap <= step else y + step if gap > 0 else y - step
        found[number] = y
    return found


class MovingAverage(StreamTrajectory):
    """Mean of the last `length` samples; before the start the stream was zero."""

    def __init__(self, script: Script, stream: np.ndarray, length: int) -> None:
        super().__init__(script)
        self.stream, self.length = np.asarray(stream, np.float64), length

    def values(self) -> tuple[np.ndarray, np.ndarray]:
        """Differences of a running sum: it rounds once per sample."""
        sums = np.cumsum(np.concatenate([np.zeros(self.length), self.stream]))
        wanted = (sums[self.length :] - sums[: len(self.stream)]) / self.length
        size = float(np.abs(self.stream).sum())
        return wanted, np.full(len(self.stream), 4 * UNIT * size * (len(self.stream) + 2) / self.length)

    def enclosure(self, sample: int, bits: int) -> tuple[Fraction, Fraction]:
        """Exact: a sum of fractions."""
        part = self.stream[max(0, sample + 1 - self.length) : sample + 1]
        total = sum((Fraction(float(value)) for value in part), Fraction(0))
        return total / self.length, total / self.length


class Steps(StreamTrajectory):
    """An output of exactly known values (zeros and ones, counts); low and high where several are right."""

    def __init__(self, script: Script, wanted: np.ndarray, low: np.ndarray | None = None,
                 high: np.ndarray | None = None) -> None:
        super().__init__(script)
        self.wanted = np.asarray(wanted, np.float64)
        self.low = self.wanted if low is None else np.asarray(low, np.float64)
        self.high = self.wanted if high is None else np.asarray(high, np.float64)

    def values(self) -> tuple[np.ndarray, np.ndarray]:
        """Exact."""
        return self.wanted, np.zeros(len(self.wanted))

    def enclosure(self, sample: int, bits: int) -> tuple[Fraction, Fraction]:
        """Exact."""
        value = Fraction(float(self.wanted[sample]))
        return value, value

    @cached_property
    def _is_wide(self) -> bool:
        return bool((self.low != self.high).any())

    def span(self) -> tuple[np.ndarray, np.ndarray] | None:
        """As given."""
        return (self.low, self.high) if self._is_wide else None


def stream_or_events(script: Script, name: str, start: Fraction) -> np.ndarray:
    """An input as one value per sample: the stream, or the event's value in force (exact in binary64 or refused)."""
    if name in script.streams:
        return np.asarray(script.streams[name], np.float64)
    found = np.full(script.samples, float(start))
    for sample, other, value in script.events:
        if other == name:
            found[sample:] = float(value)
    return found
