"""What a routine gave where claims asked for single inputs, kept with its evidence.

Evidence like the rest: about the same library, asked again by chance in one case of fifty, and kept only of a routine
that repeats.
"""

from __future__ import annotations

import hashlib
import random
from collections.abc import Callable, Sequence

import numpy as np

from firmware_shim.job import Axis
from verify.errors import ToolFault
from verify.evidence import Evidence
from verify.reuse import RECHECKED_EACH
from verify.routine import Bound

# Raw outputs one after another; whether each came back; whether each was tried.
Results = tuple[bytes, np.ndarray, np.ndarray]
MOST_BYTES, MOST_ANSWERS = 1 << 21, 64


class Answers:
    """Of one routine in one build, while its claims are judged."""

    def __init__(self, bound: Bound, evidence: Evidence) -> None:
        self.bound, self.evidence = bound, evidence
        self.new = False

    def given(self, bound: Bound, axes: Sequence[Axis], count: int, run: Callable[[], Results]) -> Results:
        """What is kept of these inputs, or what a run of them gives. Errors: ToolFault where both are there and differ."""
        if (bound.library, bound.loop, bound.build) != (self.bound.library, self.bound.loop, self.bound.build):
            return run()
        known = self.evidence.answers
        key = self.key(bound, axes, count)
        if key in known and random.randrange(RECHECKED_EACH):
            return known[key][0], np.frombuffer(known[key][1], bool).copy(), np.ones(count, bool)
        found = run()
        outputs, came, tried = found
        if key in known and not tried.all():
            return known[key][0], np.frombuffer(known[key][1], bool).copy(), np.ones(count, bool)
        if key in known and (outputs, came.tobytes()) != known[key]:
            raise ToolFault("stored evidence and a repeat differ", where=f"{bound.routine.name}, {bound.build}",
                            why="inputs that a claim asked for gave other results than the stored ones",
                            todo="run again, which hunts it anew, and report this: the cache or the routine is unsound")
        size = sum(len(kept) for kept, _ in known.values())
        if key not in known and came.all() and len(known) < MOST_ANSWERS and size + len(outputs) <= MOST_BYTES:
            known[key] = outputs, came.tobytes()
            self.new = True
        return found

    def key(self, bound: Bound, axes: Sequence[Axis], count: int) -> str:
        """What is asked. What is run stands in the evidence's identity; what it is run with stands here."""
        digest = hashlib.sha256(repr([
            count, [(a.type_number, a.grid, a.first, a.step, a.count, a.scale, len(a.raw)) for a in axes], bound.output_type,
            bound.output_scale, bound.routine.flush_to_zero, bound.default_nan, bound.peripherals,
            bound.routine.call_limit_seconds]).encode())
        for axis in axes:
            digest.update(axis.raw)
        return digest.hexdigest()
