"""clamps: outside its range the routine answers as at the nearest end; NaN and infinities included."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from functools import lru_cache
from typing import ClassVar

import numpy as np

from firmware_shim.engine import NUMPY_TYPES
from verify.claims.base import Assessment, Case, Claim, Probe, reason
from verify.errors import SheetError
from verify.grids import Grid
from verify.hunting.intervals import once_each
from verify.number_formats import INT_RANGES, figure
from verify.routine import Bound, Routine

NAN_ANSWERS = ("low", "high", "finite", "any")
RANDOM_OUTSIDE = 4000
MOST_CODES = 70_000
QUIET_NANS = (0x7FC00000, 0xFFC00000, 0x7FFFFFFF)
# What an input is: an end itself, or what must answer as the low end, as the high end, or as the sheet says of NaN.
END, LOW, HIGH, NAN = -1, 0, 1, 2


@dataclass(frozen=True)
class Clamps(Claim):
    """Inputs beyond an end give the result of that end; NaN gives what the sheet says.

    Fails when: one input outside gives another result, or does not come back.
    Cannot see: for float inputs, the values outside that were not tried (their number is printed).
    """

    input_name: str
    nan: str
    because: str
    name: ClassVar[str] = "clamps"

    def limit_text(self) -> str:
        return f"nan={self.nan!r}" if not self.input_name else f"{self.input_name!r}, nan={self.nan!r}"

    def check(self, routine: Routine, where: str) -> None:
        names = [grid.name for grid in routine.inputs]
        if self.input_name and self.input_name not in names:
            raise SheetError(f"clamps: no input {self.input_name!r}", where=where, why="the routine has others",
                             todo="inputs are: " + ", ".join(names))

    def assess(self, case: Case) -> Assessment:
        bound = case.bound
        place = self.place(bound)
        grid, kind = bound.domain.grids[place], NUMPY_TYPES[bound.domain.type_numbers[place]]
        below, above, nans, complete = outside_values(grid, kind)
        if len(below) + len(above) + len(nans) == 0:
            return Assessment(blocked="the C type holds nothing outside the range: drop the claim")
        others = [self.others(g, k) for g, k in zip(bound.domain.grids, bound.domain.type_numbers, strict=True)]
        ends = np.frombuffer(grid.raw(np.array([0, grid.count - 1]), bound.domain.type_numbers[place]), below.dtype)
        block = np.concatenate([ends, below, above, nans])
        combinations = list(itertools.product(*(o for i, o in enumerate(others) if i != place)))
        columns = [np.repeat([rest[i - (i > place)] for rest in combinations], len(block)) if i != place
                   else np.tile(block, len(combinations)) for i in range(len(others))]
        # Of each block: its two ends, then what must answer as the low end, as the high end, and NaNs.
        roles = np.repeat([END, LOW, HIGH, NAN], [2, len(below), len(above), len(nans)])
        bases = np.repeat(np.arange(len(combinations)) * len(block), len(block))
        found = self.judge(bound, columns, np.tile(roles, len(combinations)), bases, case.probe)
        found.every_value = complete and not found.open and case.bound.domain.whole and len(bound.domain.grids) == 1
        return found

    def others(self, grid: Grid, type_number: int) -> np.ndarray:
        """Low, middle and high value of an input that stays inside, as raw bits."""
        places = np.array(sorted({0, grid.count // 2, grid.count - 1}))
        return np.frombuffer(grid.raw(places, type_number), raw_type(NUMPY_TYPES[type_number]))

    def judge(self, bound: Bound, columns: list[np.ndarray], roles: np.ndarray, bases: np.ndarray,
              probe: Probe) -> Assessment:
        """Compare each answer with the answer of its end. columns: raw bits per input; bases: where the two ends stand."""
        got, came, tried = probe.outside_results(bound, [column.tobytes() for column in columns], len(roles))
        found = Assessment(valid=int(((roles >= 0) & tried).sum()), open=int(((roles >= 0) & ~tried).sum()))
        if found.open:
            found.facts.append(f"{found.open} inputs outside the range were not tried after calls that did not come back or "
                               "took long")
        beside = np.flatnonzero(((roles == LOW) | (roles == HIGH)) & tried)
        suspect = beside[~came[beside] | (got[beside] != got[bases[beside] + roles[beside]])]
        wrong: list[tuple[int, str]] = []
        for place in sorted({*suspect.tolist(), *np.flatnonzero((roles == NAN) & tried).tolist()}):
            low, high = got[bases[place]], got[bases[place] + 1]
            if roles[place] == NAN:
                right, words = self.nan_right(got[place], low, high)
            else:
                end = high if roles[place] == HIGH else low
                right, words = got[place] == end, f"{figure(end)}, the result at that end"
            if not came[place]:
                right, words = False, "a result"
            if not right:
                wrong.append((place, words))
        found.failing = len(wrong)
        if wrong:
            kind = NUMPY_TYPES[bound.domain.type_numbers[self.place(bound)]]
            inputs = columns[self.place(bound)].view(kind).astype(np.float64)
            place, words = min(wrong, key=lambda w: (bool(came[w[0]]), simplicity(inputs[w[0]])))
            lost = sum(not came[w[0]] for w in wrong)
            if lost:
                found.facts.append(f"{lost} calls did not come back (crash, hang or exit): replay says how")
            answer = f"gave {figure(got[place])}" if came[place] else "did not come back: crash, hang or exit"
            found.witness_raw = tuple(column[place].tobytes() for column in columns)
            found.wanted_text = words
            found.error_text = f"an input outside the range {answer}"
            driven = [inputs[w[0]] for w in wrong]
            kinds = {"NaN": np.isnan(driven).any(), "+infinity": np.isposinf(driven).any(),
                     "-infinity": np.isneginf(driven).any()}
            seen = [name for name, there in kinds.items() if there]
            found.facts.append(f"{len(wrong)} of {found.valid} inputs tried outside the range fail"
                               + (f", {', '.join(seen)} among them" if seen else ""))
        return found

    def place(self, bound: Bound) -> int:
        """Which input is driven outside."""
        names = [grid.name for grid in bound.domain.grids]
        return names.index(self.input_name) if self.input_name else 0

    def nan_right(self, got: float, low: float, high: float) -> tuple[bool, str]:
        """Whether the answer to NaN is the one the sheet asks for."""
        if self.nan == "any":
            return True, "anything"
        if self.nan == "finite":
            least, most = min(low, high), max(low, high)
            return math.isfinite(got) and least <= got <= most, f"a finite result between {figure(least)} and {figure(most)}"
        end = low if self.nan == "low" else high
        return got == end, f"{figure(end)}, the result at the {self.nan} end"


def simplicity(value: float) -> tuple[bool, int, float]:
    """Order for witnesses: finite before not, short decimals first."""
    if not math.isfinite(value):
        return (True, 0, 0.0)
    return (False, len(f"{value:.9g}"), abs(value))


def raw_type(kind: np.dtype) -> np.dtype:
    """The unsigned integer that holds the bits of a C type."""
    return np.dtype(f"u{kind.itemsize}")


@lru_cache(maxsize=64)
def outside_values(grid: Grid, kind: np.dtype) -> tuple[np.ndarray, np.ndarray, np.ndarray, bool]:
    """Raw bits of values below and above a grid and of NaNs, and whether these are all there are."""
    bits = raw_type(kind)
    if kind.kind in "iu":
        low, high = INT_RANGES["int" if kind.kind == "i" else "uint", kind.itemsize]
        first, last = int(grid.low / grid.scale), int(grid.high / grid.scale)
        complete = (first - low) + (high - last) <= MOST_CODES
        parts = []
        for a, b in ((low, first - 1), (last + 1, high)):
            if complete:
                numbers = np.arange(b - a + 1).astype(kind) + kind.type(a) if a <= b else np.zeros(0)
            else:
                edge = [a, a + 1, b - 1, b, (a + b) // 2, 0, -1, 1]
                spread = [int(a + (b - a) * k / 997) for k in range(998)]
                near = [first - d for d in (1, 2, 3, 100)] + [last + d for d in (1, 2, 3, 100)]
                numbers = np.array(sorted({n for n in edge + spread + near if a <= n <= b}))
            parts.append(numbers.astype(kind).view(bits))
        return parts[0], parts[1], np.zeros(0, bits), complete
    low, high = float(grid.low), float(grid.high)
    single = np.float32 if kind.itemsize == 4 else np.float64
    random = np.random.default_rng(7)
    sizes = np.concatenate([
        10.0 ** random.uniform(-45, 38.5, RANDOM_OUTSIDE),
        np.ldexp(1.0, np.arange(-149, 128)),
        [3.4028234663852886e38, np.inf],
        abs(high) * (1 + 2.0 ** -np.arange(1.0, 24)),
        [abs(low) * 2, abs(high) * 2, 1.0, 10.0, 100.0, 1000.0, 1e6],
    ])
    near_low, near_high = [single(low)], [single(high)]
    for _ in range(8):
        near_low.append(np.nextafter(near_low[-1], single(-np.inf)))
        near_high.append(np.nextafter(near_high[-1], single(np.inf)))
    with np.errstate(over="ignore"):
        points: np.ndarray = np.concatenate([sizes, -sizes, low - sizes, high + sizes, near_low, near_high]).astype(single)
    below = once_each(points[np.less(points, low)])
    above = once_each(points[np.greater(points, high)])
    nans = np.array(QUIET_NANS, bits) if kind.itemsize == 4 else np.array([np.nan, -np.nan], kind).view(bits)
    return below[::-1].copy().view(bits), above.view(bits), nans, False


def clamps(input_name: str = "", *, nan: str = "finite", because: str = "") -> Clamps:
    """Outside its range the routine answers as at the nearest end. nan: "low", "high", "finite" or "any"."""
    if nan not in NAN_ANSWERS:
        raise SheetError(f"clamps: nan={nan!r}", where="clamps(...)", why="NaN must have one stated answer",
                         todo="one of: " + ", ".join(map(repr, NAN_ANSWERS)))
    return Clamps(input_name, nan, reason(because, "clamps"))
