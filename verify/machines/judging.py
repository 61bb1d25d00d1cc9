"""Judging one script by the claims that functions have too: accurate, finite, stays_within, events."""

from __future__ import annotations

import math
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import numpy as np

from firmware_shim.engine import FLAG_KINDS
from reference.trajectories import Trajectory
from verify.claims.accurate import Accurate
from verify.claims.base import Claim
from verify.claims.in_time import Judgement, TimeClaim, first_true
from verify.claims.memory_of_machines import compared
from verify.grids import SMALLEST_SIZE
from verify.judging.exact import error_between
from verify.machines.observation import Observation
from verify.machines.other_runs import same_at_level, same_on_board, same_when_flushed
from verify.reports.numbers import times as times_text

SCREEN_FACTOR = 16
MOST_EXACT = 48
SPANNED = ("absolute", "lsb", "hz", "volts")
MOST_SHIFTS = 64


def judge(claim: Claim, seen: Observation) -> Judgement:
    """One claim on one script; a script that sends NaN or infinity in says nothing to a claim that is not for it."""
    if seen.script.is_hostile() and not claim.judges_hostile:
        return Judgement()
    if seen.rows is not None and claim.label() != seen.counted_for and claim.name not in ("returns", "no_hidden_events"):
        return Judgement()
    if isinstance(claim, TimeClaim):
        return claim.judge(seen)
    return JUDGES[claim.name](claim, seen)


def returns(claim: Any, seen: Observation) -> Judgement:
    """Every call comes back."""
    if seen.stop is not None and seen.stop.kind == "not run":
        return Judgement(facts=[seen.stop.why])
    found = Judgement(valid=1)
    if seen.stop is not None:
        found.note(1.0, max(0, seen.done), True, seen.stop.why, "a result", f"{seen.stop.kind}: {seen.stop.why}")
    if seen.late_allocation >= 0:
        found.note(1.0, seen.late_allocation, True, "memory was allocated", "no allocation after init",
                   "allocation after init: on the board it can fail or take its time")
    kind, sample, size = seen.heap
    if kind:
        found.note(1.0, sample, True, *heap_words(kind, size))
    return found


def heap_words(kind: int, size: int) -> tuple[str, str, str]:
    """Got, wanted and error of what went wrong with the machine's memory."""
    return {
        1: (f"{size} bytes more were asked for", "memory within 32 MiB", "the heap is exhausted: it holds 32 MiB here"),
        2: (f"a block of {size} bytes was freed twice", "each block freed once", "double free"),
        3: (f"bytes beside a block of {size} bytes were written", "writes within the block",
            f"a write past the end of a block of {size} bytes of the heap, or before its start"),
        4: ("an address inside the heap was freed", "only what was allocated is freed", "a free of what was never allocated"),
    }[kind]


def finite(claim: Any, seen: Observation) -> Judgement:
    """No NaN, no infinity."""
    found = Judgement()
    for output in seen.machine.outputs:
        if output.is_float:
            y = seen.doubles(output.name)
            k = -1 if seen.watched(output.name) else first_true(~np.isfinite(y))
            found.note(0.0 if k < 0 else 1.0, max(k, 0), k >= 0, f"{output.name} = {y[k]:.9g}" if k >= 0 else "",
                       "a finite value", f"{output.name} is {y[k]:.9g}" if k >= 0 else "")
    return found


def no_subnormals(claim: Any, seen: Observation) -> Judgement:
    """No subnormal sample comes out."""
    found = Judgement()
    for output in seen.machine.outputs:
        raw = seen.raw[output.name]
        if output.is_float:
            least = np.finfo(raw.dtype).smallest_normal
            k = seen.eye.first_subnormal(raw) if seen.eye else first_true((raw != 0) & (np.abs(raw) < least))
            found.note(0.0 if k < 0 else 1.0, max(k, 0), k >= 0, f"{output.name} = {raw[k]!s}" if k >= 0 else "",
                       "zero or a normal number", "a subnormal result: slow on some cores, flushed on others")
    return found


def stays_within(claim: Any, seen: Observation) -> Judgement:
    """Every sample of the first output lies within the stated ends."""
    found = Judgement()
    if not seen.done:
        return found
    y = seen.doubles()
    low, high = float(claim.low), float(claim.high)
    eye = seen.watched()
    if eye is not None:
        most, k = eye.beyond(y, low, high)
    else:
        beyond = np.maximum(y - high, low - y)
        beyond = np.where(np.isnan(beyond), np.inf, beyond)
        k = int(beyond.argmax())
        most = float(beyond[k])
    outside = not math.isfinite(y[k]) or not claim.low <= Fraction(float(y[k])) <= claim.high
    unit = seen.machine.output.unit
    found.note(max(0.0, most), k, outside, f"{y[k]:.9g} {unit}".strip(),
               f"between {low:.9g} and {high:.9g} {unit}".strip(), f"{most:.9g} {unit} beyond".replace("  ", " "))
    return found


def deterministic(claim: Any, seen: Observation) -> Judgement:
    """The same script again gives the same bits."""
    return compared(seen, ("again",), {"again": "when the same script ran again"}, "the same samples for the same script")


def no_hidden_events(claim: Any, seen: Observation) -> Judgement:
    """No overflow, invalid operation, division by zero or subnormal inside."""
    found = Judgement(valid=seen.done)
    tiny = tiny_argument(seen)
    for kind in claim.kinds:
        # Next to zero a subnormal inside is natural, as for functions.
        if kind in seen.flags and not (tiny and kind in (1, 4)):
            at = max(0, seen.flags[kind])
            found.note(1.0, at, True, f"{FLAG_KINDS[kind]} at sample {at}", "no such event inside the routine",
                       f"{FLAG_KINDS[kind]} inside, at sample {at}")
    return found


def tiny_argument(seen: Observation) -> bool:
    """Whether an event sends a number nearer to zero than 2^-30, and not zero."""
    for e in seen.script.events:
        for grid, place in zip(seen.machine.events[e.kind].arguments, e.places, strict=True):
            if grid.kind == "float32" and place >= 0 and 0 < abs(grid.value(place)) < SMALLEST_SIZE:
                return True
    for grid, pieces in zip(seen.machine.inputs, seen.script.streams, strict=True):
        for piece in pieces:
            ends = (piece.a,) if piece.shape == "hold" else (piece.a, piece.b)
            if grid.kind == "float32" and any(p >= 0 and 0 < abs(grid.value(p)) < SMALLEST_SIZE for p in ends):
                return True
    return False


def no_undefined_behaviour(claim: Any, seen: Observation) -> Judgement:
    """The strict build's recorder saw nothing."""
    found = Judgement(valid=seen.done)
    left, found.allowed = claim.sorted_out([event for _, event in seen.events])
    # Two checks may see one fault: the one that names what the C does comes first.
    for sample, event in sorted(seen.events, key=lambda pair: (pair[0], pair[1].kind.startswith("access outside"))):
        if event not in left:
            continue
        found.note(1.0, sample, True, event.text or event.kind, claim.wanted,
                   f"{event.text or event.kind} at {event.file.rsplit('/', 1)[-1]}:{event.line}")
    if seen.stop is not None and claim.ended(seen.stop):
        found.valid = max(1, found.valid)
        found.note(1.0, max(0, seen.done), True, seen.stop.why, claim.wanted, seen.stop.why)
    return found


def accurate(claim: Accurate, seen: Observation) -> Judgement:
    """The whole trajectory against the reference; branches that the firmware may take either way are followed."""
    found, wanted = Judgement(), seen.wanted()
    if wanted is None or not seen.done:
        if seen.reference_problem:
            found.facts.append(f"the reference has no answer: {seen.reference_problem}")
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
        best = beyond_in(claim, seen, trajectory, first, end)
        if best <= 0:
            continue
        for shift in _alternatives(decision.band_samples):
            other = wanted.shifted({**shifts, number: shift})
            size = beyond_in(claim, seen, other, first, end)
            if size < best:
                best, trajectory, kept = size, other, shift
        if trajectory.shifts.get(number, 0):
            shifts = {**shifts, number: kept}
    return trajectory


def beyond_in(claim: Accurate, seen: Observation, trajectory: Any, first: int, end: int) -> float:
    """Largest excess over the limit among the samples [first, end); not above zero where all hold."""
    if end <= first:
        return 0.0
    wanted, bound = trajectory.screen_part(first, end)
    errors, _, low, high = errors_of(claim, seen, wanted, bound, first)
    beyond = np.maximum(errors - high, low - errors)
    return float(np.where(np.isfinite(beyond), beyond, np.inf).max())


def _alternatives(band: int) -> list[int]:
    return [shift for size in range(1, band + 1) for shift in (-size, size)]


def errors_of(claim: Accurate, seen: Observation, wanted: np.ndarray, bound: np.ndarray, first: int = 0) -> tuple[
        np.ndarray, np.ndarray, float, float]:
    """Errors and their margins in the metric's own terms from a sample on, with low and high limit."""
    y, limit = seen.doubles()[first : first + len(wanted)], float(claim.limit)
    if claim.metric in ("cents", "relative"):
        low, high = -limit, limit
        if claim.metric == "cents":
            low, high = math.expm1(-limit * math.log(2) / 1200), math.expm1(limit * math.log(2) / 1200)
        with np.errstate(divide="ignore", invalid="ignore"):
            return (y - wanted) / wanted, bound / np.abs(wanted) + 2.0**-49, low, high
    scale = float(seen.machine.output.scale) if claim.metric == "lsb" else 1.0
    # Where the reference is exact in binary64 (zeros, ones, counts) nothing is uncertain.
    return y - wanted, np.where(bound == 0, 0.0, bound + np.abs(wanted) * 2.0**-51), -limit * scale, limit * scale


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
    eye = seen.watched()
    if eye is None or claim.metric not in SPANNED or not isinstance(trajectory, Trajectory):
        return None
    found = eye.distance(seen.doubles(), trajectory.pieces())
    limit = float(claim.limit) * (float(seen.machine.output.scale) if claim.metric == "lsb" else 1.0)
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
    unit = seen.machine.output.unit
    found.got, found.wanted = f"{seen.doubles()[k]:.9g} {unit}".strip(), f"{wanted:.9g} {unit}".strip()
    times = f" = {times_text(found.worst / float(claim.limit))}" if claim.limit else ""
    found.error = f"{signed:+.6g} {claim.unit}".strip() + times
    return found


def between(claim: Accurate, seen: Observation, trajectory: Any, errors: np.ndarray) -> np.ndarray | None:
    """Errors against the nearest right value, where decision bands leave more than one; None where they do not."""
    span = trajectory.span()
    if span is None or claim.metric not in SPANNED:
        return None
    low, high = span[0][: seen.done], span[1][: seen.done]
    y = seen.doubles()
    return np.where(low == high, errors, y - np.clip(y, low, high))


def shown_error(claim: Accurate, seen: Observation, error: float) -> float:
    """An error in the claim's unit."""
    if not math.isfinite(error):
        return math.inf
    if claim.metric == "cents":
        return 1200 * math.log2(1 + error) if error > -1 else math.inf
    return error / float(seen.machine.output.scale) if claim.metric == "lsb" else error


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
    got = float(seen.doubles()[sample])
    if not math.isfinite(got):
        return False
    span = trajectory.span()
    if span is not None and span[0][sample] < span[1][sample] and claim.metric in SPANNED:
        # Whatever lies in the span is right, so the limit counts from its ends.
        scale = seen.machine.output.scale if claim.metric == "lsb" else 1
        low, high = Fraction(float(span[0][sample])), Fraction(float(span[1][sample]))
        return max(low - Fraction(got), Fraction(got) - high) <= claim.limit * scale
    for bits in (120, 400):
        low, high = trajectory.exact(sample, bits)
        metric = "absolute" if claim.metric in ("hz", "volts") else claim.metric
        bottom, top, _ = error_between(metric, Fraction(got), low, high, lsb=seen.machine.output.scale, double=False,
                                       bits=bits)
        if isinstance(bottom, float) or isinstance(top, float):
            return False
        ends = (bottom, top)
        if max(abs(ends[0]), abs(ends[1])) <= claim.limit:
            return True
        if ends[0] > claim.limit or ends[1] < -claim.limit:
            return False
    return None


def cost_within(claim: Any, seen: Observation) -> Judgement:
    """Nothing is counted here; see verify/machines/cost_judging.py."""
    return Judgement()


JUDGES: dict[str, Callable[[Any, Observation], Judgement]] = {
    "returns": returns,
    "finite": finite,
    "no_subnormals": no_subnormals,
    "stays_within": stays_within,
    "deterministic": deterministic,
    "no_hidden_events": no_hidden_events,
    "no_undefined_behaviour": no_undefined_behaviour,
    "in_bounds": no_undefined_behaviour,
    "accurate": accurate,
    "same_on_board": same_on_board,
    "same_at_any_optimisation": same_at_level,
    "same_when_flushed": same_when_flushed,
    "cost_within": cost_within,
}
