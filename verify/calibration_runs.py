"""Units of a converter, each calibrated and played by the firmware: what came, and how far off the pitch was."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from fractions import Fraction

import numpy as np

from firmware_shim.engine import NUMPY_TYPES
from verify.claims.base import Case
from verify.converters import Converter, Unit
from verify.grids import Grid

NAMES = [field.name for field in fields(Unit)]


@dataclass(frozen=True)
class Runs:
    """One entry per run: number of the unit, (low reading, high reading, code), true volts, result, whether it came, whether
    it was tried, error in cents (NaN: no pitch). beside: voltages beyond a unit's converter; unread: units without
    readings."""

    units: list[Unit]
    number: np.ndarray
    columns: np.ndarray
    true: np.ndarray
    got: np.ndarray
    came: np.ndarray
    tried: np.ndarray
    cents: np.ndarray
    beside: int
    unread: int

    @property
    def size(self) -> np.ndarray:
        """Size of each error in cents, infinite where there is no pitch; what was not tried after many stops counts as 0."""
        return np.where(self.tried, np.where(np.isfinite(self.cents), np.abs(self.cents), np.inf), 0.0)

    @property
    def worst_unit(self) -> Unit:
        """The unit with the largest error."""
        return self.units[int(self.number[int(self.size.argmax())])]

    def with_more(self, other: Runs | None) -> Runs:
        """Both, this one's units first."""
        if other is None:
            return self
        joined = {name: np.concatenate([getattr(self, name), getattr(other, name)], axis=-1)
                  for name in ("columns", "true", "got", "came", "tried", "cents")}
        return Runs(self.units + other.units, np.concatenate([self.number, other.number + len(self.units)]), **joined,
                    beside=self.beside + other.beside, unread=self.unread + other.unread)


@dataclass(frozen=True)
class Bench:
    """How units are run: readings as (input, its volts), the low one first; cents: error of results at true volts."""

    case: Case
    converter: Converter
    readings: tuple[tuple[str, Fraction], ...]
    code: str
    cents: Callable[[np.ndarray, np.ndarray], np.ndarray]

    @property
    def grids(self) -> Mapping[str, Grid]:
        """The routine's inputs by name."""
        return {grid.name: grid for grid in self.case.bound.domain.grids}

    def ordinals(self, columns: np.ndarray) -> np.ndarray:
        """Place of each run in the routine's domain."""
        domain = self.case.bound.domain
        whole = zip(self.placed(columns), domain.grids, domain.strides(), strict=True)
        return np.sum([(column - int(grid.low)) // grid.step * stride for column, grid, stride in whole], axis=0)

    def placed(self, columns: np.ndarray) -> list[np.ndarray]:
        """The columns in the order of the routine's inputs."""
        order = [*(name for name, _ in self.readings), self.code]
        return [columns[order.index(grid.name)] for grid in self.case.bound.domain.grids]

    def run(self, units: Sequence[Unit], volts: np.ndarray) -> Runs | None:
        """Every unit at every voltage; None where no unit gives readings within the inputs' ranges."""
        grids, readable, read = self.grids, np.ones(len(units), bool), []
        for (name, at), column in zip(self.readings, ("at_low", "at_high"), strict=True):
            grid = grids[name]
            more = np.array([getattr(unit, column) for unit in units])
            code, inside = self.converter.codes(units, np.array([float(at)]), more, int(grid.low), int(grid.high))
            readable &= inside[:, 0]
            read.append(code[:, 0])
        readable &= read[0] != read[1]
        kept = [unit for unit, fits in zip(units, readable.tolist(), strict=True) if fits]
        if not kept:
            return None
        least, most = int(grids[self.code].low), int(grids[self.code].high)
        codes, inside = self.converter.codes(kept, volts, np.array([unit.later for unit in kept]), least, most)
        number, place = np.nonzero(inside)
        columns = np.stack([*(codes_read[readable][number] for codes_read in read), codes[inside]])
        true = volts[place]
        beside, unread = int((~inside).sum()), len(units) - len(kept)
        bound = self.case.bound
        raws = [column.astype(NUMPY_TYPES[kind]).tobytes() for column, kind in
                zip(self.placed(columns), bound.domain.type_numbers, strict=True)]
        got, came, tried = self.case.probe.outside_results(bound, raws, len(true))
        return Runs(kept, number, columns, true, got, came, tried, self.cents(got, true), beside, unread)

    def simpler(self, unit: Unit, volts: np.ndarray, fails: Callable[[Runs], bool]) -> Unit:
        """The unit with errors taken away, or made round, one by one, as long as it fails."""
        values = list(unit.values)
        for place, value in enumerate(values):
            scale = 100 if place == 1 else 1
            for other in (0.0, float(np.rint(value * scale)) / scale, float(np.rint(value * scale * 10)) / (scale * 10)):
                changed = replace(Unit(*values), **{NAMES[place]: other})
                if abs(other) > self.converter.sizes()[place] or other == value:
                    continue
                runs = self.run([changed], volts)
                if runs is not None and fails(runs):
                    values[place] = other
                    break
        return Unit(*values)
