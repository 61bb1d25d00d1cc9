"""calibrates: the firmware's own two-point calibration brings every unit within tolerance into tune."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, ClassVar

import numpy as np

from firmware_shim.engine import NUMPY_TYPES
from reference.calibration import volts_from_code_and_readings
from verify.claims.base import Assessment, Case, Claim, number_text, positive_limit, reason
from verify.converters import Converter, Unit
from verify.errors import SheetError, nearest_words
from verify.grids import exact
from verify.routine import Routine

VOLTAGES = 129
# binary64 of a pitch is sure to far less; what lies nearer to the limit is left open.
SURE_CENTS = 1e-6


@dataclass(frozen=True)
class Calibrates(Claim):
    """For every unit, the two readings go into the routine as its converter gives them, then voltages over the range as it
    converts them; each result must be the pitch of the true voltage, within the limit.

    Fails when: one is off by more, or is no pitch (gain and offset mixed up, a division too early, a sign lost for an
    inverted input, an overflow at one corner). Units: the nominal one and all combinations of ends of the tolerances.
    Cannot see: units inside the tolerances where the firmware is not monotone; voltages between those tried; missing codes.
    """

    readings: tuple[tuple[str, Fraction], ...]
    code: str
    converter: Converter
    limit: Fraction
    volts: tuple[Fraction, Fraction]
    reference: Any
    constants: Mapping[str, Any]
    because: str
    name: ClassVar[str] = "calibrates"

    def limit_text(self) -> str:
        return f"{number_text(self.limit)} cents, {self.converter.text()}"

    def check(self, routine: Routine, where: str) -> None:
        names = [grid.name for grid in routine.inputs]
        wanted = [name for name, _ in self.readings] + [self.code]
        if routine.stages is not None:
            raise SheetError("calibrates on a path", where=where, why="a path takes one code, calibration two readings more",
                             todo=f"claim it on a function: {', '.join(routine.stages.names())}")
        for name in wanted:
            if name not in names:
                raise SheetError(f"no input {name!r}", where=where, why="readings and code go in by name",
                                 todo=nearest_words(name, names))
        if sorted(wanted) != sorted(names):
            raise SheetError(f"calibrates: inputs besides: {', '.join(sorted(set(names) - set(wanted)))}", where=where,
                             why="two readings and a code are driven", todo="set the others in the call")
        if any(grid.kind == "float32" or grid.scale != 1 for grid in routine.inputs):
            raise SheetError("calibrates: readings and code are whole numbers", where=where, why="a converter gives codes",
                             todo='describe them with integers(...) or codes(...)')
        if routine.output.unit not in ("V", "Hz") or (routine.output.unit == "Hz" and self.reference is None):
            raise SheetError("calibrates: the result is neither volts nor a pitch with a reference", where=where,
                             why=f"its unit is {routine.output.unit!r}",
                             todo='give output="V", or output="Hz" and reference=pitch.hz_from_volts, constants=... here')

    def right(self, volts: np.ndarray, unit: str) -> np.ndarray:
        """What the routine must give at true voltages."""
        from verify.paths.budget import evaluated

        return volts if unit == "V" else evaluated(self.reference, [volts], self.constants)

    def cents(self, got: np.ndarray, volts: np.ndarray, unit: str) -> np.ndarray:
        """Error of results against true voltages; NaN where there is no pitch."""
        from verify.paths.budget import distance

        return (got - volts) * 1200 if unit == "V" else distance("cents", got, self.right(volts, unit))

    def assess(self, case: Case) -> Assessment:
        bound = case.bound
        grids = {grid.name: grid for grid in bound.domain.grids}
        least, most = int(grids[self.code].low), int(grids[self.code].high)
        low, high = (float(end) for end in self.volts)
        volts = np.unique([*np.linspace(low, high, VOLTAGES), *(float(at) for _, at in self.readings)])
        rows: list[tuple[Unit, np.ndarray, np.ndarray]] = []
        beside = unread = 0
        for unit in self.converter.units():
            read = []
            for (name, at), more in zip(self.readings, (unit.at_low, unit.at_high), strict=True):
                grid = grids[name]
                code, inside = self.converter.codes(unit, np.array([float(at)]), more, int(grid.low), int(grid.high))
                read.append(int(code[0]) if inside.all() else None)
            if None in read or read[0] == read[1]:
                unread += 1
                continue
            codes, inside = self.converter.codes(unit, volts, unit.later, least, most)
            beside += int((~inside).sum())
            rows.append((unit, np.stack([np.full(inside.sum(), one) for one in read] + [codes[inside]]), volts[inside]))
        if not rows:
            return Assessment(facts=[f"none of {unread} units gives readings within the inputs' ranges"])
        return self.judged(case, rows, beside, unread)

    def judged(self, case: Case, rows: list[tuple[Unit, np.ndarray, np.ndarray]], beside: int, unread: int) -> Assessment:
        """Run all units at all voltages and judge what came."""
        bound, limit = case.bound, float(self.limit)
        columns = np.concatenate([codes for _, codes, _ in rows], axis=1)
        true = np.concatenate([volts for _, _, volts in rows])
        units = np.repeat(np.arange(len(rows)), [len(volts) for _, _, volts in rows])
        order = [*(name for name, _ in self.readings), self.code]
        placed = [columns[order.index(grid.name)] for grid in bound.domain.grids]
        raws = [column.astype(NUMPY_TYPES[kind]).tobytes() for column, kind in
                zip(placed, bound.domain.type_numbers, strict=True)]
        got, came, tried = case.probe.outside_results(bound, raws, len(true))
        unit = bound.routine.output.unit
        cents = self.cents(got, true, unit)
        # What was not run after many stops is not judged.
        size = np.where(tried, np.where(np.isfinite(cents), np.abs(cents), np.inf), 0.0)
        wrong = size > limit + SURE_CENTS
        found = Assessment(valid=int(tried.sum()), failing=int(wrong.sum()), worst_unit="cents",
                           open=0 if wrong.any() else int((size > limit - SURE_CENTS).sum()) if limit else 0)
        at = int(size.argmax())
        indices = [(column - int(grid.low)) // grid.step for column, grid in zip(placed, bound.domain.grids, strict=True)]
        ordinals = np.sum([index * stride for index, stride in zip(indices, bound.domain.strides(), strict=True)], axis=0)
        found.worst_at = int(ordinals[at])
        found.worst = float(cents[at]) if np.isfinite(cents[at]) else float("inf")
        found.times_limit = size[at] / limit if limit else None
        self.say(found, rows, columns, true, got, unit, beside, unread)
        if wrong.any():
            # The unit with the fewest errors that fails, where it is worst.
            first = units[int(wrong.argmax())]
            mine = np.flatnonzero(wrong & (units == first))
            at = int(mine[size[mine].argmax()])
            found.witness = found.worst_at = found.first_failing = int(ordinals[at])
            right = float(self.right(true[at : at + 1], unit)[0])
            found.wanted_text = f"{right:.9g} {unit}, that of {true[at]:.6g} V; {rows[first][0].text()}"
            error = f"{cents[at]:+.6g} cents" if np.isfinite(cents[at]) else "no pitch"
            error = error if came[at] else "it did not come back"
            found.error_text = f"{error} at {true[at]:.6g} V with {rows[first][0].text()}"
            lost = np.unique(units[wrong])
            found.facts.insert(0, f"{len(lost)} of {len(rows)} units fail")
        return found

    def say(self, found: Assessment, rows: list[tuple[Unit, np.ndarray, np.ndarray]], columns: np.ndarray, true: np.ndarray,
            got: np.ndarray, unit: str, beside: int, unread: int) -> None:
        """How much of the error is the converter's, which an exact calibration leaves too, and how much the firmware's."""
        (_, low), (_, high) = self.readings
        estimated = volts_from_code_and_readings(columns[2], columns[0], columns[1], float(low), float(high))
        left = np.abs(self.cents(self.right(estimated, unit), true, unit))
        own = np.abs(self.cents(got, estimated, unit))
        if np.isfinite(left).any():
            told = f"an exact calibration leaves {np.nanmax(left):.4g} cents at most"
            own_text = f"{np.nanmax(own):.4g} cents at most" if np.isfinite(own).any() else "no pitch"
            found.facts.append(f"{told}: readings and codes are whole, and the converter is not straight; the firmware adds "
                               f"{own_text}; {len(rows)} units at {VOLTAGES} voltages")
        if unread:
            found.facts.append(f"{unread} units give readings beyond the inputs' ranges, or twice the same: left out")
        if beside:
            found.facts.append(f"{beside} voltages lie beyond the converter of their unit: left out")


def calibrates(*, readings: Mapping[str, float], code: str, converter: Converter, cents: float, volts: tuple[float, float],
               because: str, reference: Any = None, constants: Mapping[str, Any] | None = None) -> Calibrates:
    """readings: {input: its voltage}, the low one first; code: the input that is then played; volts: the range in tune;
    reference, constants: the pitch of a voltage where the result is in Hz (left out: the result is the voltage)."""
    where = "calibrates"
    if not isinstance(converter, Converter):
        raise SheetError("calibrates: converter= is no converter", where=where, why=f"got {type(converter).__name__}",
                         todo="write converter=converter(low_code=0, low_volts=0, high_code=4096, high_volts=5, ...)")
    pairs = tuple((name, exact(at, where)) for name, at in dict(readings).items())
    if len(pairs) != 2 or pairs[0][1] == pairs[1][1]:
        raise SheetError("calibrates: two readings at two voltages are needed", where=where, why=f"got {readings!r}",
                         todo='write for example readings={"low_code": 1, "high_code": 4}')
    ends = (exact(volts[0], where), exact(volts[1], where))
    if ends[0] >= ends[1]:
        raise SheetError("calibrates: volts= is empty", where=where, why=f"got {volts!r}",
                         todo="write for example volts=(0, 5)")
    return Calibrates(pairs, code, converter, positive_limit(cents, where), ends, reference, dict(constants or {}),
                      reason(because, where))
