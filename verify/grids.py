"""Inputs of a routine: a quantity with unit, C type, range, and the grid of values that can really occur.

Every grid counts its points: ordinal 0 is the lowest. A point has an exact value (a Fraction, in the
unit) and raw bits (what the C parameter receives).
"""

from __future__ import annotations

import hashlib
import math
from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property

import numpy as np

from firmware_shim.engine import NUMPY_TYPES
from firmware_shim.job import Axis
from verify.errors import SheetError
from verify.judging.verdict import grouped
from verify.number_formats import (
    INT_RANGES,
    float32_array,
    float32_at_least,
    float32_from_ordinal,
    nearest_float32,
    ordinal_from_float32,
)
from verify.units import check_unit

SMALLEST_SIZE = 2.0**-30


def exact(value: object, where: str) -> Fraction:
    """A finite number of the sheet as it is written: 0.1 is one tenth. What binary32 holds exactly is that value."""
    if isinstance(value, bool) or not isinstance(value, int | float | Fraction | np.integer | np.floating):
        raise SheetError(f"{value!r} is not a number", where=where, why="a number is needed here",
                         todo="write a plain number, for example 0 or 4.75")
    if isinstance(value, float | np.floating) and not math.isfinite(float(value)):
        raise SheetError(f"{value!r} is not finite", where=where, why="ranges and limits must be finite",
                         todo="write the largest value that can really occur")
    if isinstance(value, float | np.floating):
        number = float(value)
        with np.errstate(over="ignore"):
            single = float(np.float32(number)) == number
        return Fraction(number) if single else Fraction(repr(number))
    return Fraction(int(value)) if isinstance(value, int | np.integer) else Fraction(value)


@dataclass(frozen=True)
class Grid:
    """One input. kind: "float32" (first is a binary32 ordinal), "integer" (first + step*i, times scale), "list"."""

    name: str
    unit: str
    kind: str
    low: Fraction
    high: Fraction
    first: int
    step: int
    count: int
    scale: Fraction
    values: tuple[Fraction, ...] = ()
    describes: str = ""

    def __hash__(self) -> int:
        return self._hash  # grids are keys of every table of a hunt, and hashing fractions is dear

    @cached_property
    def _hash(self) -> int:
        # Of numbers alone: hashes of text differ between processes, which hand grids on.
        return hash((self.first, self.step, self.count, self.low, self.high))

    @cached_property
    def told(self) -> str:
        """All of it, in short: what evidence is about."""
        values = hashlib.sha256(repr([value.as_integer_ratio() for value in self.values]).encode()).hexdigest()
        return repr((self.name, self.unit, self.kind, self.low, self.high, self.first, self.step, self.count, self.scale,
                     self.describes, values))

    def value(self, index: int) -> Fraction:
        """Exact value of one point, in the unit."""
        if self.kind == "list":
            return self.values[index]
        if self.kind == "float32":
            return Fraction(float32_from_ordinal(int(self.first + index)))
        return (self.first + self.step * index) * self.scale

    @cached_property
    def grain(self) -> Fraction | None:
        """A number of which all values are multiples; None for floats, which have none worth knowing."""
        if self.kind == "list":
            return Fraction(1, math.lcm(*{value.denominator for value in self.values}))
        return self.scale if self.kind == "integer" else None

    def doubles(self, indices: np.ndarray) -> np.ndarray:
        """Values of many points as binary64 (exact for every grid but lists of odd decimals)."""
        if self.kind == "list":
            return self._list_doubles[indices]
        if self.kind == "float32":
            return float32_array(self.first + indices).astype(np.float64)
        return self._whole(indices).astype(np.float64) * float(self.scale)

    def _whole(self, indices: np.ndarray) -> np.ndarray:
        """Raw integers of many points; those from 2^63 on need the unsigned type."""
        if self.first + self.step * (self.count - 1) < 2**63:
            return self.first + self.step * np.asarray(indices, np.int64)
        return np.uint64(self.first) + np.uint64(self.step) * np.asarray(indices).astype(np.uint64)

    @cached_property
    def _list_doubles(self) -> np.ndarray:
        return np.array([float(value) for value in self.values])

    @cached_property
    def _list_floats(self) -> np.ndarray:
        return self._list_doubles if self.scale == 1 else np.array([float(value) for value in self._quotients()])

    @cached_property
    def _list_whole(self) -> np.ndarray:
        # Python's integers, where neither 64-bit type holds them all: only what fits a parameter is ever asked for.
        return np.array([int(value) for value in self._quotients()])

    def _quotients(self) -> Sequence[Fraction]:
        return self.values if self.scale == 1 else [value / self.scale for value in self.values]

    @cached_property
    def exact_in_binary64(self) -> bool:
        """Whether binary64 holds every value of a list."""
        return all(float(value).as_integer_ratio() == (value.numerator, value.denominator) for value in self.values)

    def nearest_indices(self, points: np.ndarray) -> np.ndarray:
        """Ordinals of the points nearest to binary64 values, clipped to the grid."""
        if self.kind == "float32":
            bits = np.asarray(points, np.float64).astype(np.float32).view(np.uint32).astype(np.int64)
            index = np.where(bits < 0x80000000, bits, -1 - (bits & 0x7FFFFFFF)) - self.first
        elif self.kind == "list":
            index = np.searchsorted(self._list_doubles, points)
        else:
            index = np.rint((points / float(self.scale) - self.first) / self.step).astype(np.int64)
        return np.clip(index, 0, self.count - 1)

    def raw(self, indices: np.ndarray, type_number: int) -> bytes:
        """What the C parameter receives, for many points."""
        kind = NUMPY_TYPES[type_number]
        if self.kind == "float32":
            return float32_array(self.first + indices).astype(kind).tobytes()
        if self.kind == "list":
            numbers = self._list_whole if kind.kind in "iu" else self._list_floats
            return numbers[indices].astype(kind).tobytes()
        return self._whole(indices).astype(kind).tobytes()

    def nears_zero(self, index: int) -> bool:
        """Whether a point is nearer to zero than 2^-30, and not zero: only floats come so near."""
        return self.kind == "float32" and 0 < abs(self.value(index)) < SMALLEST_SIZE

    def index_near(self, value: float | Fraction) -> int:
        """Ordinal of the point at or next above a value, clipped to the grid."""
        wanted = Fraction(value)
        if self.kind == "list":
            return min(bisect_left(self.values, wanted), self.count - 1)
        if self.kind == "float32":
            found = ordinal_from_float32(float32_at_least(wanted)) - self.first
            if wanted == 0 and self.first <= 0:
                found = -self.first
        else:
            found = math.ceil((wanted / self.scale - self.first) / self.step)
        return max(0, min(found, self.count - 1))

    def axis(self, type_number: int) -> Axis:
        """The grid as the engine fills it."""
        if self.kind == "float32":
            return Axis(type_number, 0, self.first, 1, self.count, 1.0)
        if self.kind == "integer":
            wrapped = (self.first + 2**63) % 2**64 - 2**63
            return Axis(type_number, 1, wrapped, self.step, self.count, float(self.scale))
        raw = self.raw(np.arange(self.count), type_number)
        return Axis(type_number, 2, 0, 1, self.count, float(self.scale), raw)

    def text(self) -> str:
        """The range in words: volts 0 to 5 V, every binary32."""
        unit = f" {self.unit}" if self.unit else ""
        return f"{self.name} {_end_text(self.low)} to {_end_text(self.high)}{unit}, {self.describes}"


def _end_text(end: Fraction) -> str:
    """An end of a range in print: whole numbers with all their digits, others with six."""
    return grouped(int(end)) if end.denominator == 1 and 10**4 <= abs(end) < 10**18 else f"{float(end):g}"


def _ends(name: str, low: object, high: object) -> tuple[Fraction, Fraction]:
    where = f"input {name!r}"
    bottom, top = exact(low, where), exact(high, where)
    if bottom > top:
        raise SheetError(f"input {name!r}: the range is reversed", where=f"{where}, {low} to {high}",
                         why=f"the low end {low} is above the high end {high}",
                         todo=f"write {high}, {low}")
    return bottom, top


def binary32(name: str, low: float, high: float, unit: str) -> Grid:
    """Every binary32 value from low to high, for a float (or double) parameter.

    The ends are rounded to binary32 as C rounds a literal: 4.9 means 4.9f.
    """
    bottom, top = (nearest_float32(end) for end in _ends(name, low, high))
    check_unit(unit, f"input {name!r}")
    first, last = ordinal_from_float32(float(bottom)), ordinal_from_float32(float(top))
    if bottom == 0 and math.copysign(1.0, float(low)) < 0:
        first = -1
    return Grid(name, unit, "float32", bottom, top, first, 1, last - first + 1, Fraction(1), describes="every binary32")


def integers(name: str, low: int, high: int, unit: str, *, step: int = 1) -> Grid:
    """Every integer from low to high (in steps), for an integer parameter."""
    bottom, top = _ends(name, low, high)
    check_unit(unit, f"input {name!r}")
    if bottom.denominator != 1 or top.denominator != 1 or not isinstance(step, int) or step < 1:
        raise SheetError(f"input {name!r}: whole numbers are needed", where=f"{low} to {high} step {step}",
                         why="the parameter is an integer", todo="write whole ends and a step of 1 or more")
    count = int((top - bottom) // step) + 1
    return Grid(name, unit, "integer", bottom, bottom + step * (count - 1), int(bottom), step, count, Fraction(1),
                describes="every integer" if step == 1 else f"every {step}th integer")


def codes(name: str, bits: int, unit: str = "code") -> Grid:
    """Every code of an n-bit converter, 0 to 2^n - 1."""
    if not isinstance(bits, int) or not 1 <= bits <= 32:
        raise SheetError(f"input {name!r}: {bits!r} bits", where=f"codes({name!r}, bits={bits!r})",
                         why="converters have 1 to 32 bits", todo="write for example bits=12")
    grid = integers(name, 0, 2**bits - 1, unit)
    return replace(grid, describes=f"every code of {bits} bits")


def fixed(name: str, low: float, high: float, unit: str, *, fraction_bits: int) -> Grid:
    """Every step of a fixed-point format with the given number of fraction bits (Q16.16: 16)."""
    bottom, top = _ends(name, low, high)
    check_unit(unit, f"input {name!r}")
    if not isinstance(fraction_bits, int) or not 0 <= fraction_bits <= 62:
        raise SheetError(f"input {name!r}: {fraction_bits!r} fraction bits", where="fixed(...)",
                         why="0 to 62 are possible", todo="write for example fraction_bits=16")
    scale = Fraction(1, 2**fraction_bits)
    first, last = math.ceil(bottom / scale), math.floor(top / scale)
    if last < first:
        raise SheetError(f"input {name!r}: no fixed-point step in its range", where=f"{low} to {high}",
                         why=f"one step is {float(scale):g}", todo="widen the range")
    return Grid(name, unit, "integer", bottom, top, first, 1, last - first + 1, scale,
                describes=f"every step of 2^-{fraction_bits}")


def values(name: str, listed: Iterable[float], unit: str, *, fraction_bits: int = 0) -> Grid:
    """A list of values that can occur. Float parameters receive the nearest binary32 of each."""
    where = f"input {name!r}"
    check_unit(unit, where)
    points: Sequence[Fraction] = sorted({exact(value, where) for value in listed})
    if not points:
        raise SheetError(f"{where}: the list is empty", where="values(...)", why="no value, nothing to check",
                         todo="give at least one value")
    return Grid(name, unit, "list", points[0], points[-1], 0, 1, len(points), Fraction(1, 2**fraction_bits),
                tuple(points), f"a list of {len(points)}")


def rounded_list(grid: Grid, c_kind: str, c_bytes: int) -> Grid:
    """A list grid with its values as the C type can hold them: binary32 rounding for float."""
    if grid.kind != "list":
        return grid
    if c_kind == "float":
        kind = np.float32 if c_bytes == 4 else np.float64
        points = tuple(sorted({Fraction(float(kind(float(v)))) for v in grid.values}))
    else:
        points = tuple(sorted({Fraction(round(v / grid.scale)) * grid.scale for v in grid.values}))
    return replace(grid, values=points, count=len(points))


def fits(grid: Grid, c_kind: str, c_bytes: int) -> str:
    """Why a grid cannot be passed to a C parameter of this type; "" when it can."""
    if c_kind == "float":
        return "" if grid.kind != "integer" else "the parameter is a float: use binary32(...) or values(...)"
    if c_kind not in ("int", "uint", "bool", "enum"):
        return f"parameters of kind {c_kind} cannot be driven by a grid"
    if grid.kind == "float32":
        return "the parameter is an integer: use codes(...), integers(...) or fixed(...)"
    low, high = INT_RANGES[("int" if c_kind == "int" else "uint", c_bytes)]
    if grid.low / grid.scale < low or grid.high / grid.scale > high:
        return f"the range needs {float(grid.high / grid.scale):g}, the C type holds {low} to {high}"
    return ""
