"""Profiles for the plots: least and most error per bin, or how far the board and this computer lie apart."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from verify.claims.accurate import Accurate
from verify.claims.on_board import SameOnBoard
from verify.hunting.intervals import once_each
from verify.reports.written_numbers import Numbers
from verify.routine import Bound

if TYPE_CHECKING:
    from verify.session import Outcome

HZ_OF_C0 = 440 * 2.0 ** (-57 / 12)


def profile(outcome: Outcome) -> dict[str, Any]:
    """Least and most error per bin of the first input, in the claim's unit, with their inputs; {} where there are none.

    Of same_on_board the error is a distance: how far apart, at least zero.
    """
    claim, bound, evidence = outcome.claim, outcome.bound, outcome.evidence
    assert isinstance(claim, Accurate | SameOnBoard) and bound is not None and evidence is not None
    rows = evidence.rows
    found = rows["result"]["found"][:, outcome.slot]
    grid, stride = bound.domain.grids[0], bound.domain.strides()[0]
    no_number = once_each(rows["bin"][rows["result"]["nans"] + rows["result"]["infinities"] > 0])
    rows, found = rows[found["least_at"] >= 0], found[found["least_at"] >= 0]
    # Two builds may well agree on what is no number: a distance has its own infinity where they do not.
    beyond = [(int(k), "the result is no number") for k in no_number] if isinstance(claim, Accurate) else []
    if not len(rows):
        return profile_of(outcome, [], beyond) if beyond else {}
    places, first = np.unique(rows["bin"], return_index=True)
    columns = [grid.doubles(evidence.edges[places] // stride)]
    for name, sign in (("least", 1), ("most", -1)):
        best = np.minimum.reduceat(sign * found[name], first)
        owner = np.repeat(np.arange(len(first)), np.diff([*first, len(found)]))
        hit = np.flatnonzero(sign * found[name] == best[owner])
        _, once = np.unique(owner[hit], return_index=True)
        columns += [shown(claim, bound, sign * best), grid.doubles(found[f"{name}_at"][hit[once]] // stride)]
    finite = np.isfinite(columns[1]) & np.isfinite(columns[3])
    why = "the error is infinite" if isinstance(claim, Accurate) else "one result is no number, or infinite, the other is not"
    beyond += [(int(k), why) for k in places[~finite]]
    lines: Sequence[list[float]] = nine_digits(np.stack(columns, axis=1)[finite])
    return profile_of(outcome, lines, beyond)


def profile_of(outcome: Outcome, lines: Sequence[list[float]], beyond: list[tuple[int, str]]) -> dict[str, Any]:
    """The profile's entry: bins, and what no picture's scale can show, as stretches [from, to, why]."""
    claim, bound, evidence = outcome.claim, outcome.bound, outcome.evidence
    assert bound is not None and evidence is not None
    grid, stride = bound.domain.grids[0], bound.domain.strides()[0]
    stretches: list[list[Any]] = []
    for place, why in sorted(dict(beyond).items()):
        ends = np.array([evidence.edges[place], evidence.edges[place + 1] - 1]) // stride
        low, high = (float(f"{value:.9g}") for value in grid.doubles(ends))
        if stretches and stretches[-1][2:] == [why, place - 1]:
            stretches[-1][1], stretches[-1][3] = high, place
        else:
            stretches.append([low, high, why, place])
    apart = isinstance(claim, SameOnBoard)
    limit = getattr(claim, "limit", None) if not isinstance(claim, SameOnBoard) else claim.ulp or 0
    return {"input": grid.name, "unit": grid.unit, "error_unit": error_unit(outcome), "distance": apart,
            "limit": None if limit is None else float(limit),
            "columns": ["from", "least", "least_at", "most", "most_at"], "bins": lines,
            "beyond": [stretch[:3] for stretch in stretches],
            "notes": octave_marks(bound, [line[0] for line in lines])}


def error_unit(outcome: Outcome) -> str:
    """Unit of the errors of a profile."""
    if isinstance(outcome.claim, Accurate):
        return outcome.claim.unit
    assert outcome.bound is not None
    return "ulp" if outcome.bound.float_output else "steps"


def octave_marks(bound: Bound, starts: list[float]) -> list[list[Any]]:
    """[input, note] where the right frequency passes a C, for a keyboard under the plot."""
    if bound.routine.output.unit != "Hz" or bound.screen is None or len(bound.domain.grids) != 1:
        return []
    with np.errstate(divide="ignore", invalid="ignore"):
        octaves = np.floor(np.log2(bound.screen.evaluate([np.array(starts)]) / HZ_OF_C0) + 1e-9)
        passed = np.flatnonzero(np.isfinite(octaves[1:]) & np.isfinite(octaves[:-1]) & (octaves[1:] > octaves[:-1])) + 1
    return [[starts[k], f"C{int(octaves[k])}"] for k in passed.tolist()]


def shown(claim: Accurate | SameOnBoard, bound: Bound, errors: np.ndarray) -> np.ndarray:
    """Engine errors in the claim's unit."""
    if isinstance(claim, Accurate) and claim.metric == "cents":
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(errors > -1, 1200 * np.log2(1 + errors), -np.inf)
    if isinstance(claim, Accurate) and claim.metric == "lsb":
        return errors / bound.output_scale
    return errors


def nine_digits(table: np.ndarray) -> Numbers:
    """The numbers of a table with nine digits each, which is what a picture needs and a record can hold."""
    row = ",".join(["%.9g"] * table.shape[1])
    text = "],[".join([row] * len(table)) % tuple(table.ravel().tolist())
    numbers = iter(map(float, text.replace("],[", ",").split(","))) if len(table) else iter(())
    return Numbers(list(map(list, zip(*[numbers] * table.shape[1], strict=True))), f"[[{text}]]" if len(table) else "[]")
