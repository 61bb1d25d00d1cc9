"""The error budget of a path: what each stage adds at what it really receives, carried to the path's end, and how it adds up.

For each input x, y_k is what stage k gave and F_k what the stages behind it must make of it. The share of stage k is the
distance from F_k(what stage k must give at y_{k-1}) to F_k(y_k). In cents (as in plain differences) the shares of one input
add up to its error end to end exactly: every stage's share begins where the one before ends. Shares are binary64 screens of
the references, for print and order; the worst input of each line is worked out again with the exact references.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np

from reference import precision, tracing
from verify.claims.accurate import Accurate
from verify.errors import ToolFault
from verify.explaining import number_entry
from verify.grids import Grid
from verify.hunting.intervals import once_each
from verify.paths.entry import composed
from verify.paths.outside import Outside
from verify.paths.walk import Walk, walk_of, walked
from verify.reports.numbers import away
from verify.routine import Bound, Routine
from verify.units import ERROR_UNITS, PITCH_UNITS

if TYPE_CHECKING:
    from verify.binding import Bench
    from verify.session import Outcome

CENTS_PER_OCTAVE = 1200
MOST_EXACT = 2000
BITS = 120
SUM_SLACK = 1e-6
STEPPED = ("integer",)
OUTPUT_UNITS = {"absolute": True, "hz": True, "volts": True}


@dataclass
class Line:
    """One line of the budget. values: per input, in the budget's unit (NaN where there is none)."""

    name: str
    kind: str
    values: np.ndarray
    exact_at: Callable[[int], float] | None = None


def metric_of(routine: Routine) -> tuple[str, str]:
    """(metric, unit) of the budget: cents for pitch, else the unit of the result."""
    if routine.output.unit in PITCH_UNITS:
        return "cents", "cents"
    return "absolute", routine.output.unit


def limit_of(routine: Routine, metric: str) -> Fraction | None:
    """The limit of the path's accuracy claim, where it is in the budget's unit."""
    for claim in routine.claims:
        if isinstance(claim, Accurate) and (claim.metric == metric or (
                metric == "absolute" and ERROR_UNITS[claim.metric] in (routine.output.unit, "") and claim.metric != "relative"
                and claim.metric in OUTPUT_UNITS)):
            return claim.limit
    return None


def distance(metric: str, got: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    """Error of got against wanted; NaN where there is none (no pitch)."""
    with np.errstate(all="ignore"):
        if metric != "cents":
            return got - wanted
        found = np.log1p((got - wanted) / wanted) * (CENTS_PER_OCTAVE / math.log(2))
        return np.where((got > 0) & (wanted > 0), found, np.nan)


def exact_distance(metric: str, got: Fraction, wanted: Fraction) -> float:
    """The same of exact numbers."""
    if metric != "cents":
        return float(got - wanted)
    if got <= 0 or wanted <= 0:
        return math.nan
    low, high = precision.log2_enclosure(got / wanted, got / wanted, BITS)
    return float(CENTS_PER_OCTAVE * (low + high) / 2)


def evaluated(function: Any, arrays: Sequence[np.ndarray], constants: Any) -> np.ndarray:
    """A reference over many inputs: by its screen where it has one, else exactly at up to 2000 of them (NaN elsewhere)."""
    finite = np.logical_and.reduce([np.isfinite(array) for array in arrays])
    found = np.full(len(arrays[0]), np.nan)
    if not finite.any():
        return found
    given = [array[finite] for array in arrays]
    screen = tracing.screen(function, [(float(a.min()), float(a.max())) for a in given], constants)
    if screen is not None:
        found[finite] = screen.evaluate(given)
        return found
    places = np.flatnonzero(finite)
    places = places[once_each(np.linspace(0, len(places) - 1, min(MOST_EXACT, len(places))).astype(np.int64))]
    for place in places:
        try:
            found[place] = float(exactly(function, [Fraction(float(array[place])) for array in arrays], constants))
        except Exception:
            continue  # a value for which the reference has no answer has no share
    return found


def exactly(function: Any, inputs: Sequence[Fraction], constants: Any) -> Fraction:
    """The right answer, to far below any unit in print."""
    return precision.enclose(function, inputs, constants, bits=BITS).middle


def lines_of(bound: Bound, walk: Walk, metric: str) -> tuple[list[Line], np.ndarray]:
    """Lines of the stages in order, and the error end to end per input."""
    routine, stages = bound.routine, bound.routine.stages
    assert stages is not None
    parts = list(bound.stages)
    lines: list[Line] = []
    tails = [tail_of(parts[number + 1 :]) for number in range(len(parts))]
    if not all(part.routine.reference for part in parts):
        tails, parts = [], []
    for number, part in enumerate(parts):
        received = walk.inputs if number == 0 else [walk.taken[number]]
        wanted = evaluated(part.routine.reference, received, part.routine.constants)
        got = walk.given[number]
        values = distance(metric, through(tails[number], got), through(tails[number], wanted))
        values[~walk.came] = np.nan

        lines.append(Line(part.routine.name, "stage", values, exact_share(part, received, got, tails[number], metric)))
    whole = evaluated(routine.reference, walk.inputs, routine.constants)
    total = distance(metric, walk.given[-1], whole)
    total[~walk.came] = np.nan
    if parts and not stages.composed:
        together = composed([part.routine for part in parts])
        meant = evaluated(together, walk.inputs, {})

        def exact_rest(at: int) -> float:
            inputs = [Fraction(float(a[at])) for a in walk.inputs]
            return exact_distance(metric, exactly(together, inputs, {}),
                                  exactly(routine.reference, inputs, routine.constants))

        rest = distance(metric, meant, whole)
        lines.insert(0, Line("the stages' references against the path's", "meant", rest, exact_rest))
    if parts:
        check_sum(lines, total, float(np.nanmax(np.abs(walk.given[-1]), initial=0.0)))
    return lines, total


def exact_share(part: Bound, received: list[np.ndarray], got: np.ndarray, tail: Callable[..., Any] | None,
                metric: str) -> Callable[[int], float]:
    """A stage's share at one place, by the exact references."""

    def share(at: int) -> float:
        right = exactly(part.routine.reference, [Fraction(float(a[at])) for a in received], part.routine.constants)
        ends = [Fraction(float(got[at])), right]
        return exact_distance(metric, *(ends if tail is None else [exactly(tail, [end], {}) for end in ends]))

    return share


def check_sum(lines: list[Line], total: np.ndarray, largest: float) -> None:
    """The shares of each input add up to its error; if not, the budget is not to be believed. Errors: ToolFault."""
    summed = np.sum([line.values for line in lines], axis=0)
    both = np.isfinite(summed) & np.isfinite(total)
    size = np.abs(total) + np.sum([np.abs(line.values) for line in lines], axis=0)
    if (np.abs(summed[both] - total[both]) > SUM_SLACK * (1e-3 + size[both]) + 1e-12 * largest).any():
        raise ToolFault("the shares of a budget do not add up", where="the error budget of a path",
                        why="stages in order must give the error end to end", todo="report this with the sheet")


def tail_of(parts: Sequence[Bound]) -> Callable[..., Any] | None:
    """What the stages behind one must make of its result; None behind the last."""
    return composed([part.routine for part in parts]) if parts else None


def through(tail: Callable[..., Any] | None, values: np.ndarray) -> np.ndarray:
    """Values carried to the path's end by the references of the stages behind."""
    return values if tail is None else evaluated(tail, [values], {})


def quantisation(bound: Bound, metric: str) -> Line | None:
    """Half a step of the path's first input, at every step: what no firmware behind a converter can know."""
    grid = bound.domain.grids[0]
    if grid.kind not in STEPPED or len(bound.domain.grids) != 1 or grid.count < 2:
        return None
    half = Outside(f"half a step of {grid.name}", Fraction(0), Fraction(1, 2), rms=False)
    return beside(bound, metric, half, half.name, "quantisation")


def beside(bound: Bound, metric: str, what: Outside, name: str, kind: str) -> Line:
    """What the path's right answer moves by where its input is moved, at up to 2^17 places (see places_beside)."""
    routine, grid = bound.routine, bound.domain.grids[0]
    index = places_beside(grid)
    values = grid.doubles(index)
    middle = evaluated(routine.reference, [values], routine.constants)
    sides = []
    for sign in (-1, 1):
        # Beyond the ends is no input: there the other side stands.
        moved = np.clip(what.moved(values, sign, grid), values[0], values[-1])
        sides.append(distance(metric, evaluated(routine.reference, [moved], routine.constants), middle))
    larger = np.where(np.abs(sides[0]) >= np.abs(sides[1]), sides[0], sides[1])

    def exact_at(at: int) -> float:
        value = grid.value(int(index[at]))
        sign = -1 if abs(sides[0][at]) >= abs(sides[1][at]) else 1
        moved = min(max(what.moved(value, sign, grid), grid.value(0)), grid.value(grid.count - 1))
        ends = [exactly(routine.reference, [v], routine.constants) for v in (moved, value)]
        return exact_distance(metric, ends[0], ends[1])

    return Line(name, kind, np.abs(larger), lambda at: abs(exact_at(at)))


def places_beside(grid: Grid) -> np.ndarray:
    """Where an input is moved: every place, or an even cover."""
    return np.linspace(0, grid.count - 1, min(grid.count, 2**17)).astype(np.int64)  # no two alike: steps of one or more


def worst_of(line: Line) -> int:
    """Place of the largest finite value, -1 where there is none."""
    sizes = np.where(np.isfinite(line.values), np.abs(line.values), -1.0)
    at = int(sizes.argmax())
    return at if sizes[at] >= 0 else -1


def budget_of(bound: Bound, probe: Any, worst_at: int | None = None) -> dict[str, Any]:
    """The budget's entry in the record. worst_at: the input at which a claim found the worst of all that were tried."""
    routine, stages = bound.routine, bound.routine.stages
    assert stages is not None
    walk = walk_of(bound, probe)
    metric, unit = metric_of(routine)
    limit = limit_of(routine, metric)
    entry: dict[str, Any] = {
        "build": bound.build, "unit": unit, "stages": stages.names(), "inputs": len(walk.ordinals),
        "every_value": walk.every_value, "limit": None if limit is None else float(limit), "lines": [],
        "problem": walk.problem, "end": None, "sum": None, "lost": int((~walk.came).sum()), "measured": None,
    }
    if walk.problem or not walk.came.any():
        entry["problem"] = walk.problem or "no input came through"
        return entry
    lines, total = lines_of(bound, walk, metric)
    end = Line("end to end", "end", total, lambda at: exact_distance(
        metric, Fraction(float(walk.given[-1][at])),
        exactly(routine.reference, bound.domain.values(int(walk.ordinals[at])), routine.constants)))
    shown = float(limit) if limit is not None else None
    worst_end = worst_of(end)
    for line in lines:
        entry["lines"].append({**described(line, bound, walk.ordinals, shown, unit),
                               "at_worst": plain_value(line.values[worst_end]) if worst_end >= 0 else None})
    entry["end"] = described(end, bound, walk.ordinals, shown, unit)
    if worst_at is not None and worst_at not in walk.ordinals:
        add_worst(entry, bound, probe, metric, worst_at, shown, unit)
    known = [line["worst"] for line in entry["lines"] if line["worst"] is not None]
    entry["sum"] = float(np.sum(np.abs(known))) if known else None
    entry["sum_text"] = f"{entry['sum']:.4g} {unit}".strip() if known else ""
    steps = quantisation(bound, metric)
    more = [beside(bound, metric, what, what.text(), "outside") for what in stages.outside]
    for line in ([steps] if steps is not None else []) + more:
        places = places_beside(bound.domain.grids[0])
        entry["lines"].append({**described(line, bound, places, None, unit), "at_worst": None})
    entry["outside"] = [text for what in stages.outside if (text := what.chatter())]
    if stages.voice is not None and bound.build != "board":
        entry["measured"] = {"method": "phase slope", "own_error": float(stages.voice.measured_cents), "unit": "cents",
                             "not_measured": int(np.isnan(walk.given[-1][walk.came]).sum())}
    return entry


def add_worst(entry: dict[str, Any], bound: Bound, probe: Any, metric: str, worst_at: int, limit: float | None,
              unit: str) -> None:
    """A sample may have missed the worst that the hunt found: its own walk joins the lines."""
    walk = walked(bound, probe, np.array([worst_at], np.int64))
    lines, total = lines_of(bound, walk, metric)
    if not np.isfinite(total).all():
        return
    rows = {row["name"]: row for row in entry["lines"]}
    for line in lines:
        row = rows.get(line.name)
        if row is None or not np.isfinite(line.values).all():
            continue
        if row["worst"] is None or abs(line.values[0]) > abs(row["worst"]):
            row.update(described(line, bound, walk.ordinals, limit, unit))
    end = entry["end"]
    if end["worst"] is None or abs(total[0]) > abs(end["worst"]):
        end.update(described(Line("end to end", "end", total), bound, walk.ordinals, limit, unit))
        for line in lines:
            if line.name in rows:
                rows[line.name]["at_worst"] = plain_value(line.values[0])


def plain_value(value: float) -> float | None:
    """A number of the record, None where there is none."""
    return float(value) if math.isfinite(value) else None


def described(line: Line, bound: Bound, ordinals: np.ndarray, limit: float | None, unit: str) -> dict[str, Any]:
    """One line: its worst, where, and in words."""
    at = worst_of(line)
    row: dict[str, Any] = {"name": line.name, "kind": line.kind, "worst": None, "text": "none could be judged", "at": []}
    if at < 0:
        return row
    value = line.exact_at(at) if line.exact_at is not None else float(line.values[at])
    row["worst"] = plain_value(value)
    row["text"] = f"{away(value, limit)} {unit}".strip() if math.isfinite(value) else "no pitch"
    beyond = int(np.isinf(line.values).sum())
    row["text"] += f" (infinite at {beyond} inputs)" if beyond else ""
    raws = bound.domain.raw_bits(int(ordinals[at]))
    parts = zip(raws, bound.domain.type_numbers, bound.domain.grids, strict=True)
    row["at"] = [number_entry(raw, kind, grid.scale, grid.name, grid.unit) for raw, kind, grid in parts]
    return row


def budgets(benches: Sequence[Bench], routine: Routine, outcomes: Sequence[Outcome], probe: Any) -> list[dict[str, Any]]:
    """The budgets of a path in every build that ran it and looks at values."""
    found = []
    for bench in benches:
        bound = bench.bounds.get(routine.name)
        if bound is None or not bound.stages or bench.build not in ("host", "board"):
            continue
        worst = [o.assessment.worst_at for o in outcomes if o.build == bench.build and o.claim.name == "accurate"]
        entry = budget_of(bound, probe, next((at for at in worst if at is not None and at >= 0), None))
        entry["cut"] = bench.build == "board" and routine.stages is not None and routine.stages.voice is not None
        found.append(entry)
    return found
