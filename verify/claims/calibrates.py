"""calibrates: the firmware's own two-point calibration brings every unit within tolerance into tune."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, ClassVar

import numpy as np

from reference.calibration import volts_from_code_and_readings
from verify.calibration_runs import Bench, Runs
from verify.claims.base import Assessment, Case, Claim, number_text, positive_limit, reason
from verify.converters import Converter
from verify.errors import SheetError, nearest_words
from verify.grids import exact
from verify.hunting.intervals import once_each
from verify.number_formats import figure
from verify.routine import Routine

VOLTAGES, FEW = 129, 17
INSIDE, NEAR = 2000, 200
REACHES = (0.25, 0.06, 0.015)
# binary64 of a pitch is sure to far less; what lies nearer to the limit is left open.
SURE_CENTS = 1e-6


@dataclass(frozen=True)
class Calibrates(Claim):
    """For every unit, the two readings go into the routine as its converter gives them, then voltages over the range as it
    converts them; each result must be the pitch of the true voltage, within the limit.

    Fails when: one is off by more, or is no pitch (gain and offset mixed up, a division too early, a sign lost for an
    inverted input, an overflow at one corner). Units: the nominal one, all combinations of ends of the tolerances, an even
    cover of what lies inside them, and units nearer and nearer to the worst. The volts of an exact calibration without
    rounding are a quotient of linear functions of each single error, so they go one way as it grows, and their worst unit is
    one at the ends: that is proved, and rounding to whole codes adds half a code to each of three readings at most. Of the
    firmware nothing of the kind is known; its units are tried. Cannot see: units and voltages between those tried; missing
    codes.
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
        return f"{number_text(self.limit)} cents"

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
        low, high = (float(end) for end in self.volts)
        marks = [float(at) for _, at in self.readings]
        volts, few = (once_each(np.array([*np.linspace(low, high, count), *marks])) for count in (VOLTAGES, FEW))
        unit = case.bound.routine.output.unit
        bench = Bench(case, self.converter, self.readings, self.code, lambda got, true: self.cents(got, true, unit))
        units = self.converter.units()
        ends = bench.run(units, volts)
        if ends is None:
            return Assessment(facts=[f"none of {len(units)} units gives readings within the inputs' ranges"])
        runs = ends.with_more(bench.run(self.converter.units_inside(INSIDE), few))
        for reach in REACHES:
            # Nearer and nearer to the worst unit so far.
            runs = runs.with_more(bench.run(self.converter.units_inside(NEAR, runs.worst_unit, reach), few))
        return self.judged(bench, runs, volts, len(ends.units), unit)

    def judged(self, bench: Bench, runs: Runs, volts: np.ndarray, ends: int, unit: str) -> Assessment:
        """What the runs say; ends: how many of the units lie at ends of the tolerances."""
        limit = float(self.limit)
        wrong = runs.size > limit + SURE_CENTS
        count = len(runs.units)
        if wrong.any() and int(runs.number[int(wrong.argmax())]) >= ends:
            # Only units inside the tolerances fail: one of them as a person would write it down.
            first = runs.units[int(runs.number[int(wrong.argmax())])]
            simple = bench.simpler(first, volts, lambda some: bool((some.size > limit + SURE_CENTS).any()))
            shown = bench.run([simple], volts)
            if shown is not None and (shown.size > limit + SURE_CENTS).any():
                runs = runs.with_more(shown)
        size = runs.size
        wrong = size > limit + SURE_CENTS
        found = Assessment(valid=int(runs.tried.sum()), failing=int(wrong.sum()), worst_unit="cents",
                           open=0 if wrong.any() else int((size > limit - SURE_CENTS).sum()) if limit else 0)
        at, ordinals = int(size.argmax()), bench.ordinals(runs.columns)
        found.worst_at = int(ordinals[at])
        found.worst = float(runs.cents[at]) if np.isfinite(runs.cents[at]) else float("inf")
        found.times_limit = size[at] / limit if limit else None
        self.say(found, runs, ends, count, unit)
        if wrong.any():
            # The unit with the fewest errors that fails (or the one made simple), where it is worst.
            numbers = runs.number[wrong]
            first_number = int(numbers[0]) if int(numbers[0]) < ends else int(numbers[-1])
            mine = np.flatnonzero(wrong & (runs.number == first_number))
            at = int(mine[size[mine].argmax()])
            named = runs.units[first_number].text()
            found.witness = found.worst_at = found.first_failing = int(ordinals[at])
            right = float(self.right(runs.true[at : at + 1], unit)[0])
            found.wanted_text = f"{right:.9g} {unit}, that of {runs.true[at]:.6g} V; {named}"
            error = f"{figure(runs.cents[at], 6, signed=True)} cents" if np.isfinite(runs.cents[at]) else "no pitch"
            error = error if runs.came[at] else "it did not come back"
            found.error_text = f"{error} at {runs.true[at]:.6g} V with {named}"
            lost = len(np.unique(numbers[numbers < count]))
            where = "" if int(numbers[0]) < ends else ", none of them at the ends of all tolerances"
            found.facts.insert(0, f"{lost} of {count} units fail{where}")
        return found

    def say(self, found: Assessment, runs: Runs, ends: int, count: int, unit: str) -> None:
        """How much of the error is the converter's, which an exact calibration leaves too, and how much the firmware's."""
        (_, low), (_, high) = self.readings
        estimated = volts_from_code_and_readings(runs.columns[2], runs.columns[0], runs.columns[1], float(low), float(high))
        left = np.abs(self.cents(self.right(estimated, unit), runs.true, unit))
        own = np.abs(self.cents(runs.got, estimated, unit))
        if np.isfinite(left).any():
            told = f"an exact calibration leaves {np.nanmax(left):.4g} cents at most"
            own_text = f"{np.nanmax(own):.4g} cents at most" if np.isfinite(own).any() else "no pitch"
            tried = f"{ends} units at ends of the tolerances at {VOLTAGES} voltages, {count - ends} inside them at {FEW}"
            found.facts.append(f"{told}: readings and codes are whole, and the converter is not straight; the firmware adds "
                               f"{own_text}; {tried}")
        found.facts.append(f"converter: {self.converter.text()}")
        if runs.unread:
            found.facts.append(f"{runs.unread} units give readings beyond the inputs' ranges, or twice the same: left out")
        if runs.beside:
            found.facts.append(f"{runs.beside} voltages lie beyond the converter of their unit: left out")


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
