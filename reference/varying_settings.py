"""Linear systems with settings that are streams: a cutoff fed with every sample, by an envelope or an oscillator.

The state follows s' = A s + B x with the A, B, C, D of its own sample. Their coefficients are computed for all samples at
once, in binary64 with a bound each (`near_arrays`); the recursion carries its state's error in an ellipse, as that of
`state_space` does, with each sample's own matrices. Exactly: by integers, with each sample's coefficients enclosed. Where
binary64 does not show that every sample's filter is stable, and of numbers of a usual size, integers decide that too.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction
from functools import cached_property
from math import sqrt
from typing import Any

import numpy as np

from reference.errors import DomainError, NotRational, Undecidable
from reference.errors_of_states import LEAST, NO_ERROR, SLACK, Ellipse, moved
from reference.near_arrays import NearArrays
from reference.recurrences import table_piece
from reference.state_space import ENOUGH, LARGEST_ENTRY, LARGEST_NORM, TINY, LinearSystem, Matrices, Setting
from reference.trajectories import UNIT, Script

# What comes out of a filter may be so many times as large as what goes in; beyond, its settings make it run away.
MOST_GAIN = 2.0**20
# A bound so small is none, also beside silence.
NOTHING = 2.0**-100
# Bits for which values are asked where binary64 does not do.
BITS = 120
# From which sample on, and the settings from there: exact numbers or words by name.
Held = tuple[int, Mapping[str, Any]]


class VaryingSystem(LinearSystem):
    """The output of a linear system some of whose settings are streams.

    held: settings from samples on, in order, the first at 0; streams: one exact binary64 number per sample, by name;
    arguments: what `make` takes besides its context, from the settings by name.
    """

    def __init__(self, script: Script, inputs: np.ndarray, make: Callable[..., Matrices],
                 arguments: Callable[[Mapping[str, Any]], tuple[Any, ...]], held: Sequence[Held],
                 streams: Mapping[str, np.ndarray]) -> None:
        LinearSystem.__init__(self, script, inputs, ())
        self.make, self.arguments = make, arguments
        by_start = {start: now for start, now in held if start < max(1, script.samples)}
        self.held = [(start, by_start[start]) for start in sorted(by_start)]
        self.streams = {name: np.asarray(values, np.float64) for name, values in streams.items()}

    @cached_property
    def changes(self) -> np.ndarray:
        """Samples from which on another setting counts."""
        differs = np.zeros(self.script.samples, bool)
        differs[:1] = True
        for values in self.streams.values():
            differs[1:] |= values[1:] != values[:-1]
        differs[[start for start, _ in self.held if start < len(differs)]] = True
        return np.flatnonzero(differs)

    def stretches(self) -> list[tuple[Setting, int]]:
        """Each setting, exact, and the sample at which it ends."""
        return self._stretches

    @cached_property
    def _stretches(self) -> list[tuple[Setting, int]]:
        ends = [*self.changes[1:].tolist(), self.script.samples]
        return [(self.setting_at(start), end) for start, end in zip(self.changes.tolist(), ends, strict=True)]

    def setting_at(self, sample: int) -> Setting:
        """The setting of a sample, exact."""
        now = [settings for start, settings in self.held if start <= sample][-1]
        given = {name: Fraction(float(values[sample])) for name, values in self.streams.items()}
        return Setting(sample, self.make, self.arguments({**now, **given}))

    @cached_property
    def rows(self) -> np.ndarray:
        """A row of numbers per change, as `state_space.first_row` gives. Errors: Undecidable, DomainError."""
        starts = self.changes
        parts = []
        ends = [start for start, _ in self.held[1:]] + [self.script.samples]
        for (first, now), end in zip(self.held, ends, strict=True):
            at = starts[(starts >= first) & (starts < end)]
            if len(at):
                parts.append(self.rows_of(now, at))
        return np.concatenate(parts)

    def rows_of(self, now: Mapping[str, Any], at: np.ndarray) -> np.ndarray:
        """The rows of some samples, in each of which the held settings are these."""
        ctx = NearArrays()
        near = {name: ctx.exact(values[at]) for name, values in self.streams.items()}
        a, b, c, d = self.make(ctx, *self.arguments({**now, **near}))
        listed = [*a, *c, *(v for pair, last in zip(b, d, strict=True) for v in (*pair, last))]
        numbers = [ctx.number(value) for value in listed]
        values = np.stack([np.broadcast_to(n.value, at.shape) for n in numbers])
        off = np.max(np.stack([np.broadcast_to(n.off, at.shape) for n in numbers]), axis=0)
        size, most = np.abs(values[:4]), np.abs(values).max(axis=0)
        trace, determinant = values[0] + values[3], values[0] * values[3] - values[1] * values[2]
        room = 1 - 16 * (off + UNIT) * (1 + size.max(axis=0)) ** 2
        norm = np.maximum(size[0] + size[1], size[2] + size[3]) * SLACK + TINY
        if not ((np.abs(determinant) < room) & (np.abs(trace) < room + determinant) & (norm <= LARGEST_NORM / 2)
                & (most < LARGEST_ENTRY / 2)).all():
            raise Undecidable("not clearly a stable filter of numbers of a usual size at every sample")
        found = np.zeros((len(at), 1 + 2 * len(values)))
        found[:, 0], found[:, 1::2] = off * SLACK, values.T
        return found

    def followed(self) -> tuple[np.ndarray, np.ndarray] | None:
        """(wanted, bound) with coefficients of binary64; None where these do not do. Errors: DomainError (runs away)."""
        if not self.script.samples:
            return np.empty(0), np.empty(0)
        try:
            rows = self.rows
        except (DomainError, Undecidable, NotRational, ArithmeticError):
            return None
        ends = np.append(self.changes[1:], self.script.samples)
        wanted, bound = (self.walk or followed)(self.inputs, ends, rows)
        sizes = [float(np.abs(values).max(initial=0.0)) for values in (wanted, self.inputs)]
        if not sizes[0] <= MOST_GAIN * sizes[1]:
            raise DomainError("the filter runs away while its settings move, though it is stable at each: no output is right")
        return (wanted, bound) if bound.max(initial=0.0) <= ENOUGH * max(sizes) + NOTHING else None

    def pieces(self) -> list[tuple[Any, ...]]:
        """As StreamTrajectory.pieces."""
        return [table_piece(*self.screen())]

    def values(self) -> tuple[np.ndarray, np.ndarray]:
        """Screen and bound; sample by sample exactly where binary64 does not do."""
        found = self.followed()
        if found is not None:
            return found
        ends = [self.enclosure(sample, BITS) for sample in range(self.script.samples)]
        wanted = np.array([float(low + high) / 2 for low, high in ends])
        return wanted, np.array([float(high - low) for low, high in ends]) * SLACK + np.abs(wanted) * 4 * UNIT + TINY


def followed(inputs: np.ndarray, ends: np.ndarray, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The recursion in binary64, one sample after the other: what a compiled one does with longer numbers."""
    wanted, bound = np.empty(len(inputs)), np.empty(len(inputs))
    units = (inputs.shape[1] + 8) * UNIT
    p, q, off, begin = 0.0, 0.0, NO_ERROR, 0
    for end, row in zip(ends.tolist(), rows.tolist(), strict=True):
        each_off, (a11, a12, a21, a22, c1, c2, *rest) = row[0], row[1::2]
        for k in range(begin, end):
            x = inputs[k].tolist()
            output, up, down = c1 * p + c2 * q, a11 * p + a12 * q, a21 * p + a22 * q
            sizes = [abs(c1 * p) + abs(c2 * q), abs(a11 * p) + abs(a12 * q), abs(a21 * p) + abs(a22 * q)]
            size = abs(p) + abs(q) + 2 * sqrt(off[0] + off[2]) + sum(map(abs, x))
            for value, b1, b2, d in zip(x, rest[::3], rest[1::3], rest[2::3], strict=True):
                output, up, down = output + d * value, up + b1 * value, down + b2 * value
                sizes = [s + abs(w * value) for s, w in zip(sizes, (d, b1, b2), strict=True)]
            wanted[k] = output
            bound[k] = (units * sizes[0] + each_off * size + _out(off, c1, c2)) * SLACK + abs(output) * UNIT + TINY
            off = moved(off, (a11, a12, a21, a22), (units * max(sizes[1:]) + each_off * size) * SLACK + TINY)
            p, q = up, down
        begin = end
    return wanted, bound


def _out(off: Ellipse, c1: float, c2: float) -> float:
    """carried_out of one ellipse and one output."""
    square = off[0] * c1 * c1 + 2 * off[1] * c1 * c2 + off[2] * c2 * c2
    return sqrt(max(square, 0.0) + LEAST * (off[0] + off[2]) * (c1 * c1 + c2 * c2)) * SLACK
