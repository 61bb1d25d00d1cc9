"""accurate for machines: the whole trajectory of an output against its reference, on the branches that the firmware took."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import Any

import numpy as np

from verify.claims.accurate import Accurate
from verify.claims.in_time import Judgement
from verify.judging.exact import error_between
from verify.machines.observation import Observation
from verify.number_formats import figure
from verify.reports.numbers import times as times_text

SCREEN_FACTOR = 16
MOST_EXACT = 48
SPANNED = ("absolute", "lsb", "hz", "volts")
MOST_SHIFTS = 64
# A branch on which all errors are below a sixteenth of the limit is the one that was taken.
CLEARLY = 15 / 16


def accurate(claim: Accurate, seen: Observation) -> Judgement:
    """The whole trajectory against the reference; branches that the firmware may take either way are followed."""
    found, wanted = Judgement(), seen.wanted(claim.of)
    if wanted is None or not seen.done:
        if seen.reference_problem_of(claim.of):
            found.facts.append(f"the reference has no answer: {seen.reference_problem_of(claim.of)}")
        elif wanted is None and not seen.script.is_hostile():
            found.facts.append(f"the reference says nothing of {seen.machine.signal_named(claim.of).name}")
        return found
    best, trajectory = judge_against(claim, seen, wanted), wanted
    if best.failing and wanted.decisions:
        trajectory = followed(claim, seen, wanted)
        best = judge_against(claim, seen, trajectory)
    best.inside_bands += sum(2 * d.band_samples + 1 for d in trajectory.decisions)
    if best.failing or best.open:
        settle(claim, seen, trajectory, best)
    return best


def followed(claim: Accurate, seen: Observation, wanted: Any) -> Any:
    """The admissible trajectory that the firmware follows: at each decision the branch that fits best up to the next."""
    shifts: dict[int, int] = {}
    trajectory = wanted
    for number in range(MOST_SHIFTS):
        decisions = trajectory.decisions
        if number >= len(decisions):
            break
        decision = decisions[number]
        first = max(0, decision.sample - decision.band_samples - 1)
        end = min([d.sample - d.band_samples - 1 for d in decisions[number + 1 :]] + [seen.done])
        end = max(end, min(seen.done, decision.sample + decision.band_samples + 2))
        best, limit = beyond_in(claim, seen, trajectory, first, end)
        # Within the limit is not enough: what a branch leaves behind is where the next segment starts.
        if best <= -limit * CLEARLY:
            continue
        kept = 0
        for shift in _alternatives(decision.band_samples):
            size, _ = beyond_in(claim, seen, wanted.shifted({**shifts, number: shift}, end), first, end)
            if size < best:
                best, kept = size, shift
        if kept:
            shifts = {**shifts, number: kept}
            trajectory = wanted.shifted(shifts)
    return trajectory


def beyond_in(claim: Accurate, seen: Observation, trajectory: Any, first: int, end: int) -> tuple[float, float]:
    """(largest excess over the limit among the samples [first, end), not above zero where all hold; the limit)."""
    if end <= first:
        return 0.0, 0.0
    wanted, bound = trajectory.screen_part(first, end)
    errors, _, low, high = errors_of(claim, seen, wanted, bound, first)
    beyond = np.maximum(errors - high, low - errors)
    return float(np.where(np.isfinite(beyond), beyond, np.inf).max()), min(high, -low)


def _alternatives(band: int) -> list[int]:
    return [shift for size in range(1, band + 1) for shift in (-size, size)]


def errors_of(claim: Accurate, seen: Observation, wanted: np.ndarray, bound: np.ndarray, first: int = 0) -> tuple[
        np.ndarray, np.ndarray, float, float]:
    """Errors and their margins in the metric's own terms from a sample on, with low and high limit."""
    y, limit = seen.doubles(claim.of)[first : first + len(wanted)], float(claim.limit)
    if claim.metric in ("cents", "relative"):
        low, high = -limit, limit
        if claim.metric == "cents":
            low, high = math.expm1(-limit * math.log(2) / 1200), math.expm1(limit * math.log(2) / 1200)
        with np.errstate(divide="ignore", invalid="ignore"):
            # Zero where zero is right is no error.
            errors = np.where(y == wanted, 0.0, (y - wanted) / wanted)
            return errors, np.where((wanted == 0) & (bound == 0), 0.0, bound / np.abs(wanted) + 2.0**-49), low, high
    scale = float(step_of(claim, seen))
    # Where the reference is exact in binary64 (zeros, ones, counts) nothing is uncertain.
    return y - wanted, np.where(bound == 0, 0.0, bound + np.abs(wanted) * 2.0**-51), -limit * scale, limit * scale


def step_of(claim: Accurate, seen: Observation) -> Fraction:
    """What one of the claim's unit is in the output's: a step for lsb, else 1."""
    return seen.machine.signal_named(claim.of).scale if claim.metric == "lsb" else Fraction(1)


def judge_against(claim: Accurate, seen: Observation, trajectory: Any) -> Judgement:
    """All samples against one admissible trajectory, by its screen."""
    quick = clearly_right(claim, seen, trajectory)
    if quick is not None:
        return quick
    wanted, bound = trajectory.screen()
    wanted, bound = wanted[: seen.done], bound[: seen.done]
    errors, margins, low, high = errors_of(claim, seen, wanted, bound)
    found = Judgement(valid=seen.done)
    either = between(claim, seen, trajectory, errors)
    if either is not None:
        errors = either
        found.inside_bands = int((trajectory.span()[0][: seen.done] != trajectory.span()[1][: seen.done]).sum())
    least, most = int(errors.argmin()), int(errors.argmax())
    reach = SCREEN_FACTOR * float(margins.max())
    k = most if abs(errors[most]) >= abs(errors[least]) else least
    if not (errors[most] < high - reach and errors[least] > low + reach):
        margins = SCREEN_FACTOR * margins
        beyond = np.where(np.isfinite(errors), np.maximum(errors - high, low - errors), np.inf)
        clear = beyond > margins
        found.failing = int(clear.sum())
        found.open = int(((beyond > -margins) & ~clear).sum())
        k = int(beyond.argmax()) if found.failing else k
    return described(claim, seen, found, k, float(errors[k]), float(wanted[k]))


def clearly_right(claim: Accurate, seen: Observation, trajectory: Any) -> Judgement | None:
    """The same judgement by the compiled engine, from pieces of closed form; None unless every sample is clearly right."""
    eye = seen.watched(claim.of)
    if eye is None or claim.metric not in SPANNED or not hasattr(trajectory, "pieces") or trajectory.span() is not None:
        return None
    found = eye.distance(seen.doubles(claim.of), trajectory.pieces())
    limit = float(claim.limit) * float(step_of(claim, seen))
    reach = SCREEN_FACTOR * found.margin
    if not (found.most < limit - reach and found.least > -limit + reach):
        return None
    upper = abs(found.most) >= abs(found.least)
    k, error, wanted = ((found.most_at, found.most, found.most_wanted) if upper
                        else (found.least_at, found.least, found.least_wanted))
    return described(claim, seen, Judgement(valid=seen.done), k, error, wanted)


def described(claim: Accurate, seen: Observation, found: Judgement, k: int, error: float, wanted: float) -> Judgement:
    """The worst sample in words."""
    signed = shown_error(claim, seen, error)
    found.at, found.worst = k, abs(signed)
    unit = seen.machine.signal_named(claim.of).unit
    found.got, found.wanted = f"{figure(seen.doubles(claim.of)[k])} {unit}".strip(), f"{figure(wanted)} {unit}".strip()
    times = f" = {times_text(found.worst / float(claim.limit))}" if claim.limit else ""
    found.error = f"{figure(signed, 6, signed=True)} {claim.unit}".strip() + times
    return found


def between(claim: Accurate, seen: Observation, trajectory: Any, errors: np.ndarray) -> np.ndarray | None:
    """Errors against the nearest right value, where decision bands leave more than one; None where they do not."""
    span = trajectory.span()
    if span is None:
        return None
    low, high = span[0][: seen.done], span[1][: seen.done]
    y = seen.doubles(claim.of)
    nearest = np.clip(y, low, high)
    off = y - nearest
    if claim.metric not in SPANNED:
        with np.errstate(divide="ignore", invalid="ignore"):
            off = np.where(off == 0, 0.0, off / nearest)
    return np.where(low == high, errors, off)


def shown_error(claim: Accurate, seen: Observation, error: float) -> float:
    """An error in the claim's unit."""
    if not math.isfinite(error):
        return math.inf
    if claim.metric == "cents":
        return 1200 * math.log2(1 + error) if error > -1 else math.inf
    return error / float(step_of(claim, seen))


def settle(claim: Accurate, seen: Observation, trajectory: Any, found: Judgement) -> None:
    """Judge what lies next to the limit, and the worst, by the exact reference."""
    wanted, bound = trajectory.screen()
    errors, margins, low, high = errors_of(claim, seen, wanted[: seen.done], bound[: seen.done])
    beyond = np.where(np.isfinite(errors), np.maximum(errors - high, low - errors), np.inf)
    either = between(claim, seen, trajectory, errors)
    if either is not None:
        beyond = np.where(np.isfinite(either), np.maximum(either - high, low - either), np.inf)
    near = np.flatnonzero((beyond > -SCREEN_FACTOR * margins) & (beyond <= SCREEN_FACTOR * margins))
    for k in near[:MOST_EXACT]:
        verdict = exactly(claim, seen, trajectory, int(k))
        if verdict is None:
            continue
        found.open -= 1
        if verdict is False and not found.failing:
            found.at = int(k)
        found.failing += verdict is False
    if found.failing and exactly(claim, seen, trajectory, found.at) is not False:
        # A failure counts only when the exact reference confirms it.
        found.open += found.failing
        found.failing = 0


def exactly(claim: Accurate, seen: Observation, trajectory: Any, sample: int) -> bool | None:
    """Whether one sample holds by the exact reference, None when even that cannot tell."""
    got = float(seen.doubles(claim.of)[sample])
    if not math.isfinite(got):
        return False
    span = trajectory.span()
    ends: tuple[Any, ...] = ()
    if span is not None and span[0][sample] < span[1][sample]:
        # Whatever lies in the span is right, so the limit counts from its ends.
        low, high = Fraction(float(span[0][sample])), Fraction(float(span[1][sample]))
        ends = (min(max(Fraction(got), low), high),) * 2
        if ends[0] == Fraction(got):
            return True
    for bits in (120, 400):
        low, high = ends or trajectory.exact(sample, bits)
        metric = "absolute" if claim.metric in ("hz", "volts") else claim.metric
        bottom, top, _ = error_between(metric, Fraction(got), low, high, lsb=seen.machine.signal_named(claim.of).scale,
                                       double=False, bits=bits)
        if isinstance(bottom, float) or isinstance(top, float):
            return False
        if max(abs(bottom), abs(top)) <= claim.limit:
            return True
        if bottom > claim.limit or top < -claim.limit:
            return False
    return None
