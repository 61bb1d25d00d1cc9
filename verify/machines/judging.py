"""Judging one script by the claims that functions have too: finite, stays_within, events (accurate: accuracy.py)."""

from __future__ import annotations

import math
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import numpy as np

from firmware_shim.engine import FLAG_KINDS, MODE_CHANGED
from verify.claims.base import Claim
from verify.claims.in_time import Judgement, TimeClaim, first_true
from verify.claims.memory_of_machines import compared
from verify.claims.protective import names_little
from verify.heap_words import heap_words
from verify.machines.accuracy import accurate
from verify.machines.machine import Machine
from verify.machines.observation import Observation
from verify.machines.other_runs import same_at_level, same_on_board, same_when_flushed
from verify.machines.running import ON_HOST
from verify.number_formats import figure
from verify.strict_beside_host import BROKEN

# As firmware_shim/runtime/recorder_globals.h names it.
TAKEN_ARRAY = "'an array of variable length (or alloca's)'"


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


def finite(claim: Any, seen: Observation) -> Judgement:
    """No NaN, no infinity."""
    found = Judgement()
    for output in seen.machine.outputs:
        if output.is_float:
            y = seen.doubles(output.name)
            k = -1 if seen.watched(output.name) else first_true(~np.isfinite(y))
            found.note(0.0 if k < 0 else 1.0, max(k, 0), k >= 0, f"{output.name} = {figure(y[k])}" if k >= 0 else "",
                       "a finite value", f"{output.name} is {figure(y[k])}" if k >= 0 else "")
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
    """Every sample of the output lies within the stated ends."""
    found = Judgement()
    if not seen.done:
        return found
    y = seen.doubles(claim.of)
    low, high = float(claim.low), float(claim.high)
    eye = seen.watched(claim.of)
    if eye is not None:
        most, k = eye.beyond(y, low, high)
    else:
        beyond = np.maximum(y - high, low - y)
        beyond = np.where(np.isnan(beyond), np.inf, beyond)
        k = int(beyond.argmax())
        most = float(beyond[k])
    outside = not math.isfinite(y[k]) or not claim.low <= Fraction(float(y[k])) <= claim.high
    unit = seen.machine.signal_named(claim.of).unit
    error = f"{figure(most)} {unit} beyond".replace("  ", " ") if math.isfinite(most) else "it is not finite"
    found.note(max(0.0, most), k, outside, f"{figure(y[k])} {unit}".strip(),
               f"between {figure(low)} and {figure(high)} {unit}".strip(), error)
    return found


def deterministic(claim: Any, seen: Observation) -> Judgement:
    """The same script again gives the same bits."""
    return compared(seen, ("again",), {"again": "when the same script ran again"}, "the same samples for the same script")


def no_hidden_events(claim: Any, seen: Observation) -> Judgement:
    """No overflow, invalid operation, division by zero or subnormal inside."""
    found = Judgement(valid=seen.done)
    for kind in claim.kinds:
        # Next to zero a subnormal inside is natural, as for functions.
        if kind in seen.flags and not (kind in (1, 4) and tiny_argument(seen)):
            at = max(0, seen.flags[kind])
            found.note(1.0, at, True, f"{FLAG_KINDS[kind]} at sample {at}", "no such event inside the routine",
                       f"{FLAG_KINDS[kind]} inside, at sample {at}")
    if MODE_CHANGED in seen.flags:
        found.note(1.0, seen.flags[MODE_CHANGED], True, "another floating-point mode", "the mode that it found",
                   "the floating-point mode was changed: rounding, traps, or what becomes of subnormals")
    return found


def tiny_argument(seen: Observation) -> bool:
    """Whether an event sends a number nearer to zero than 2^-30, and not zero."""
    for e in seen.script.events:
        for grid, place in zip(seen.machine.events[e.kind].arguments, e.places, strict=True):
            if place >= 0 and grid.nears_zero(place):
                return True
    for grid, pieces in zip(seen.machine.inputs, seen.script.streams, strict=True):
        for piece in pieces:
            ends = (piece.a,) if piece.shape == "hold" else (piece.a, piece.b)
            if any(p >= 0 and grid.nears_zero(p) for p in ends):
                return True
    return False


def no_undefined_behaviour(claim: Any, seen: Observation) -> Judgement:
    """The strict build's recorder saw nothing."""
    found = Judgement(valid=seen.done)
    left, found.allowed = claim.sorted_out([event for _, event in seen.events])
    # Two checks may see one fault: the one that names what the C does comes first.
    for sample, event in sorted(seen.events, key=lambda pair: (pair[0], names_little(pair[1]))):
        if event not in left:
            continue
        told = with_buffer_named(event.text or event.kind, seen.machine)
        found.note(1.0, sample, True, told, claim.wanted_at(event), f"{told} at {event.file.rsplit('/', 1)[-1]}:{event.line}")
    if seen.stop is None and not seen.events and claim.variants:
        beside = compared(seen, claim.variants, {ON_HOST: "with the author's flags alone"}, "the same samples in both builds")
        if beside.failing:
            found.facts.append(BROKEN)
            found.note(1.0, beside.at, True, beside.got, beside.wanted, "with checks on other samples: a broken rule of C")
    if seen.stop is not None and claim.ended(seen.stop):
        found.valid = max(1, found.valid)
        found.note(1.0, max(0, seen.done), True, seen.stop.why, claim.wanted, seen.stop.why)
    return found


def with_buffer_named(text: str, machine: Machine) -> str:
    """The event's text; arrays of variable length are more often the sheet's interleaved buffers than the author's."""
    names = " or ".join(repr(name) for name in machine.interleaved)
    meant = f"{names}, interleaved by the sheet (or another array of variable length)" if names else TAKEN_ARRAY
    return text.replace(TAKEN_ARRAY, meant)


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
