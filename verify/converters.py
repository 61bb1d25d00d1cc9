"""A converter as it may really be: its nominal line, and how far a unit within tolerance may lie off it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from itertools import product

import numpy as np

from verify.errors import SheetError
from verify.grids import exact


@dataclass(frozen=True)
class Unit:
    """One unit: offset in codes, gain error as a share, and what nonlinearity and noise add, in codes, to the reading at the
    low voltage, to that at the high one, and to every later reading."""

    offset: float
    gain: float
    at_low: float
    at_high: float
    later: float

    @property
    def values(self) -> tuple[float, float, float, float, float]:
        """Its five errors."""
        return self.offset, self.gain, self.at_low, self.at_high, self.later

    @property
    def errors(self) -> int:
        """How many of its errors are not zero."""
        return sum(value != 0 for value in self.values)

    def text(self) -> str:
        """The unit in words."""
        parts = [(self.offset, f"offset {self.offset:+g} codes"), (self.gain, f"gain {100 * self.gain:+.6g} %"),
                 (self.at_low, f"{self.at_low:+g} codes at the low reading"),
                 (self.at_high, f"{self.at_high:+g} codes at the high reading"),
                 (self.later, f"{self.later:+g} codes when played")]
        return ", ".join(words for value, words in parts if value) or "the nominal unit"


@dataclass(frozen=True)
class Converter:
    """The nominal line through (low_volts, low_code) and (high_volts, high_code), falling for an inverted input; tolerances
    to either side. Offset and gain are those of the line, gain about low_volts; nonlinearity (of any shape) and noise (of one
    reading as the firmware takes it, averaged or not) are bounds in codes."""

    low_code: Fraction
    low_volts: Fraction
    high_code: Fraction
    high_volts: Fraction
    offset_codes: Fraction
    gain: Fraction
    nonlinearity_codes: Fraction
    noise_codes: Fraction

    def sizes(self) -> tuple[float, float, float, float, float]:
        """How large each of a unit's errors may be, to either side."""
        apart = float(self.nonlinearity_codes + self.noise_codes)
        return float(self.offset_codes), float(self.gain), apart, apart, apart

    def units(self) -> list[Unit]:
        """The nominal unit and all combinations of ends, fewest errors first."""
        listed = [(0.0,) if size == 0 else (0.0, size, -size) for size in self.sizes()]
        return sorted((Unit(*row) for row in product(*listed)), key=lambda unit: unit.errors)

    def units_inside(self, count: int, about: Unit | None = None, reach: float = 1.0) -> list[Unit]:
        """Units inside the tolerances: an even cover by additive recurrence (steps are powers of the root of x^6 = x + 1), or
        such a cover of a part of them about one unit, reach times the tolerances to either side."""
        root = 1.1347241384015194
        steps = np.array([root**-k for k in range(1, 6)])
        shares = 2 * ((0.5 + np.arange(1, count + 1)[:, None] * steps) % 1.0) - 1
        sizes = np.array(self.sizes())
        middle = np.zeros(5) if about is None else np.array(about.values)
        rows = np.clip(middle + reach * shares * sizes, -sizes, sizes)
        return [Unit(*row) for row in rows.tolist()]

    @cached_property
    def line(self) -> tuple[float, float, float]:
        """The nominal line: code and volts of a point, codes per volt."""
        slope = (self.high_code - self.low_code) / (self.high_volts - self.low_volts)
        return float(self.low_code), float(self.low_volts), float(slope)

    def codes(self, units: Sequence[Unit], volts: np.ndarray, more: np.ndarray, least: int,
              most: int) -> tuple[np.ndarray, np.ndarray]:
        """(codes that units give, whether each lies within the converter), a row per unit, for voltages. more: codes that
        nonlinearity and noise add, per unit."""
        low_code, low_volts, slope = self.line
        offsets, gains = (np.array([getattr(unit, name) for unit in units])[:, None] for name in ("offset", "gain"))
        raw = low_code + (volts - low_volts) * slope * (1 + gains) + offsets + more[:, None]
        near = np.floor(raw + 0.5)
        return np.clip(near, least, most).astype(np.int64), (near >= least) & (near <= most)

    def text(self) -> str:
        """The tolerances in print."""
        parts = [(self.offset_codes, "offset ±{:g} codes"), (100 * self.gain, "gain ±{:g} %"),
                 (self.nonlinearity_codes, "nonlinearity ±{:g} codes"), (self.noise_codes, "noise ±{:g} codes")]
        return ", ".join(text.format(float(value)) for value, text in parts if value) or "no tolerance"


def converter(*, low_code: float, low_volts: float, high_code: float, high_volts: float, offset_codes: float = 0,
              gain_percent: float = 0, nonlinearity_codes: float = 0, noise_codes: float = 0) -> Converter:
    """A converter's nominal line and tolerances; high_volts below low_volts, or the codes swapped, for an inverted input."""
    where = "converter(...)"
    given = [exact(value, where) for value in (low_code, low_volts, high_code, high_volts, offset_codes, gain_percent,
                                               nonlinearity_codes, noise_codes)]
    if given[0] == given[2] or given[1] == given[3]:
        raise SheetError("converter: the two points of the nominal line coincide", where=where, why="they give no slope",
                         todo="write for example low_code=0, low_volts=0, high_code=4096, high_volts=5")
    if min(given[4:]) < 0 or given[5] >= 100:
        raise SheetError("converter: a tolerance is below zero, or a gain error of 100 %", where=where,
                         why="tolerances count to either side", todo="write for example offset_codes=20, gain_percent=1")
    given[5] /= 100
    return Converter(*given)
