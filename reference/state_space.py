"""Linear systems of at most two states, driven by a stream, with settings that change at given samples.

s' = A s + B x, y = C s + D x. A Setting names a function that gives A, B, C, D as numbers of a context: the same
coefficients are enclosed to as many bits as asked for. The state is carried over a change of setting as it is, so
that A, B, C, D must be those of the very form the firmware uses (its output after a change depends on the form).

The screen works in chunks of 64 samples: what a chunk's own input gives is a product with a table of impulse responses,
what the state before it gives another; states are carried from chunk to chunk in extended precision (64 bits of mantissa
or more), since their errors live long. Tables come from fixed-point integers of 512 bits. The error of a state is kept
within an ellipse (see errors_of_states.py), which A turns and shrinks as it does the state itself.

Where a compiled recursion is at hand (`walk`), it takes the place of tables: with coefficients of 128 bits, or, for a
first look, with coefficients of binary64 and their bounds (`pieces`).
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import Any, TypeAlias

import numpy as np

from reference.errors import DomainError, NotRational, Undecidable
from reference.errors_of_states import NO_ERROR, SLACK, Ellipse, carried_out, moved
from reference.intervals import IntervalContext
from reference.near_numbers import NearContext
from reference.recurrences import StreamTrajectory, table_piece
from reference.trajectories import UNIT, Script

CHUNK = 64
TABLE_BITS, WALK_BITS = 512, 128
# 64 factors of this norm are 2^256: 512 bits keep 2^-240 of every entry.
LARGEST_NORM = 16
LARGEST_ENTRY = 2.0**16
TINY = 2.0**-200
# What a first look may be off by, as a share of the signal: six digits of an error of -90 dB stay right.
ENOUGH = 2.0**-34
LONG = np.longdouble
LONG_UNIT = float(np.finfo(LONG).eps) / 2
# (inputs, ends of parts, a row of numbers each) to (outputs, bounds).
Walk: TypeAlias = Callable[[np.ndarray, np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]

Numbers = tuple[Any, ...]
# A by rows; B: one pair per input; C; D: one per input.
Matrices = tuple[Numbers, Sequence[Numbers], Numbers, Numbers]


@dataclass(frozen=True)
class Setting:
    """From a sample on: matrices(ctx, *arguments) gives A, B, C, D."""

    start: int
    matrices: Callable[..., Matrices]
    arguments: tuple[Hashable, ...] = ()


@dataclass(frozen=True)
class Whole:
    """Matrices as integers of 2**-bits; off: how far a coefficient can be from the exact one."""

    a: tuple[int, ...]
    b: tuple[tuple[int, int], ...]
    c: tuple[int, ...]
    d: tuple[int, ...]
    off: float


@lru_cache(maxsize=512)
def whole(matrices: Callable[..., Matrices], arguments: tuple[Hashable, ...], bits: int) -> Whole:
    """The matrices of a setting, rounded to 2**-bits."""
    ctx, most = IntervalContext(bits + 64), Fraction(0)

    def rounded(value: Any) -> int:
        nonlocal most
        low, high = ctx.number(value).ends()
        nearest = round((low + high) / 2 * (1 << bits))
        exact = Fraction(nearest, 1 << bits)
        most = max(most, high - exact, exact - low)
        return nearest

    a, b, c, d = matrices(ctx, *arguments)
    found = [tuple(rounded(v) for v in row) for row in (a, *b, c, d)]
    if any(abs(v) > int(LARGEST_ENTRY) << bits for row in found for v in row):
        raise DomainError("a coefficient of the filter lies beyond 65536")
    pairs = tuple((row[0], row[1]) for row in found[1:-2])
    return Whole(found[0], pairs, found[-2], found[-1], float(most) * SLACK + 2.0 ** (-bits - 40))


@dataclass(frozen=True)
class Table:
    """What one chunk does. own: outputs from the chunk's inputs; out: outputs from the state before (binary64); into:
    next state from the inputs; powers, gains: A**k and A**k B (extended); most: largest norm among the powers."""

    own: np.ndarray
    into: np.ndarray
    out: np.ndarray
    powers: np.ndarray
    gains: np.ndarray
    most: float
    own_size: float
    into_size: float
    out_size: float


def _times(a: tuple[int, ...], b: tuple[int, ...], bits: int) -> tuple[int, ...]:
    return ((a[0] * b[0] + a[1] * b[2]) >> bits, (a[0] * b[1] + a[1] * b[3]) >> bits,
            (a[2] * b[0] + a[3] * b[2]) >> bits, (a[2] * b[1] + a[3] * b[3]) >> bits)


def _floats(values: Sequence[int]) -> list[float]:
    scale = 2.0**-TABLE_BITS
    return [float(v) * scale for v in values]


def _longs(values: Sequence[int]) -> list[Any]:
    scale = LONG(2.0**-TABLE_BITS)
    return [(LONG(float(v)) + LONG(float(v - int(float(v))))) * scale for v in values]


def _norm(a: Sequence[float]) -> float:
    return max(abs(a[0]) + abs(a[1]), abs(a[2]) + abs(a[3])) * SLACK + TINY


def _refuse_unstable(a: tuple[int, ...], one: int) -> None:
    """Poles outside the circle by more than rounding: |det| > 1 or |trace| > 1 + det."""
    trace, determinant = (a[0] + a[3]) * one, a[0] * a[3] - a[1] * a[2]
    room = one * one + (one << 64)
    if abs(determinant) > room or abs(trace) > room + determinant:
        raise DomainError("the filter is not stable with these settings: no output is right")


@lru_cache(maxsize=128)
def table(matrices: Callable[..., Matrices], arguments: tuple[Hashable, ...]) -> Table:
    """The table of a setting."""
    w, bits = whole(matrices, arguments, TABLE_BITS), TABLE_BITS
    if _norm(_floats(w.a)) > LARGEST_NORM:
        raise DomainError("the coefficients of the filter are too large")
    one = 1 << bits
    _refuse_unstable(w.a, one)
    power: tuple[int, ...] = (one, 0, 0, one)
    powers, gains, out = [], [], []
    for _ in range(CHUNK):
        powers.append(_longs(power))
        gains.append([_longs(((power[0] * p + power[1] * q) >> bits, (power[2] * p + power[3] * q) >> bits))
                      for p, q in w.b])
        out.append(_floats(((w.c[0] * power[0] + w.c[1] * power[2]) >> bits,
                            (w.c[0] * power[1] + w.c[1] * power[3]) >> bits)))
        power = _times(power, w.a, bits)
    powers.append(_longs(power))
    inputs = len(w.b)
    gain = np.array(gains, LONG).transpose(0, 2, 1)  # (power, state, input)
    # Impulse response: D now, C A**(k-1) B later.
    response = np.empty((CHUNK, inputs))
    response[0] = _floats(w.d)
    response[1:] = _responses(w, bits)
    own = np.zeros((CHUNK, CHUNK, inputs))
    for k in range(CHUNK):
        own[k, : k + 1] = response[k::-1]
    into = gain[::-1].transpose(1, 0, 2).reshape(2, -1)
    most = max(_norm([float(v) for v in p]) for p in powers)
    outputs = own.reshape(CHUNK, -1)
    return Table(outputs, np.ascontiguousarray(into), np.array(out), np.array(powers, LONG).reshape(-1, 2, 2), gain, most,
                 _row_sum(outputs), _row_sum(into), _row_sum(np.array(out)))


def _responses(w: Whole, bits: int) -> list[list[float]]:
    """C A**k B for k = 0 ..., from integers: the float products could cancel."""
    rows = []
    states = list(w.b)
    for _ in range(CHUNK - 1):
        rows.append(_floats([(w.c[0] * p + w.c[1] * q) >> bits for p, q in states]))
        states = [((w.a[0] * p + w.a[1] * q) >> bits, (w.a[2] * p + w.a[3] * q) >> bits) for p, q in states]
    return rows


@lru_cache(maxsize=4096)
def walked_row(matrices: Callable[..., Matrices], arguments: tuple[Hashable, ...]) -> tuple[float, ...]:
    """A setting for the compiled recursion: how far a coefficient can be off, then halves of a11 a12 a21 a22 c1 c2 and of
    each input's b1 b2 d."""
    w = whole(matrices, arguments, WALK_BITS)
    if _norm([v * 2.0**-WALK_BITS for v in w.a]) > LARGEST_NORM:
        raise DomainError("the coefficients of the filter are too large")
    _refuse_unstable(w.a, 1 << WALK_BITS)
    found = []
    for value in (*w.a, *w.c, *(v for pair, d in zip(w.b, w.d, strict=True) for v in (*pair, d))):
        high = float(value)
        found += [high * 2.0**-WALK_BITS, float(value - int(high)) * 2.0**-WALK_BITS]
    # What two halves do not hold.
    return (w.off * SLACK + LARGEST_ENTRY * 2.0**-104, *found)


@lru_cache(maxsize=4096)
def first_row(matrices: Callable[..., Matrices], arguments: tuple[Hashable, ...]) -> tuple[float, ...]:
    """The same from binary64 with bounds; Undecidable where it does not clearly show a stable filter."""
    ctx = NearContext()
    a, b, c, d = ([ctx.own(ctx.number(v)) for v in row] if k != 1 else row
                  for k, row in enumerate(matrices(ctx, *arguments)))
    listed = [*a, *c, *(ctx.own(ctx.number(v)) for pair, last in zip(b, d, strict=True) for v in (*pair, last))]
    off = max(number.off for number in listed)
    values = [number.value for number in a]
    trace, determinant = values[0] + values[3], values[0] * values[3] - values[1] * values[2]
    room = 1 - 16 * (off + UNIT) * (1 + max(map(abs, values))) ** 2
    if not (abs(determinant) < room and abs(trace) < room + determinant and _norm(values) <= LARGEST_NORM / 2
            and max(abs(number.value) for number in listed) < LARGEST_ENTRY / 2):
        raise Undecidable("not clearly a stable filter of numbers of a usual size")
    return (off * SLACK, *(v for number in listed for v in (number.value, 0.0)))


def _row_sum(values: np.ndarray) -> float:
    return float(np.abs(values.astype(np.float64)).sum(axis=1).max(initial=0.0)) * SLACK + TINY


class LinearSystem(StreamTrajectory):
    """The output of a linear system. inputs: one column per input, exact binary64 numbers; settings: in order."""

    def __init__(self, script: Script, inputs: np.ndarray, settings: Sequence[Setting]) -> None:
        super().__init__(script)
        self.inputs = np.asarray(inputs, np.float64).reshape(script.samples, -1)
        by_start = {setting.start: setting for setting in settings if setting.start < max(1, script.samples)}
        self.settings = [by_start[start] for start in sorted(by_start)]
        self.runs: dict[int, _Run] = {}
        self.walk: Walk | None = None

    def stretches(self) -> list[tuple[Setting, int]]:
        """Each setting and the sample at which it ends."""
        ends = [setting.start for setting in self.settings[1:]] + [self.script.samples]
        return list(zip(self.settings, ends, strict=True))

    def walked(self, row: Callable[..., tuple[float, ...]]) -> tuple[np.ndarray, np.ndarray] | None:
        """(wanted, bound) by the compiled recursion, with the row of each setting; None where there is none."""
        if self.walk is None:
            return None
        parts = self.stretches()
        rows = np.array([row(setting.matrices, setting.arguments) for setting, _ in parts])
        wanted, bound = self.walk(self.inputs, np.array([end for _, end in parts]), rows)
        return wanted, np.where(np.isfinite(bound), bound, np.inf)

    def pieces(self) -> list[tuple[Any, ...]]:
        """As StreamTrajectory.pieces; with a compiled recursion from coefficients of binary64."""
        try:
            found = self.walked(first_row)
        except (DomainError, Undecidable, NotRational, ArithmeticError):
            found = None
        size = 0.0 if found is None else max(float(np.abs(v).max(initial=0.0)) for v in (found[0], self.inputs))
        if found is None or not np.isfinite(size) or found[1].max(initial=0.0) > ENOUGH * size:
            return super().pieces()
        return [table_piece(*found)]

    def values(self) -> tuple[np.ndarray, np.ndarray]:
        """Screen and bound."""
        walked = self.walked(walked_row)
        if walked is not None:
            return walked
        wanted, bound = np.zeros(self.script.samples), np.zeros(self.script.samples)
        state, off = (LONG(0), LONG(0)), NO_ERROR
        for setting, end in self.stretches():
            part = slice(setting.start, end)
            found = table(setting.matrices, setting.arguments)
            wanted[part], bound[part], state, off = _stretch(found, self.inputs[part], state, off)
        return wanted, np.where(np.isfinite(bound), bound, np.inf)

    def enclosure(self, sample: int, bits: int) -> tuple[Fraction, Fraction]:
        """By integers of bits + 64 bits, each step rounded down."""
        if bits not in self.runs:
            self.runs[bits] = _Run(self, bits + 64)
        value, off = self.runs[bits].at(sample)
        return value - off, value + off

    def setting_at(self, sample: int) -> Setting:
        """The setting in force when a sample is computed."""
        return [s for s in self.settings if s.start <= sample][-1]


def _stretch(found: Table, part: np.ndarray, state: tuple[Any, Any], off: Ellipse) -> tuple[
        np.ndarray, np.ndarray, tuple[Any, Any], Ellipse]:
    """Outputs, their bounds, and the state at the end with its error, of one stretch with one setting.

    Every product and sum rounds by one unit of the sizes of its terms; table entries are off by a unit and TINY.
    """
    count, inputs = part.shape
    chunks = (count + CHUNK - 1) // CHUNK
    padded = np.concatenate([part, np.zeros((chunks * CHUNK - count, inputs))]).reshape(chunks, -1)
    added = padded.astype(LONG) @ found.into.T
    (j11, j12), (j21, j22) = found.powers[CHUNK]
    jump = tuple(float(v) for v in (j11, j12, j21, j22))
    sizes = np.abs(padded).max(axis=1)
    terms = (CHUNK * inputs + 16) * SLACK
    p, q = state
    before, offs = np.empty((chunks, 2), LONG), np.empty((chunks, 3))
    for number, ((u, v), size) in enumerate(zip(added, sizes.tolist(), strict=True)):
        before[number], offs[number] = (p, q), off
        most = (abs(float(p)) + abs(float(q))) * SLACK
        each = terms * LONG_UNIT * (found.into_size * size + found.most * most) + TINY * (size + most)
        ended, off = off, moved(off, jump, each)
        p, q = j11 * p + j12 * q + u, j21 * p + j22 * q + v
    states = before.astype(np.float64)
    outputs = (padded @ found.own.T + states @ found.out.T).reshape(-1)[:count]
    most = np.abs(states).sum(axis=1)
    rounding = terms * UNIT * (found.own_size * sizes + found.out_size * most) + TINY * (sizes + most)
    bounds = (rounding[:, None] + carried_out(offs, found.out)) * SLACK
    if count % CHUNK:
        left = count % CHUNK
        last = part[count - left :].astype(LONG)
        p, q = found.powers[left] @ before[-1] + np.einsum("ksi,ki->s", found.gains[left - 1 :: -1], last)
        off = moved(ended, tuple(float(v) for v in found.powers[left].reshape(-1)), each)
    return outputs, bounds.reshape(-1)[:count], (p, q), off


class _Run:
    """The recursion in integers, as far as it was asked for."""

    def __init__(self, system: LinearSystem, bits: int) -> None:
        self.system, self.bits = system, bits
        self.outputs: list[int] = []
        self.offs: list[float] = []
        self.state = (0, 0)
        self.off: Ellipse = NO_ERROR
        self.number = -1
        self.end = 0

    def at(self, sample: int) -> tuple[Fraction, Fraction]:
        """Output of a sample and its error."""
        while len(self.outputs) <= sample:
            if len(self.outputs) >= self.end:
                self.number += 1
                setting, self.end = self.system.stretches()[self.number]
                self.now = whole(setting.matrices, setting.arguments, self.bits)
                _refuse_unstable(self.now.a, 1 << self.bits)
            self.advance(min(self.end, max(sample + 1, len(self.outputs) + CHUNK)))
        off = self.offs[sample]
        return Fraction(self.outputs[sample], 1 << self.bits), Fraction(off) if off < 1e300 else Fraction(10) ** 300

    def advance(self, end: int) -> None:
        """Samples up to `end`, which lie within the present setting.

        Each step: every sum is cut by less than one unit, each input too, and each coefficient is off by w.off.
        """
        w, bits, (p, q), off = self.now, self.bits, self.state, self.off
        a11, a12, a21, a22 = w.a
        c1, c2 = w.c
        unit = 2.0**-bits
        a = tuple(v * unit for v in w.a)
        out = np.array([[c1 * unit, c2 * unit]])
        weights = max(abs(v) for v in (*w.d, *(v for pair in w.b for v in pair))) * unit + 1
        cut = (2 + len(w.b) * weights) * unit
        first, offs, eachs = len(self.outputs), [], []
        for row in self.system.inputs[first:end].tolist():
            each = cut + w.off * ((abs(p) + abs(q)) * unit + sum(map(abs, row))) * SLACK
            output, into1, into2 = c1 * p + c2 * q, a11 * p + a12 * q, a21 * p + a22 * q
            for value, (b1, b2), d in zip(row, w.b, w.d, strict=True):
                top, bottom = value.as_integer_ratio()
                x = (top << bits) // bottom
                output += d * x
                into1 += b1 * x
                into2 += b2 * x
            self.outputs.append(output >> bits)
            offs.append(off)
            eachs.append(each)
            p, q = into1 >> bits, into2 >> bits
            off = moved(off, a, each)
        self.state, self.off = (p, q), off
        # C itself is off by w.off: a size of one more holds that.
        found = carried_out(np.array(offs).reshape(-1, 3), out)[:, 0] * (1 + w.off) + np.array(eachs)
        found += 2 * w.off * np.sqrt(np.array(offs).reshape(-1, 3)[:, [0, 2]].sum(axis=1))
        self.offs += (found * SLACK).tolist()
