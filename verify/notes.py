"""preflash notes: the table that a builder would otherwise measure by hand, for every pitch routine of a sheet."""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np

from firmware_shim.crew import Crew
from firmware_shim.engine import NUMPY_TYPES
from reference import precision
from reference.spot import note_name
from verify.binding import Bench, make_benches
from verify.claims.base import doubles_of
from verify.errors import UsageError, nearest_words
from verify.paths.entry import TURNS
from verify.paths.walk import walked
from verify.probing import Prober
from verify.routine import Bound
from verify.sheet import Sheet, load_sheet

BITS = 100


@dataclass(frozen=True)
class Row:
    """One note: input in its unit, exact and got frequency, cents between them (None where there is no pitch); of a path,
    the volts that one of its stages gave."""

    value: float
    wanted_hz: float
    got_hz: float
    volts: float | None = None

    @property
    def cents(self) -> float | None:
        """Positive where the firmware is sharp."""
        if not (math.isfinite(self.got_hz) and self.got_hz > 0 and self.wanted_hz > 0):
            return None
        return 1200 * math.log2(self.got_hz / self.wanted_hz)


def pitch_bounds(bench: Bench, only: list[str]) -> list[Bound]:
    """Routines with one input, a reference, and a result in Hz."""
    return [bound for name, bound in bench.bounds.items()
            if (not only or name in only) and len(bound.domain.grids) == 1 and bound.routine.reference is not None
            and (bound.routine.output.unit == "Hz" or (bound.stages and bound.routine.output.unit in TURNS))]


def hz_per_unit(bound: Bound, sample_rate_hz: float) -> float:
    """Hz for one unit of the result: a path may end in a phase increment."""
    return float(TURNS.get(bound.routine.output.unit, 0) * Fraction(sample_rate_hz)) or 1.0


def note_places(bound: Bound, by: str, unit_hz: float = 1.0) -> np.ndarray:
    """Ordinals of the inputs nearest to each semitone (or octave) of the range, from the reference's own frequencies.

    The input at which the reference gives a note is found by halving: it works for volts, codes and note numbers.
    """
    domain = bound.domain
    low, high = (wanted(bound, end) * unit_hz for end in (0, domain.count - 1))
    rising = high >= low
    bottom, top = sorted((max(low, 1e-6), max(high, 1e-6)))
    step = 12 if by == "octave" else 1
    first = math.ceil(69 + 12 * math.log2(bottom / 440) - 1e-9)
    last = math.floor(69 + 12 * math.log2(top / 440) + 1e-9)
    places = []
    for note in range(first, last + 1, step):
        hz = 440 * 2 ** ((note - 69) / 12)
        left, right = 0, domain.count - 1
        while right - left > 1:
            middle = (left + right) // 2
            below = wanted(bound, middle) * unit_hz < hz
            left, right = (middle, right) if below == rising else (left, middle)
        places.append(min((left, right), key=lambda o: abs(math.log2(max(wanted(bound, o) * unit_hz, 1e-9) / hz))))
    return np.unique(np.array(places, np.int64))


def wanted(bound: Bound, ordinal: int) -> float:
    """The right frequency at one input."""
    routine = bound.routine
    assert routine.reference is not None
    found = precision.enclose(routine.reference, bound.domain.values(ordinal), routine.constants, bits=BITS)
    return float((found.low + found.high) / 2)


def volts_of(bound: Bound, prober: Prober, places: np.ndarray) -> list[float | None]:
    """What the stage of a path that gives volts gave; None where there is none."""
    number = next((k for k, stage in enumerate(bound.stages) if stage.routine.output.unit == "V"), None)
    if number is None:
        return [None] * len(places)
    return [float(volts) for volts in walked(bound, prober, places).given[number]]


def rows_of(bound: Bound, prober: Prober, by: str, sample_rate_hz: float = 48_000) -> list[Row]:
    """The table of one routine."""
    unit_hz = hz_per_unit(bound, sample_rate_hz)
    places = note_places(bound, by, unit_hz)
    raws = prober.outputs(bound, [int(place) for place in places])
    got = doubles_of(raws, NUMPY_TYPES[bound.output_type], bound.output_scale) * unit_hz
    values = bound.domain.doubles(places)[0]
    volts = volts_of(bound, prober, places)
    return [Row(float(value), wanted(bound, int(place)) * unit_hz, float(hz), passed) for place, value, hz, passed in
            zip(places, values, got, volts, strict=True)]


def table_lines(bound: Bound, rows: list[Row]) -> list[str]:
    """The table as text."""
    grid = bound.domain.grids[0]
    volts_head = f"  {'volts [V]':>12}" if any(row.volts is not None for row in rows) else ""
    lines = ["", f"{bound.routine.name}   ({bound.definition}, {bound.build})", "",
             f"  {f'{grid.name} [{grid.unit}]':>14}{volts_head}   note        wanted Hz          got Hz       cents"]
    for row in rows:
        cents = "no pitch" if row.cents is None else f"{row.cents:+.4f}"
        passed = "" if row.volts is None else f"  {row.volts:12.7f}"
        lines.append(f"  {row.value:14.9g}{passed}   {note_name(row.wanted_hz).split()[0]:<5} {row.wanted_hz:14.6f}  "
                     f"{row.got_hz:14.6f}  {cents:>10}")
    known = [row.cents for row in rows if row.cents is not None]
    if known:
        lines.append(f"  largest: {max(known, key=abs):+.4f} cents at these {len(rows)} notes (a spot table, not a proof)")
    return lines


def write_csv(path: Path, tables: list[tuple[Bound, list[Row]]]) -> None:
    """All tables in one file. Errors: UsageError when it cannot be written."""
    try:
        with open(path, "w", newline="", encoding="utf-8") as stream:
            writer = csv.writer(stream)
            writer.writerow(["routine", "input", "value", "unit", "note", "wanted_hz", "got_hz", "cents", "volts"])
            for bound, rows in tables:
                grid = bound.domain.grids[0]
                for row in rows:
                    writer.writerow([bound.routine.name, grid.name, repr(row.value), grid.unit,
                                     note_name(row.wanted_hz).split()[0], repr(row.wanted_hz), repr(row.got_hz),
                                     "" if row.cents is None else f"{row.cents:.9g}",
                                     "" if row.volts is None else repr(row.volts)])
    except OSError as problem:
        raise UsageError("the table cannot be written", where=str(path), why=str(problem),
                         todo="name a file in a folder that is there and writable") from problem


def notes(path: Path, only: list[str], by: str, out: Path | None, measured: Path | None = None) -> int:
    """Print the tables of a sheet, or the readings of a file beside what the code gives; write them as CSV when asked."""
    if measured is not None and out is not None:
        raise UsageError("--csv and --measured together", where="preflash notes", why="the table of readings is printed only",
                         todo="drop one of them")
    sheet: Sheet = load_sheet(path)
    for name in only:
        if name not in sheet.names():
            raise UsageError(f"no routine {name!r} in the sheet", where=str(path), why="it describes others",
                             todo=nearest_words(name, sheet.names()))
    (bench,) = make_benches(sheet, ("host",))
    if bench.problem is not None:
        raise bench.problem
    assert bench.engine is not None and bench.built is not None
    bounds = pitch_bounds(bench, only)
    if not bounds:
        raise UsageError("no pitch routine to measure", where=str(path),
                         why="a spot table needs one input, a reference, and a result in Hz",
                         todo="preflash look FILE.c:FUNCTION shows any function")
    tables = []
    with Crew(bench.engine, 1) as crew:
        prober = Prober(crew, {"host": bench.built}, 7)
        if measured is not None:
            from verify.measured_notes import print_measured

            print_measured(bounds, prober, measured, float(sheet.sample_rate_hz))
            return 0
        for bound in bounds:
            rows = rows_of(bound, prober, by, float(sheet.sample_rate_hz))
            tables.append((bound, rows))
            print("\n".join(table_lines(bound, rows)))
    if out is not None:
        write_csv(out, tables)
        print(f"\nwritten: {out}")
    return 0


