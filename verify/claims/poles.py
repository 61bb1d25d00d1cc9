"""Poles of two coefficients: exactly, and over every setting of a function that computes them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from fractions import Fraction

import numpy as np

from firmware_shim.job import Test
from verify.claims.base import Assessment, Case, number_text
from verify.errors import SheetError, nearest_words
from verify.judging.exact import output_value
from verify.judging.verdict import grouped
from verify.routine import Bound, Routine

# Names of readable coefficients -> a1, a2 of z^2 + a1 z + a2; exact, since the coefficients are.
FORMS: dict[tuple[str, ...], Callable[..., tuple[Fraction, Fraction]]] = {
    ("a1", "a2"): lambda a1, a2: (a1, a2),
    ("minus_a1", "minus_a2"): lambda a1, a2: (-a1, -a2),
    ("f", "damping"): lambda f, d: (-(2 - f * f - f * d), 1 - f * d),
    ("pole",): lambda p: (-p, Fraction(0)),
    ("a",): lambda a: (a - 1, Fraction(0)),
}
PAIRS: list[tuple[str, ...]] = [form for form in FORMS if len(form) == 2]
MOST_EXACT = 100_000

Named = Sequence[tuple[str, str]]
"""(coefficient, output or routine that holds it) in the order of a form."""


def poles_inside(named: Named, values: Sequence[Fraction], radius: Fraction) -> tuple[bool, float]:
    """Whether all poles lie within the radius, exactly; and the size of the largest, for print."""
    a1, a2 = FORMS[tuple(name for name, _ in named)](*values)
    # Poles within r: those of z -> r z within the circle.
    a1, a2 = a1 / radius, a2 / radius**2
    return abs(a2) < 1 and abs(a1) < 1 + a2, pole_size(a1, a2) * float(radius)


def pole_size(a1: Fraction, a2: Fraction) -> float:
    """Size of the larger root of z^2 + a1 z + a2, for print."""
    under = a1 * a1 - 4 * a2
    if under < 0:
        return float(a2) ** 0.5
    return (abs(float(a1)) + float(under) ** 0.5) / 2


def check_function(named: Named, peak: Fraction | None, routine: Routine, where: str) -> None:
    """Raise SheetError where stays_stable cannot be meant for this function."""
    names = [name for _, name in named]
    if routine.stages is not None or peak is not None or not named:
        raise SheetError("stays_stable of a function looks at poles only", where=where,
                         why="a function has no time: what its coefficients do can be said, not what a filter gives",
                         todo='give poles={"a1": "routine", "a2": "routine"}, or claim it on the filter as a machine')
    if len(named) == 1:
        raise SheetError("stays_stable of a function needs two coefficients", where=where,
                         why="of a single one the range says all",
                         todo="stays_within(...) says it: a pole between -1 and 1, a between 0 and 2")
    if routine.name not in names or names[0] == names[1]:
        raise SheetError("stays_stable: poles= must name this routine and another one", where=where,
                         why=f"got {', '.join(names)}", todo=nearest_words(routine.name, names))


def partner_name(named: Named, routine: Routine) -> str:
    """The routine that gives the other coefficient."""
    return next(name for _, name in named if name != routine.name)


def partner_problem(bound: Bound, partner: Bound | None) -> str:
    """Why the two cannot be taken together; "" when they can."""
    if partner is None:
        return "the sheet has no such routine"
    if (bound.domain.grids, bound.domain.type_numbers) != (partner.domain.grids, partner.domain.type_numbers):
        return "the two have different inputs: both coefficients belong to one setting"
    return ""


def poles_test(named: Named, radius: Fraction, bound: Bound) -> Test:
    """The engine's test: the other routine's loop over the same settings."""
    partner = bound.partners[partner_name(named, bound.routine)]
    form = PAIRS.index(tuple(name for name, _ in named))
    return Test("poles", "absolute", -np.inf, 1.0, sign=1.0 if named[0][1] == bound.routine.name else -1.0,
                step=float(form), second=partner.loop, second_type=partner.output_type, second_scale=partner.output_scale,
                second_low=float(radius))


def values_at(named: Named, case: Case, ordinals: Sequence[int]) -> list[list[Fraction] | None]:
    """Both coefficients at settings, in the order of the form; None where one did not come or is not finite."""
    found = []
    bounds = [case.bound if name == case.bound.routine.name else case.bound.partners[name] for _, name in named]
    raws = [case.probe.outputs(bound, list(ordinals)) for bound in bounds]
    for both in zip(*raws, strict=True):
        values = []
        for raw, bound in zip(both, bounds, strict=True):
            scale = Fraction(1) if bound.float_output else bound.routine.output.scale
            values.append(None if raw is None else output_value(raw, bound.output_type, scale)[1])
        found.append(None if None in values else [Fraction(value) for value in values if value is not None])
    return found


def assess_poles(named: Named, radius: Fraction, case: Case) -> Assessment:
    """What the engine saw over all settings; ties are decided exactly."""
    total, slot = case.total, case.slot
    found = Assessment(valid=total.found(slot, "judged"), failing=total.found(slot, "failing"))
    found.every_value = case.every_value
    found.first_failing, found.last_failing = total.failing_ends(slot)
    opens = [int(o) for o in case.evidence.opens[case.evidence.opens[:, 0] == slot, 1]][:MOST_EXACT]
    judged = dict(zip(opens, values_at(named, case, opens), strict=True)) if opens else {}
    wrong = [o for o, values in judged.items() if values is not None and not poles_inside(named, values, radius)[0]]
    unsure = [o for o, values in judged.items() if values is None]
    found.failing += len(wrong)
    found.open = total.found(slot, "open") - len(judged) + len(unsure)
    ends = [o for o in (total.error(slot, "most")[1], found.first_failing, *wrong[:1]) if o >= 0]
    if not ends:
        return found
    if found.first_failing < 0 and wrong:
        found.first_failing, found.last_failing = min(wrong), max(wrong)
    sizes = {}
    for at, values in zip(ends, values_at(named, case, ends), strict=True):
        sizes[at] = (False, np.inf) if values is None else poles_inside(named, values, radius)
    at = max(sizes, key=lambda o: (not sizes[o][0], sizes[o][1], -o))
    found.worst, found.worst_at, found.worst_unit = sizes[at][1], at, "largest pole"
    found.facts.append(f"poles of {grouped(found.valid)} settings, each by its own coefficients as computed")
    if found.failing:
        if case.every_value:
            share = found.failing / max(1, found.valid)
            found.share, found.share_of = (share, share, share), "every value"
        found.witness = at
        (values,) = values_at(named, case, [at])
        found.wanted_text = f"all poles inside the circle of {number_text(radius)}"
        found.error_text = "a coefficient is not finite, or did not come" if values is None else ", ".join(
            [f"{coefficient} = {float(value):.9g}" for (coefficient, _), value in zip(named, values, strict=True)]
            + [f"a pole of size {sizes[at][1]:.9g}"])
    return found
