"""stages_fit: what one stage of a path gives lies in the range for which the next one is checked."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from verify.claims.base import Assessment, Case, Claim
from verify.errors import SheetError
from verify.judging.verdict import grouped
from verify.routine import Bound, Routine


@dataclass(frozen=True)
class StagesFit(Claim):
    """No value that passes between two stages lies outside the range that the sheet declares for the taker.

    Fails when: one does, for an input of the path (the smallest such input is the witness); or it is no number, or does not
    fit the taker's C type. Cannot see: values off the taker's grid (between its steps); their number is noted.
    """

    because: str = "protective: a stage is checked over its declared range only"
    name: ClassVar[str] = "stages_fit"
    builds: ClassVar[tuple[str, ...]] = ("host", "strict", "board")

    def check(self, routine: Routine, where: str) -> None:
        if routine.stages is None:
            raise SheetError("stages_fit is a claim about paths", where=where, why=f"{routine.name} is a single function",
                             todo="drop the claim")

    def at_input(self, bound: Bound, ordinal: int, probe: Any) -> tuple[str, bool]:
        """Whether each stage is fed within its range at one input, in words, and whether one is not."""
        from verify.paths.walk import walked

        walk = walked(bound, probe, np.array([ordinal], np.int64))
        if walk.problem:
            return "not judged here", False
        outside = [joint.text(0) for joint in walk.joints if joint.outside[0]]
        return ("FAILS: " + "; ".join(outside), True) if outside else ("holds", False)

    def assess(self, case: Case) -> Assessment:
        from verify.paths.walk import walk_of

        walk = walk_of(case.bound, case.probe)
        found = Assessment(valid=int(walk.came.sum()), every_value=walk.every_value)
        if walk.problem:
            found.blocked = walk.problem
            return found
        worst: tuple[int, str] | None = None
        failing = walk.came & False
        for joint in walk.joints:
            outside = joint.outside & walk.came
            failing |= outside
            if outside.any():
                ordinal = int(walk.ordinals[outside.argmax()])
                text = joint.text(int(outside.argmax()))
                if worst is None or ordinal < worst[0]:
                    worst = ordinal, text
                ends = walk.ordinals[outside]
                found.facts.append(f"{joint.giver} to {joint.taker}: {grouped(int(outside.sum()))} of "
                                   f"{grouped(int(walk.came.sum()))} inputs, lowest {joint.least_text()}, highest "
                                   f"{joint.most_text()}")
                found.first_failing = int(ends[0]) if found.first_failing < 0 else min(found.first_failing, int(ends[0]))
                found.last_failing = max(found.last_failing, int(ends[-1]))
            elif joint.off_grid:
                found.facts.append(f"{joint.giver} to {joint.taker}: {grouped(joint.off_grid)} values lie between the steps "
                                   f"at which {joint.taker} is checked")
        found.failing = int(failing.sum())
        if worst is not None:
            found.witness, found.error_text = worst
            found.worst_at = found.witness
            found.wanted_text = "each stage fed within the range that its entry declares"
            if found.every_value:
                share = found.failing / max(1, found.valid)
                found.share, found.share_of = (share, share, share), "every value"
        return found


def stages_fit(*, because: str = StagesFit.because) -> StagesFit:
    """On by default for every path."""
    return StagesFit(because)
