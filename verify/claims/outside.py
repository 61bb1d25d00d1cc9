"""clamps: outside its range the routine answers as at the nearest end; NaN and infinities included."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from firmware_shim.engine import NUMPY_TYPES
from verify.claims.base import Assessment, Case, Claim, doubles_of, reason
from verify.errors import SheetError
from verify.grids import Grid
from verify.number_formats import INT_RANGES
from verify.routine import Bound, Routine

NAN_ANSWERS = ("low", "high", "finite", "any")
RANDOM_OUTSIDE = 4000
MOST_CODES = 70_000
QUIET_NANS = (0x7FC00000, 0xFFC00000, 0x7FFFFFFF)


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
        low = grid.raw(np.array([0]), bound.domain.type_numbers[place])
        high = grid.raw(np.array([grid.count - 1]), bound.domain.type_numbers[place])
        raws: list[tuple[bytes, ...]] = []
        wanted: list[int] = []
        combinations = list(itertools.product(*(o for i, o in enumerate(others) if i != place)))
        for rest in combinations:
            base = len(raws)
            for end in (low, high):
                raws.append(insert(rest, place, end))
                wanted.append(-1)
            for part, target in ((below, base), (above, base + 1), (nans, -2 - base)):
                raws += [insert(rest, place, value) for value in part]
                wanted += [target] * len(part)
        answers = case.probe.outside(bound, raws)
        found = self.judge(bound, raws, wanted, answers)
        found.every_value = complete and case.bound.domain.whole and len(bound.domain.grids) == 1
        return found

    def others(self, grid: Grid, type_number: int) -> list[bytes]:
        """Low, middle and high value of an input that stays inside."""
        places = sorted({0, grid.count // 2, grid.count - 1})
        return [grid.raw(np.array([place]), type_number) for place in places]

    def judge(self, bound: Bound, raws: list[tuple[bytes, ...]], wanted: list[int],
              answers: Sequence[bytes | None]) -> Assessment:
        """Compare each answer with the answer of its end."""
        got = doubles_of(answers, NUMPY_TYPES[bound.output_type], bound.output_scale)
        found = Assessment(valid=sum(target != -1 for target in wanted))
        targets = np.array(wanted)
        lost_calls = np.array([answer is None for answer in answers])
        beside = np.flatnonzero(targets >= 0)
        suspect = beside[lost_calls[beside] | (got[beside] != got[targets[beside]])]
        wrong: list[tuple[int, str]] = []
        for place in sorted({*suspect.tolist(), *np.flatnonzero(targets < -1).tolist()}):
            target = wanted[place]
            if target >= 0:
                right, words = got[place] == got[target], f"{got[target]:.9g}, the result at that end"
            else:
                right, words = self.nan_right(got[place], got[-2 - target], got[-1 - target])
            if lost_calls[place]:
                right, words = False, "a result"
            if not right:
                wrong.append((place, words))
        found.failing = len(wrong)
        if wrong:
            inputs = doubles_of([raw[self.place(bound)] for raw in raws],
                                NUMPY_TYPES[bound.domain.type_numbers[self.place(bound)]], 1.0)
            place, words = min(wrong, key=lambda w: (answers[w[0]] is not None, simplicity(inputs[w[0]])))
            lost = sum(answers[w[0]] is None for w in wrong)
            if lost:
                found.facts.append(f"{lost} calls did not come back (crash, hang or exit): replay says how")
            answer = "did not come back: crash, hang or exit" if answers[place] is None else f"gave {got[place]:.9g}"
            found.witness_raw = raws[place]
            found.wanted_text = words
            found.error_text = f"an input outside the range {answer}"
            tried = [inputs[w[0]] for w in wrong]
            kinds = {"NaN": np.isnan(tried).any(), "+infinity": np.isposinf(tried).any(),
                     "-infinity": np.isneginf(tried).any()}
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
            return math.isfinite(got) and least <= got <= most, f"a finite result between {least:.9g} and {most:.9g}"
        end = low if self.nan == "low" else high
        return got == end, f"{end:.9g}, the result at the {self.nan} end"


def simplicity(value: float) -> tuple[bool, int, float]:
    """Order for witnesses: finite before not, short decimals first."""
    if not math.isfinite(value):
        return (True, 0, 0.0)
    return (False, len(f"{value:.9g}"), abs(value))


def insert(rest: tuple[bytes, ...], place: int, value: bytes) -> tuple[bytes, ...]:
    """One input's value among those of the others."""
    return (*rest[:place], value, *rest[place:])


def outside_values(grid: Grid, kind: np.dtype) -> tuple[list[bytes], list[bytes], list[bytes], bool]:
    """Raw values below and above a grid, NaNs, and whether these are all there are."""
    if kind.kind in "iu":
        low, high = INT_RANGES["int" if kind.kind == "i" else "uint", kind.itemsize]
        first, last = int(grid.low / grid.scale), int(grid.high / grid.scale)
        complete = (first - low) + (high - last) <= MOST_CODES
        parts = []
        for a, b in ((low, first - 1), (last + 1, high)):
            if complete:
                numbers = list(range(a, b + 1))
            else:
                edge = [a, a + 1, b - 1, b, (a + b) // 2, 0, -1, 1]
                spread = [int(a + (b - a) * k / 997) for k in range(998)]
                near = [first - d for d in (1, 2, 3, 100)] + [last + d for d in (1, 2, 3, 100)]
                numbers = sorted({n for n in edge + spread + near if a <= n <= b})
            parts.append([np.array(n).astype(kind).tobytes() for n in numbers])
        return parts[0], parts[1], [], complete
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
    below = np.unique(points[np.less(points, low)])
    above = np.unique(points[np.greater(points, high)])
    if kind.itemsize == 4:
        nans = [np.array(bits, np.uint32).tobytes() for bits in QUIET_NANS]
    else:
        nans = [np.array(np.nan, kind).tobytes(), np.array(-np.nan, kind).tobytes()]
    return [v.tobytes() for v in below[::-1]], [v.tobytes() for v in above], nans, False


def clamps(input_name: str = "", *, nan: str = "finite", because: str = "") -> Clamps:
    """Outside its range the routine answers as at the nearest end. nan: "low", "high", "finite" or "any"."""
    if nan not in NAN_ANSWERS:
        raise SheetError(f"clamps: nan={nan!r}", where="clamps(...)", why="NaN must have one stated answer",
                         todo="one of: " + ", ".join(map(repr, NAN_ANSWERS)))
    return Clamps(input_name, nan, reason(because, "clamps"))
