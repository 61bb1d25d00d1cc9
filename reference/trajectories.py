"""What a machine must output, sample by sample: pieces of closed form, exact at any sample, fast as a whole.

A script says what happens when; a family's function turns it into a Trajectory. Events stand before the sample
of their own number: after an event at sample s, output number s is the first one that it can change, and a
segment that starts at s has taken j = k - s + 1 steps at sample k.

Each segment is a constant, a line or an exponential towards a target, with parameters as numbers of a context. The
screen evaluates all samples in binary64 with a stated bound; `exact` encloses one sample by interval arithmetic.
Where a comparison decides (a level is reached, a time is over), the moment is a Decision: within its band of
samples both branches are right, and `shifted` gives the other ones.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
from mpmath.libmp import to_float

from reference import kernels
from reference.context import Operand
from reference.intervals import IntervalContext
from reference.near_numbers import Near, NearContext

SCREEN_BITS = 53
UNIT = 2.0**-53
# exp2 of a product: the kernel's own error, and the rounding of the exponent (see _powers).
EXP2_BOUND = 2.0**-50
GROUP = 256
STEPS = np.arange(1, GROUP + 1, dtype=np.float64)
# A count of samples that lies so little above a whole number is that number; the band covers the other reading.
EDGE = 2.0**-30


@dataclass(frozen=True)
class Script:
    """What happens. events: (sample, name, value) in order; streams: input -> one value per sample."""

    samples: int
    sample_rate_hz: Fraction
    events: tuple[tuple[int, str, Fraction], ...] = ()
    streams: Mapping[str, np.ndarray] = field(default_factory=dict)

    def value(self, name: str, sample: int, default: Fraction | int = 0) -> Fraction:
        """Value of an event's argument in force when `sample` is computed."""
        found = Fraction(default)
        for at, other, value in self.events:
            if at > sample:
                break
            if other == name:
                found = value
        return found


@dataclass(frozen=True)
class Phase:
    """A named stretch of samples [start, end)."""

    name: str
    start: int
    end: int


@dataclass(frozen=True)
class Decision:
    """A comparison decides at this sample; within band_samples of it both branches are right."""

    sample: int
    band_samples: int
    what: str


@dataclass(frozen=True)
class Segment:
    """From sample `start` on, after j steps: level (hold), level + slope j (line), or
    target + (level - target) 2^(slope j) (decay). A line never passes its target."""

    name: str
    start: int
    kind: str
    level: Any
    slope: Any = 0
    target: Any = 0
    rising: bool = True

    def at(self, ctx: Any, steps: int) -> Any:
        """Value after so many steps, as a number of the context."""
        if self.kind == "hold":
            return self.level
        if self.kind == "line":
            value = self.level + self.slope * steps
            return ctx.minimum(value, self.target) if self.rising else ctx.maximum(value, self.target)
        return self.target + (self.level - self.target) * ctx.exp2(self.slope * steps)


@dataclass
class Plan:
    """Segments under construction. shifts: decision number -> samples by which the firmware decided later;
    known: samples of the decisions as a plan of lower precision took them: all precisions take the same branch."""

    ctx: Any
    script: Script
    shifts: Mapping[int, int]
    known: tuple[int, ...] = ()
    segments: list[Segment] = field(default_factory=list)
    decisions: list[Decision] = field(default_factory=list)

    def hold(self, name: str, start: int, level: Any) -> None:
        """A constant from a sample on."""
        self.add(Segment(name, start, "hold", self.number(level)))

    def line(self, name: str, start: int, level: Any, slope: Any, target: Any) -> None:
        """A straight line that ends at its target."""
        per_sample = self.number(slope)
        rising = double(per_sample)[0] > 0
        self.add(Segment(name, start, "line", self.number(level), per_sample, self.number(target), rising))

    def decay(self, name: str, start: int, level: Any, log2_ratio: Any, target: Any) -> None:
        """An exponential towards a target; log2_ratio: binary logarithm of the ratio per sample."""
        self.add(Segment(name, start, "decay", self.number(level), self.number(log2_ratio), self.number(target)))

    def number(self, value: Any) -> Any:
        """A number of the context."""
        return value if isinstance(value, Operand) else self.ctx.number(value)

    def add(self, segment: Segment) -> None:
        """Append; a segment that starts where the last one does replaces it."""
        while self.segments and self.segments[-1].start >= segment.start:
            self.segments.pop()
        self.segments.append(segment)

    def value(self, sample: int) -> Any:
        """What the trajectory so far is at a sample (before the first: 0)."""
        for segment in reversed(self.segments):
            if segment.start <= sample:
                return segment.at(self.ctx, sample - segment.start + 1)
        return self.number(0)

    def decide(self, sample: int, what: str, band_samples: int = 1, earliest: int = 0) -> int:
        """The sample at which the branch is taken: as computed, moved by the firmware's own choice, not before earliest."""
        number = len(self.decisions)
        sample = self.known[number] if number < len(self.known) else sample
        self.decisions.append(Decision(sample, band_samples, what))
        return max(earliest, sample + self.shifts.get(number, 0))


class Trajectory:
    """The right output over a whole script. build fills a Plan; it runs once per precision and set of shifts."""

    def __init__(self, script: Script, build: Callable[[Plan], None], shifts: Mapping[int, int] | None = None,
                 until: int | None = None) -> None:
        if until is not None and until < script.samples:
            script = replace(script, samples=until, events=tuple(event for event in script.events if event[0] < until))
        self.script, self.build = script, build
        self.shifts = dict(shifts or {})
        self.plans: dict[int, Plan] = {}

    def plan(self, bits: int) -> Plan:
        """The segments at a precision."""
        if bits not in self.plans:
            ctx = NearContext() if bits == SCREEN_BITS else IntervalContext(bits)
            known = () if bits == SCREEN_BITS else tuple(d.sample for d in self.plan(SCREEN_BITS).decisions)
            plan = Plan(ctx, self.script, self.shifts, known)
            self.build(plan)
            self.plans[bits] = plan
        return self.plans[bits]

    def shifted(self, shifts: Mapping[int, int], until: int | None = None) -> Trajectory:
        """The trajectory if the decisions of these numbers fell so many samples later (negative: earlier).

        until: only the samples before this one are asked for; what comes later does not change them.
        """
        return Trajectory(self.script, self.build, shifts, until)

    def span(self) -> tuple[np.ndarray, np.ndarray] | None:
        """None: bands are decisions here."""
        return None

    @property
    def decisions(self) -> tuple[Decision, ...]:
        """Where branches are decided."""
        return tuple(self.plan(SCREEN_BITS).decisions)

    @property
    def phases(self) -> tuple[Phase, ...]:
        """The named segments, joined where the name goes on without a break."""
        segments = [s for s in self.plan(SCREEN_BITS).segments if s.start < self.script.samples]
        ends = [s.start for s in segments[1:]] + [self.script.samples]
        return tuple(Phase(s.name, s.start, end) for s, end in zip(segments, ends, strict=True) if end > s.start)

    def exact(self, sample: int, bits: int = 120) -> tuple[Fraction, Fraction]:
        """Enclosure of the right output at one sample."""
        found = self.plan(bits).value(sample)
        low, high = found.ends()
        return low, high

    def pieces(self) -> list[tuple[Any, ...]]:
        """The screen in closed form, stretches that cover all samples in order (see closed_form)."""
        segments = [s for s in self.plan(SCREEN_BITS).segments if s.start < self.script.samples]
        if not segments or segments[0].start > 0:
            segments.insert(0, Segment("", 0, "hold", 0))
        ends = [s.start for s in segments[1:]] + [self.script.samples]
        return [closed_form(s, s.start, end) for s, end in zip(segments, ends, strict=True) if end > s.start]

    def screen(self) -> tuple[np.ndarray, np.ndarray]:
        """(wanted, bound): binary64 values of all samples, and how far each can be from the exact one."""
        return self._screen

    @cached_property
    def _screen(self) -> tuple[np.ndarray, np.ndarray]:
        return self.screen_part(0, self.script.samples)

    def screen_part(self, first: int, end: int) -> tuple[np.ndarray, np.ndarray]:
        """The same for the samples [first, end) only."""
        wanted, bound = np.zeros(max(0, end - first)), np.zeros(max(0, end - first))
        segments = self.plan(SCREEN_BITS).segments
        ends = [s.start for s in segments[1:]] + [self.script.samples]
        for segment, last in zip(segments, ends, strict=True):
            low, high = max(segment.start, first), min(last, end)
            if high > low:
                part = slice(low - first, high - first)
                wanted[part], bound[part] = evaluate(segment, high - low, low - segment.start)
        return wanted, bound


def double(number: Any) -> tuple[float, float]:
    """Value and uncertainty of a number of either context, in binary64."""
    if isinstance(number, int):
        return float(number), 0.0
    if isinstance(number, Near):
        return number.value, number.off
    low, high = to_float(number.low), to_float(number.high)
    middle = low + (high - low) / 2
    return middle, max(high - middle, middle - low) + 4 * UNIT * abs(middle)


def evaluate(segment: Segment, count: int, done: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """Values after done + 1 .. done + count steps, with bounds.

    A line: the product and the sum round once each, and the slope's own error counts j times. A decay: the power is
    off relatively by EXP2_BOUND + |slope| j 2^-52 ln 2 (product of slope and j rounded, slope off by its half-width) and
    one more product of two tables; then one product and one sum.
    """
    level, level_off = double(segment.level)
    if segment.kind == "hold":
        return np.full(count, level), np.full(count, level_off)
    slope, _ = double(segment.slope)
    target, _ = double(segment.target)
    fixed, growing, rest = bound_terms(segment)
    steps = np.arange(done + 1, done + count + 1, dtype=np.float64)
    if segment.kind == "line":
        travel = slope * steps
        value = level + travel
        value = np.minimum(value, target) if segment.rising else np.maximum(value, target)
        steps *= growing
        steps += fixed
        return value, steps
    power = powers(slope, count, done)
    # In place, since this is most of the time: power (fixed + j growing) + rest; |value| <= |target| + |distance| power.
    steps *= growing
    steps += fixed
    steps *= power
    steps += rest
    power *= level - target
    power += target
    return power, steps


def bound_terms(segment: Segment) -> tuple[float, float, float]:
    """(fixed, growing, rest) of a bound: fixed + j growing for a line, (fixed + j growing) power + rest for a decay."""
    level, level_off = double(segment.level)
    if segment.kind == "hold":
        return level_off, 0.0, 0.0
    slope, slope_off = double(segment.slope)
    target, target_off = double(segment.target)
    if segment.kind == "line":
        return level_off + target_off + 4 * UNIT * (abs(level) + abs(target)), slope_off + 4 * UNIT * abs(slope), 0.0
    distance = level - target
    fixed = abs(distance) * (EXP2_BOUND + 12 * UNIT) + level_off + target_off + 2 * UNIT * (abs(level) + abs(target))
    # powers() gives 0 below 2^-890: what is lost there is at most this.
    lost = 2.0**-888 * (abs(distance) + level_off + target_off + 1)
    return fixed, abs(distance) * (abs(slope) * 2 * UNIT + slope_off), target_off + 8 * UNIT * abs(target) + lost


KINDS = {"hold": 0, "line": 1, "decay": 2}


def closed_form(segment: Segment, start: int, end: int) -> tuple[Any, ...]:
    """The same stretch for a compiled judge: start, end, kind, rising, level, slope, target, distance, the three terms of
    the bound, and the two tables of powers (None where there are none)."""
    level, slope, target = double(segment.level)[0], double(segment.slope)[0], double(segment.target)[0]
    tables: tuple[Any, Any] = (None, None)
    if segment.kind == "decay":
        count = end - start
        low, high = power_tables(slope, 0, 1 << max(3, ((count + GROUP - 1) // GROUP - 1).bit_length()))
        tables = low, high
    return (start, end, KINDS[segment.kind], int(segment.rising), level, slope, target, level - target,
            *bound_terms(segment), *tables)


def powers(slope: float, count: int, done: int = 0) -> np.ndarray:
    """2^(slope j) for j = done + 1 .. done + count as products of two tables; below 2^-890 it is 0."""
    low, high = power_tables(slope, done, (count + GROUP - 1) // GROUP)
    return (high[:, None] * low[None, :]).reshape(-1)[:count]


@lru_cache(maxsize=64)
def power_tables(slope: float, done: int, groups: int) -> tuple[np.ndarray, np.ndarray]:
    """2^(slope j) for j = 1 .. GROUP, and 2^(slope (done + GROUP k)) for k = 0 .. groups - 1. Not to be written to."""
    steps = np.concatenate([STEPS, done + GROUP * np.arange(groups, dtype=np.float64)])
    exponents = slope * steps
    found = np.where(exponents > -890, kernels.exp2(np.maximum(exponents, -890)), 0.0)
    return found[:GROUP], found[GROUP:]


def changes(script: Script, names: Sequence[str]) -> list[tuple[int, str, Fraction]]:
    """The events of these names, in order."""
    return [event for event in script.events if event[1] in names]
