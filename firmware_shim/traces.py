"""One signal of a script, looked at by the compiled engine: extremes, and distances from pieces of closed form."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from firmware_shim.engine import Engine, load_engine

# Fields of struct pf_piece, in their order; the two tables come last.
Piece = tuple[int, int, int, int, float, float, float, float, float, float, float, np.ndarray | None, np.ndarray | None]


@dataclass(frozen=True)
class Distance:
    """Least and most of got - wanted, their first samples and what was wanted there; margin: how far that can be off."""

    least: float
    most: float
    margin: float
    least_at: int
    most_at: int
    least_wanted: float
    most_wanted: float


@dataclass(frozen=True)
class Eye:
    """What the engine can tell of a whole signal. y: float64[n], contiguous; extremes need finite samples, n >= 1."""

    engine: Engine

    def of(self, y: np.ndarray) -> Any:
        """The samples as a C array."""
        return self.engine.ffi.from_buffer("double[]", y)

    def first_odd(self, y: np.ndarray) -> int:
        """First sample that is not finite, -1 for none."""
        return int(self.engine.lib.pf_trace_odd(self.of(y), len(y)))

    def first_subnormal(self, raw: np.ndarray) -> int:
        """First subnormal of float32 or float64 samples, -1 for none."""
        return int(self.engine.lib.pf_trace_subnormal(self.engine.ffi.from_buffer(raw), raw.itemsize, len(raw)))

    def beyond(self, y: np.ndarray, low: float, high: float) -> tuple[float, int]:
        """Largest max(y - high, low - y) and its first sample."""
        at = self.engine.ffi.new("int64_t *")
        return float(self.engine.lib.pf_trace_beyond(self.of(y), len(y), low, high, at)), int(at[0])

    def step(self, y: np.ndarray) -> tuple[float, int]:
        """Largest |y[k + 1] - y[k]| and its first k; two samples at least."""
        at = self.engine.ffi.new("int64_t *")
        return float(self.engine.lib.pf_trace_step(self.of(y), len(y), at)), int(at[0])

    def distance(self, y: np.ndarray, pieces: Sequence[Piece]) -> Distance:
        """Distance from pieces that cover all samples, in order."""
        ffi = self.engine.ffi
        rows = ffi.new("struct pf_piece[]", len(pieces))
        held = []
        for row, piece in zip(rows, pieces, strict=True):
            (row.start, row.end, row.kind, row.rising, row.level, row.slope, row.target, row.distance, row.fixed, row.growing,
             row.rest, low, high) = piece
            if low is not None and high is not None and len(low):
                row.low, row.high = ffi.from_buffer("double[]", low), ffi.from_buffer("double[]", high)
                held += [row.low, row.high]
        found = ffi.new("struct pf_distance *")
        self.engine.lib.pf_trace_distance(self.of(y), rows, len(pieces), found)
        return Distance(found.least, found.most, found.margin, int(found.least_at), int(found.most_at),
                        found.least_wanted, found.most_wanted)

    def slewed(self, stream: np.ndarray, step: float, start: float) -> np.ndarray:
        """What moves towards a stream by at most a step per sample, in binary64."""
        stream, found = np.ascontiguousarray(stream, np.float64), np.empty(len(stream))
        if len(stream):
            self.engine.lib.pf_trace_slew(self.of(stream), len(stream), step, start, self.of(found))
        return found

    def followed(self, inputs: np.ndarray, ends: np.ndarray, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(output, bound) of a linear system of two states, whose parts end at `ends` and have a row of numbers each (as
        pf_follow_linear takes them); inputs: float64[n, inputs]."""
        wanted, bound = np.empty(len(inputs)), np.empty(len(inputs))
        if len(inputs):
            ffi = self.engine.ffi
            inputs, rows = (np.ascontiguousarray(values, np.float64) for values in (inputs, rows))
            self.engine.lib.pf_follow_linear(self.of(inputs), inputs.shape[1],
                                             ffi.from_buffer("int64_t[]", np.ascontiguousarray(ends, np.int64)),
                                             self.of(rows), len(rows), self.of(wanted), self.of(bound))
        return wanted, bound


@functools.cache
def eye_of(engine: Path) -> Eye:
    """The eye of an engine library, loaded once."""
    return Eye(load_engine(engine))
