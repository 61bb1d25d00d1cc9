"""What the reference lets be right in each period of a long run: the ends of its fourth period, where it repeats."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np

from reference.errors import DomainError, NumberRefused, Undecidable
from verify.claims.accurate import Accurate
from verify.claims.long_run import UNROLLED, KeepsGoing
from verify.machines.machine import Machine, Signal
from verify.machines.observation import Observation
from verify.machines.periods import unrolled
from verify.machines.references import known_to

SCREEN_FACTOR = 16
UNIT = 2.0**-53
MOST_OTHERS = 64
# What is still to come may be this part of the limit.
SETTLED_SHARE = 1 / 64
SHRINKING = 0.9
# A bound beyond this stands next to a jump, where either side is let in.
SURE = 2.0**-20


@dataclass(frozen=True)
class Ends:
    """Of one output, per sample of a period: right for sure between sure_low and sure_high, wrong for sure outside
    out_low and out_high. trajectory, first: of the exact reference, and the sample at which its last period starts;
    rest: how far later periods can still move; claim: whose limit it is."""

    sure_low: np.ndarray
    sure_high: np.ndarray
    out_low: np.ndarray
    out_high: np.ndarray
    trajectory: Any
    first: int
    rest: float
    claim: Accurate


def ends_of(machine: Machine, claim: KeepsGoing, periods: int) -> tuple[tuple[Ends | None, ...], tuple[str, ...]]:
    """The ends of each output for so many periods, or why there are none ("" where nobody would expect any)."""
    script = unrolled(machine, claim) if claim.limit is None and machine.reference is not None else None
    seen = Observation(machine, script, "host", {}, script.samples) if script is not None else None
    found = [_ends(machine, claim, of, seen, periods) for of in machine.outputs]
    return tuple(ends for ends, _ in found), tuple(why for _, why in found)


def _ends(machine: Machine, claim: KeepsGoing, of: Signal, seen: Observation | None,
          periods: int) -> tuple[Ends | None, str]:
    judging = next((c for c in machine.claims if isinstance(c, Accurate) and machine.signal_named(c.of) == of), None)
    if claim.limit is not None or judging is None or not known_to(machine, of.name):
        return None, ""
    if seen is None:
        return None, "the period is too long to be judged by the reference"
    try:
        trajectory = seen.wanted(of.name)
        if trajectory is None:
            problem = seen.reference_problem_of(of.name)
            return None, f"the reference has no answer: {problem}" if problem else f"the reference says nothing of {of.name}"
        return around(trajectory, judging, of, seen.script.samples // UNROLLED, periods)
    except (DomainError, Undecidable, NumberRefused) as why:
        return None, f"the reference has no answer: {why}"


def around(trajectory: Any, judging: Accurate, of: Signal, samples: int, periods: int) -> tuple[Ends | None, str]:
    """The limit around the last of UNROLLED periods; branches that may go either way are all let in."""
    wanted, bound = trajectory.screen()
    first = (UNROLLED - 1) * samples
    parts = [wanted[k * samples : (k + 1) * samples] for k in range(UNROLLED)]
    below, above = limits(judging, parts[-1], of)
    if below is None or above is None:
        return None, f"{judging.metric}= has no ends that a long run could keep to"
    rest = still_to_come(parts, [bound[k * samples : (k + 1) * samples] for k in range(UNROLLED)], periods)
    if not rest <= SETTLED_SHARE * float(np.minimum(below, above).min()):
        last = float(np.abs(parts[-1] - parts[-2]).max())
        return None, ("the reference itself does not repeat from period to period (its fourth is up to "
                      f"{last:.3g} {of.unit} off its third)".replace("  ", " "))
    low, high = hull(trajectory, parts[-1], first)
    margin = SCREEN_FACTOR * np.where(bound[first:] == 0, 0.0, bound[first:] + np.abs(parts[-1]) * 4 * UNIT)
    margin = margin + rest + 4 * UNIT * (np.abs(parts[-1]) + np.maximum(below, above))
    low, high = low - below, high + above
    return Ends(low + margin, high - margin, low - margin, high + margin, trajectory, first, rest, judging), ""


def still_to_come(parts: list[np.ndarray], bounds: list[np.ndarray], periods: int) -> float:
    """How far periods after the last one can still move from it, infinite where nothing says so.

    Steps between periods that shrink by a ratio add up to a geometric series. Steps within the screen's own bounds are taken
    to come again in every period to the end.
    """
    steps, tiny = [], 0.0
    for k in (UNROLLED - 2, UNROLLED - 1):
        step, doubt = np.abs(parts[k] - parts[k - 1]), bounds[k] + bounds[k - 1]
        small = step <= doubt
        tiny = max(tiny, float(step[small & (doubt < SURE)].max(initial=0.0)))
        steps.append(float(step[~small].max(initial=0.0)))
    before, last = steps
    if last == 0:
        return tiny * periods
    return last * (last / before) / (1 - last / before) + tiny * periods if last <= SHRINKING * before else math.inf


def limits(judging: Accurate, wanted: np.ndarray, of: Signal) -> tuple[np.ndarray | None, np.ndarray | None]:
    """How far below and above the right value a sample may lie."""
    limit = float(judging.limit)
    if judging.metric == "cents":
        down, up = math.expm1(-limit * math.log(2) / 1200), math.expm1(limit * math.log(2) / 1200)
        return -np.abs(wanted) * down, np.abs(wanted) * up
    if judging.metric == "relative":
        return np.abs(wanted) * limit, np.abs(wanted) * limit
    if judging.metric in ("absolute", "hz", "volts", "lsb"):
        size = np.full(len(wanted), limit * (float(of.scale) if judging.metric == "lsb" else 1.0))
        return size, size
    return None, None


def hull(trajectory: Any, wanted: np.ndarray, first: int) -> tuple[np.ndarray, np.ndarray]:
    """Least and most right value per sample of the last period, with every decision of the last two taken either way."""
    low, high = wanted.copy(), wanted.copy()
    span = trajectory.span()
    if span is not None:
        low, high = np.minimum(low, span[0][first:]), np.maximum(high, span[1][first:])
    late = [n for n, d in enumerate(trajectory.decisions) if d.sample >= first - len(wanted) - d.band_samples]
    moves = [(n, shift) for n in late for size in range(1, trajectory.decisions[n].band_samples + 1)
             for shift in (-size, size)]
    if len(moves) > MOST_OTHERS:
        raise Undecidable(f"{len(late)} decisions in a period are too many to take each of them either way")
    # Several may fall otherwise at once: what each moves is added up.
    for number, shift in moves:
        other = trajectory.shifted({number: shift}).screen_part(first, first + len(wanted))[0]
        low += np.minimum(0.0, other - wanted)
        high += np.maximum(0.0, other - wanted)
    return low, high


def surely_wrong(ends: Ends, of: Signal, sample: int, got: float) -> bool:
    """Whether the exact reference confirms that a sample of the period is beyond the limit."""
    if not math.isfinite(got):
        return True
    low, high = ends.trajectory.exact(ends.first + sample, 120)
    below, above = limits(ends.claim, np.array([max(abs(float(low)), abs(float(high)))]), of)
    assert below is not None and above is not None
    # Either branch of a decision is right: its ends are wider than one exact value, and these are in binary64.
    wide_low, wide_high = Fraction(float(ends.out_low[sample])), Fraction(float(ends.out_high[sample]))
    reach = Fraction(float(max(below[0], above[0]))) + Fraction(ends.rest)
    outside = not wide_low <= Fraction(got) <= wide_high
    return outside and (Fraction(got) < low - reach or Fraction(got) > high + reach)
