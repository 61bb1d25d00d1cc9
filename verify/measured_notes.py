"""preflash notes --measured: readings of the real board beside what its code gives, and what their difference is made of."""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from firmware_shim.engine import NUMPY_TYPES
from reference.calibration import Line, line_through
from reference.spot import note_name
from verify.claims.base import doubles_of
from verify.errors import UsageError
from verify.grids import exact
from verify.notes import hz_per_unit
from verify.probing import Prober
from verify.routine import Bound


@dataclass(frozen=True)
class Reading:
    """One reading: the input's value, the frequency measured, and the frequency that the firmware gives there."""

    value: float
    measured_hz: float
    predicted_hz: float

    @property
    def cents(self) -> float:
        """Measured against predicted: positive where the board is sharp."""
        return 1200 * math.log2(self.measured_hz / self.predicted_hz)


def print_measured(bounds: Sequence[Bound], prober: Prober, path: Path, sample_rate_hz: float) -> None:
    """Print every routine's readings. Errors: UsageError where it is not clear whose they are, or a reading is wrong."""
    if len(bounds) > 1 and not names_routines(path):
        raise UsageError("several routines, and readings that name none", where=str(path),
                         why=", ".join(bound.routine.name for bound in bounds),
                         todo="choose one with --only, or add a column routine")
    for bound in bounds:
        readings = readings_of(bound, prober, path, sample_rate_hz)
        if readings or len(bounds) == 1:
            print("\n".join(measured_lines(bound, readings)))


def names_routines(path: Path) -> bool:
    """Whether the file has a column routine."""
    try:
        with open(path, newline="", encoding="utf-8") as stream:
            return "routine" in next(csv.reader(stream), [])
    except (OSError, UnicodeDecodeError, csv.Error):
        return True  # what is wrong with the file is told where it is read


def readings_in(path: Path, routine: str) -> list[tuple[float, float]]:
    """(value of the input, measured Hz) of a CSV file with the columns value and hz, and routine where it holds several.

    Errors: UsageError, with the line.
    """
    try:
        with open(path, newline="", encoding="utf-8") as stream:
            rows = list(csv.DictReader(stream))
    except (OSError, UnicodeDecodeError, csv.Error) as problem:
        raise UsageError("the readings cannot be read", where=str(path), why=str(problem),
                         todo="write a CSV file with the columns value,hz") from problem
    if not rows or not {"value", "hz"} <= set(rows[0]):
        raise UsageError("the readings have no columns value and hz", where=str(path),
                         why=f"its first line says: {', '.join(rows[0]) if rows else 'nothing'}",
                         todo="value: the input in its unit; hz: the frequency measured; routine: which, if several")
    found = []
    for number, row in enumerate(rows, start=2):
        if row.get("routine") not in (None, "", routine):
            continue
        try:
            value, hz = float(row["value"]), float(row["hz"])
        except (TypeError, ValueError) as problem:
            raise UsageError("a reading is no number", where=f"{path}:{number}", why=f"{row['value']!r}, {row['hz']!r}",
                             todo="write plain numbers, with a point") from problem
        if not (math.isfinite(value) and 0 < hz < math.inf):
            raise UsageError("a reading is no pitch", where=f"{path}:{number}", why=f"value {value:g}, {hz:g} Hz",
                             todo="leave that line out")
        found.append((value, hz))
    return found


def readings_of(bound: Bound, prober: Prober, path: Path, sample_rate_hz: float) -> list[Reading]:
    """The readings of one routine beside what its code gives. Errors: UsageError for one outside its range."""
    grid = bound.domain.grids[0]
    given = readings_in(path, bound.routine.name)
    for value, _ in given:
        if not grid.low <= value <= grid.high:
            raise UsageError(f"a reading at {value:g} {grid.unit}", where=str(path), why=f"the sheet has {grid.text()}",
                             todo=f"value is {grid.name} in {grid.unit}; leave out what lies beyond")
    places = [grid.index_near(exact(value, "value")) for value, _ in given]
    got = doubles_of(prober.outputs(bound, places), NUMPY_TYPES[bound.output_type], bound.output_scale)
    predicted = got * hz_per_unit(bound, sample_rate_hz)
    return [Reading(value, hz, float(said)) for (value, hz), said in zip(given, predicted, strict=True)
            if math.isfinite(said) and said > 0]


def split(readings: list[Reading]) -> Line:
    """The differences in cents as a straight line over the predicted pitch in octaves above the lowest reading."""
    octaves = np.log2([reading.predicted_hz for reading in readings])
    return line_through((octaves - octaves.min()).tolist(), [reading.cents for reading in readings])


def measured_lines(bound: Bound, readings: list[Reading]) -> list[str]:
    """The comparison as text."""
    grid = bound.domain.grids[0]
    if not readings:
        return ["", f"{bound.routine.name}: no readings"]
    lines = ["", f"{bound.routine.name}   measured beside predicted", "",
             f"  {f'{grid.name} [{grid.unit}]':>14}   note      predicted Hz     measured Hz       cents   unexplained"]
    pitches = {round(math.log2(reading.predicted_hz), 9) for reading in readings}
    line = split(readings) if len(pitches) > 1 else None
    lowest = min(math.log2(reading.predicted_hz) for reading in readings)
    for reading in readings:
        rest = "" if line is None else f"{reading.cents - at(line, reading, lowest):+.4f}"
        note = note_name(reading.predicted_hz).split()[0]
        lines.append(f"  {reading.value:14.9g}   {note:<5} {reading.predicted_hz:14.6f}  "
                     f"{reading.measured_hz:14.6f}  {reading.cents:+10.4f}    {rest:>10}")
    if line is None:
        return [*lines, "  one pitch only: offset and gain cannot be told apart"]
    sure = len(readings) > 2
    lines += [f"  offset       {line.intercept:+.4f} cents at the lowest reading" + (
        f", sure to {line.intercept_sigma:.2g}" if sure else ", two readings: how sure is not known"),
        f"  gain         {line.slope:+.4f} cents an octave ({100 * line.slope / 1200:+.4f} %)" + (
            f", sure to {line.slope_sigma:.2g}" if sure else ""),
        f"  unexplained  {line.largest:.4f} cents at most" + (f", {line.scatter:.2g} rms" if sure else "")]
    return lines


def at(line: Line, reading: Reading, lowest: float) -> float:
    """What offset and gain make of one reading."""
    return line.intercept + line.slope * (math.log2(reading.predicted_hz) - lowest)
