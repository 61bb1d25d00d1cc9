"""Judging one script against the same script elsewhere: on this computer, at other levels, in the other mode."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np

from verify.claims.flushed import FLUSHED, apart
from verify.claims.in_time import Judgement
from verify.machines.observation import Observation
from verify.machines.running import ON_HOST
from verify.machines.steps_apart import steps_apart
from verify.number_formats import figure

# Two raw signals and the value of a raw step -> how far they are apart.
Distance = Callable[[np.ndarray, np.ndarray, float], np.ndarray]


def against(seen: Observation, variant: str, limit: float, distance: Distance, mine: str, theirs: str,
            unit: str = "") -> Judgement:
    """Every sample of every output is within a limit of what the variant of the script gave."""
    other, found = seen.variants.get(variant), Judgement()
    if other is None:
        return found
    for output in seen.machine.outputs:
        here, there = seen.raw[output.name], other[output.name]
        count = min(len(here), len(there))
        off = distance(here[:count], there[:count], float(output.scale))
        if len(here) != len(there):
            found.note(math.inf, count, True, f"{output.name} ends after {len(here)} samples",
                       f"{len(there)} samples, as {theirs}", "one of the two did not come back")
        k = int(np.argmax(off)) if count else -1
        fails = k >= 0 and bool(off[k] > limit)
        k = int(np.argmax(off > limit)) if fails else k
        told = unit or ("ulp" if output.is_float else "steps")
        found.note(float(off.max()) if count else 0.0, max(k, 0), fails,
                   f"{output.name} = {here[k]!s} {mine}" if fails else "",
                   f"{there[k]!s}, as {theirs}" if fails else "equal samples",
                   f"{figure(off[k])} {told} apart here, {figure(off.max())} at most in this script" if fails else "")
    return found


def in_steps(signed_zero: bool) -> Distance:
    """Distance in steps of the type."""
    return lambda one, other, _: steps_apart(one, other, signed_zero=signed_zero)


def same_on_board(claim: Any, seen: Observation) -> Judgement:
    """Every sample of every output is what this computer's build gives for the same script."""
    limit = 0.0 if claim.ulp is None else float(claim.ulp)
    return against(seen, ON_HOST, limit, in_steps(claim.ulp is None), "on the board", "on this computer")


def same_at_level(claim: Any, seen: Observation) -> Judgement:
    """Every sample is what the same C gives with one more flag; integers bit for bit."""
    limit = 0.0 if claim.ulp is None else float(claim.ulp)

    def distance(one: np.ndarray, other: np.ndarray, scale: float) -> np.ndarray:
        off = steps_apart(one, other, signed_zero=claim.ulp is None)
        return off if one.dtype.kind == "f" else np.where(off > 0, np.maximum(off, limit + 1), 0.0)

    return against(seen, claim.level, limit, distance, "with the author's flags", f"with {claim.level}")


def same_when_flushed(claim: Any, seen: Observation) -> Judgement:
    """Every sample is the same, within the limit, with subnormals kept and flushed."""
    mine, theirs = "where subnormals are kept", "where they are flushed"
    if seen.machine.flush_to_zero:
        mine, theirs = theirs, mine
    if claim.absolute is None:
        return against(seen, FLUSHED, float(claim.limit), in_steps(False), mine, theirs)
    return against(seen, FLUSHED, float(claim.limit), apart, mine, theirs, seen.machine.output.unit or "full scale")
