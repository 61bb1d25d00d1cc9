"""Oscillators with state: a phase that grows by an increment per sample, and the waves made of it.

Conventions. Phase is counted in turns; sample k (from 0) is made of the phase after k increments, or after k + 1 with
`steps_first`. Frequencies are constants, events or streams named `hz` and the like; an event counts from the sample on
before which it stands: that sample's phase is not changed by it, the step behind it is (with steps_first both). The right
phase is the exact sum: what a firmware's own rounding adds up to is its error. Frequencies may be negative, zero or beyond
the sample rate: whole turns per sample do not matter. Where a wave jumps, both sides are right while the phase lies within
`band_turns` of the jump. Two oscillators that feed each other's phase have no reference here: from some index on they are
chaotic, and no rounding can be followed; oscillator_pairs.py says what can be said.
Limits: sums are kept to 2**-64 turns on the screen, exactly otherwise.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np

from reference import kernels, oscillator
from reference.errors import DomainError
from reference.intervals import IntervalContext
from reference.rationals import RationalContext
from reference.recurrences import StreamTrajectory
from reference.trajectories import UNIT, Script

WAVES = ("phase", "sine", "saw", "triangle", "square", "band-limited saw")
TURN = 1 << 64
TWO_PI = 6.2832
# Where a band-limited saw's correction is steep: 2/increment per turn.
LEAST_INCREMENT = 1e-7


class Phase:
    """The phase before each sample, from constants, events and streams; in turns, exact. per_turn: units of a turn."""

    def __init__(self, script: Script, name: str, given: Any, start: Any, per_second: bool, per_turn: Any,
                 steps_first: bool) -> None:
        exact = RationalContext()
        self.script, self.name, self.steps_first = script, name, steps_first
        self.scale = 1 / (script.sample_rate_hz if per_second else exact.number(per_turn))
        self.start = exact.number(start)
        self.pieces: list[tuple[int, Fraction]] = [(0, exact.number(given) * self.scale)]
        self.stream = np.asarray(script.streams[name], np.float64) if name in script.streams else None
        for sample, other, value in script.events:
            if other == name:
                self.pieces.append((sample, value * self.scale))
        self.sums: list[Fraction] = []

    def steps(self) -> np.ndarray:
        """Increment of each sample, rounded to 2**-64 turns, modulo one turn."""
        if self.stream is not None:
            return np.array([_word(Fraction(x) * self.scale) for x in self.stream.tolist()], np.uint64)
        found = np.zeros(self.script.samples, np.uint64)
        for sample, increment in self.pieces:
            found[sample:] = _word(increment)
        return found

    def words(self) -> np.ndarray:
        """Phase of each sample in 2**-64 turns; each sum is off by at most one unit per increment, and one."""
        with np.errstate(over="ignore"):
            sums = np.cumsum(self.steps(), dtype=np.uint64) + np.uint64(_word(self.start))
        if self.steps_first:
            return sums
        return np.concatenate([np.array([_word(self.start)], np.uint64), sums[:-1]])[: self.script.samples]

    def exact(self, sample: int) -> Fraction:
        """Phase of a sample in turns (not folded)."""
        count = sample + self.steps_first
        if self.stream is not None:
            while len(self.sums) <= count:
                k = len(self.sums)
                self.sums.append(self.sums[-1] + Fraction(float(self.stream[k - 1])) * self.scale if k else self.start)
            return self.sums[count]
        total = self.start
        ends = [at for at, _ in self.pieces[1:]] + [count]
        for (at, increment), end in zip(self.pieces, ends, strict=True):
            total += max(0, min(end, count) - at) * increment
        return total

    def increment(self, sample: int) -> Fraction:
        """Increment in force at a sample, in turns."""
        if self.stream is not None:
            return Fraction(float(self.stream[sample])) * self.scale
        return [increment for at, increment in self.pieces if at <= sample][-1]


def _word(turns: Fraction) -> int:
    return round(turns * TURN) % TURN


class Wave(StreamTrajectory):
    """A wave of a phase."""

    def __init__(self, phase: Phase, wave: str, width: Fraction, band: Fraction) -> None:
        super().__init__(phase.script)
        self.phase, self.wave, self.width, self.band = phase, wave, width, band

    def turns(self) -> tuple[np.ndarray, np.ndarray]:
        """(phase in [0, 1), bound): one unit of 2**-64 per sum, and the rounding to binary64."""
        words = self.phase.words()
        off = (np.arange(len(words)) + 3) * 2.0**-64 + 2 * UNIT
        turns = words.astype(np.float64) * 2.0**-64
        return np.where(turns >= 1.0, 0.0, turns), off

    def values(self) -> tuple[np.ndarray, np.ndarray]:
        """Screen and bound; next to a jump the bound holds both sides."""
        p, off = self.turns()
        if self.wave == "sine":
            return kernels.sin_turns(p), TWO_PI * off + 2.0**-49
        if self.wave == "triangle":
            quarter = (p + 0.25) % 1.0
            return 1 - 4 * np.abs(quarter - 0.5), 4 * off + 8 * UNIT
        if self.wave in ("saw", "phase"):
            size = 2.0 if self.wave == "saw" else 1.0
            jump = np.minimum(p, 1 - p) <= off
            return (2 * p - 1 if size > 1 else p), np.where(jump, size, size * off + 4 * UNIT)
        if self.wave == "square":
            edge = float(self.width)
            near = (np.minimum(p, 1 - p) <= off) | (np.abs(p - edge) <= off + UNIT)
            return np.where(p < edge, 1.0, -1.0), np.where(near, 2.0, 0.0)
        step = self.increments()
        with np.errstate(divide="ignore", invalid="ignore"):
            after, before = np.maximum(1 - p / step, 0.0), np.maximum(1 - (1 - p) / step, 0.0)
        # Slopes of the correction: 2/step; the division rounds by a unit of at most 1.
        return 2 * p - 1 + after * after - before * before, 2 * off + (2 * off / step + 8 * UNIT) * 4

    def increments(self) -> np.ndarray:
        """Size of the increment of each sample, for the band-limited step."""
        if self.phase.stream is not None:
            step = np.abs(self.phase.stream) * float(self.phase.scale)
        else:
            step = np.zeros(self.script.samples)
            for at, increment in self.phase.pieces:
                step[at:] = float(abs(increment))
        if len(step) and (step.min() < LEAST_INCREMENT or step.max() > 0.5):
            raise DomainError("a band-limited saw has increments between 10^-7 and half a turn")
        return step

    def enclosure(self, sample: int, bits: int) -> tuple[Fraction, Fraction]:
        """Of the exact phase."""
        ctx = IntervalContext(bits)
        p = self.phase.exact(sample) % 1
        if self.wave == "phase":
            return p, p
        if self.wave == "sine":
            low, high = oscillator.sine_from_phase(ctx, ctx.number(p)).ends()
            return low, high
        exact = RationalContext()
        if self.wave == "square":
            value = oscillator.square_from_phase(exact, p, width=self.width)
        elif self.wave == "band-limited saw":
            increment = abs(self.phase.increment(sample))
            value = oscillator.band_limited_saw_from_phase(exact, p, increment=increment)
        else:
            value = (oscillator.saw_from_phase if self.wave == "saw" else oscillator.triangle_from_phase)(exact, p)
        return Fraction(value), Fraction(value)

    def span(self) -> tuple[np.ndarray, np.ndarray] | None:
        """Both sides of a jump, where the phase lies within the band of it."""
        if not self.band or self.wave not in ("phase", "saw", "square"):
            return None
        wanted, _ = self.screen()
        p, off = self.turns()
        reach = float(self.band) + off
        near = np.minimum(p, 1 - p) <= reach
        if self.wave == "square":
            near |= np.abs(p - float(self.width)) <= reach
        bottom = 0.0 if self.wave == "phase" else -1.0
        return np.where(near, bottom, wanted), np.where(near, 1.0, wanted)


def _wave(wave: str) -> None:
    if wave not in WAVES:
        raise DomainError(f"wave is one of {', '.join(WAVES)}")


def from_frequency(ctx: Any, script: Script, *, name: str = "hz", hz: Any = 440, wave: str = "sine", width: Any = "1/2",
                   start: Any = 0, steps_first: bool = False, band_turns: Any = 0) -> Wave:
    """A wave of a frequency: sample k at phase start + sum of hz/sample rate.

    Shape:   script to trajectory; name: the stream or event that holds the frequency.
    Unit:    hz in Hz; start, width, band_turns in turns; result in full scale (wave "phase": turns in [0, 1)).
    Domain:  real frequencies; wave one of WAVES; a band-limited saw from 10**-7 to half a turn per sample.
    Error:   enclosed; the screen states its bound.
    Source:  phase accumulator (AN-1396, equation 1); W3C Web Audio API, basic waveform phase;
             tests/external/test_oscillators_in_time.py.

    >>> s = Script(5, Fraction(8))
    >>> [round(float(v), 6) for v in from_frequency(None, s, hz=2).screen()[0]]
    [0.0, 1.0, 0.0, -1.0, 0.0]
    """
    _wave(wave)
    exact = RationalContext()
    phase = Phase(script, name, hz, start, True, 1, steps_first)
    return Wave(phase, wave, exact.number(width), exact.number(band_turns))


def from_increment(ctx: Any, script: Script, *, name: str = "increment", increment: Any = 0, per_turn: Any = 1,
                   wave: str = "sine", width: Any = "1/2", start: Any = 0, steps_first: bool = False,
                   band_turns: Any = 0) -> Wave:
    """A wave of a phase increment: per_turn increments make a turn (2**32 for a 32-bit phase).

    Shape:   script to trajectory; name: the stream or event that holds the increment.
    Unit:    increment in 1/per_turn turns per sample; start, width, band_turns in turns; result as from_frequency.
    Domain:  as from_frequency.
    Error:   enclosed; the screen states its bound.
    Source:  phase accumulator (AN-1396, equation 1); ISO/IEC 9899, 6.2.5p9; tests/external/test_oscillators_in_time.py.

    >>> s = Script(4, Fraction(48000))
    >>> from_increment(None, s, increment=2**30, per_turn=2**32, wave="phase").screen()[0].tolist()
    [0.0, 0.25, 0.5, 0.75]
    """
    _wave(wave)
    exact = RationalContext()
    phase = Phase(script, name, increment, start, False, per_turn, steps_first)
    return Wave(phase, wave, exact.number(width), exact.number(band_turns))


class PhaseModulated(StreamTrajectory):
    """sin(2 pi carrier + index sin(2 pi modulator)) of two phases; index: (sample, value), or a stream of one per sample."""

    def __init__(self, carrier: Phase, modulator: Phase, index: list[tuple[int, Fraction]] | np.ndarray) -> None:
        super().__init__(carrier.script)
        self.carrier, self.modulator = Wave(carrier, "sine", Fraction(0), Fraction(0)), Wave(
            modulator, "sine", Fraction(0), Fraction(0))
        self.index = index

    def indices(self) -> np.ndarray:
        """Index of each sample."""
        if isinstance(self.index, np.ndarray):
            return self.index
        found = np.zeros(self.script.samples)
        for sample, value in self.index:
            found[sample:] = float(value)
        return found

    def index_at(self, sample: int) -> Fraction:
        """Index of one sample, exact."""
        if isinstance(self.index, np.ndarray):
            return Fraction(float(self.index[sample]))
        return [value for at, value in self.index if at <= sample][-1]

    def values(self) -> tuple[np.ndarray, np.ndarray]:
        """Screen and bound: the deviation's errors add to the carrier's."""
        sine, sine_off = self.modulator.values()
        turns, off = self.carrier.turns()
        deviation = self.indices() * (1 / (2 * np.pi))
        size = np.abs(deviation)
        phase = turns + deviation * sine
        off = off + size * (sine_off + 8 * UNIT) + 4 * UNIT * (1 + size)
        return kernels.sin_turns(phase), TWO_PI * off + 2.0**-49

    def enclosure(self, sample: int, bits: int) -> tuple[Fraction, Fraction]:
        """Of the exact phases."""
        ctx = IntervalContext(bits)
        carrier, modulator = (wave.phase.exact(sample) % 1 for wave in (self.carrier, self.modulator))
        index = self.index_at(sample)
        low, high = oscillator.phase_modulated_sine_from_phases(
            ctx, ctx.number(carrier), ctx.number(modulator), index=index).ends()
        return low, high


def phase_modulated(ctx: Any, script: Script, *, carrier_hz: Any = 440, modulator_hz: Any = 440, index: Any = 1,
                    steps_first: bool = False) -> PhaseModulated:
    """One sine whose phase another one moves.

    Shape:   script to trajectory; carrier_hz, modulator_hz, index: numbers, events or streams.
    Unit:    Hz; index in radians, in force from the sample of its event on; result in full scale.
    Domain:  real.
    Error:   enclosed; the screen states its bound.
    Source:  J. M. Chowning, JAES 21(7), 1973, equation 1; tests/external/test_oscillators_in_time.py.

    >>> s = Script(3, Fraction(8))
    >>> [round(float(v), 6) for v in phase_modulated(None, s, carrier_hz=2, modulator_hz=0, index=5).screen()[0]]
    [0.0, 1.0, 0.0]
    """
    phases = [Phase(script, name, given, 0, True, 1, steps_first)
              for name, given in (("carrier_hz", carrier_hz), ("modulator_hz", modulator_hz))]
    if "index" in script.streams:
        return PhaseModulated(phases[0], phases[1], np.asarray(script.streams["index"], np.float64))
    values = [(0, RationalContext().number(index))]
    values += [(sample, value) for sample, name, value in script.events if name == "index"]
    return PhaseModulated(phases[0], phases[1], values)

