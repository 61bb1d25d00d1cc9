"""Whether evidence of earlier runs may be reused: one input must give one result, and a random part of it is hunted again.

A function says so itself (`deterministic`: the engine runs each input twice). A path that ends in a machine has no such
claim: it stands on those of its stages, and a random part of its own inputs is run once more, backwards and in another
process, before anything of it is kept.
"""

from __future__ import annotations

import os

import numpy as np

from firmware_shim.crew import Ahead
from firmware_shim.job import Job
from verify.errors import ToolFault
from verify.evidence import Evidence, bitwise_same, same_results
from verify.hunt import RENDERED_CASES, Hunt
from verify.routine import Routine

# Of reused evidence one row in so many is hunted again; of a path's inputs one row in so many runs twice before it is kept.
RECHECKED_EACH, TWICE_EACH = 50, 8
FEWEST_CASES, MOST_CASES = 4096, 1 << 22


def claims_to_repeat(routine: Routine) -> bool:
    """Whether `deterministic` is claimed, so that the hunt itself looks for results that do not repeat."""
    return any(claim.name == "deterministic" for claim in routine.claims)


def stages_repeat(routine: Routine) -> bool:
    """Whether a path without that claim is made of stages that have it; a user who dropped it knows better."""
    stages = routine.stages
    if stages is None or "deterministic" in routine.without:
        return False
    if stages.voice is not None and all(claim.name != "deterministic" for claim in stages.voice.machine.claims):
        return False
    return all(claims_to_repeat(one) for one in stages.routines)


def is_slow(routine: Routine) -> bool:
    """Whether each input costs a signal."""
    return routine.stages is not None and routine.stages.voice is not None


def some_rows(rows: np.ndarray, wanted: int, most_cases: int) -> np.ndarray:
    """So many rows by chance, in order, while their inputs are no more than most_cases together."""
    chosen, counts = [], rows["count"].tolist()
    # Chance is the system's: no sheet can set it, and numpy.random need not be imported for it.
    for place in np.argsort(np.frombuffer(os.urandom(8 * len(rows)), np.uint64)).tolist():
        if counts[place] <= most_cases:
            chosen.append(place)
            most_cases -= counts[place]
        if len(chosen) >= wanted:
            break
    return rows[np.sort(np.array(chosen, np.int64))]


def job_again(hunt: Hunt, parts: np.ndarray) -> Job:
    """The job that hunts rows of evidence once more, the last first. What the clock would cut short could not be compared."""
    return hunt.job(hunt.segments(np.stack([parts["start"], parts["start"] + parts["count"]], axis=1))[::-1])


def run_again(hunt: Hunt, evidence: Evidence, parts: np.ndarray, ahead: Ahead | None = None) -> int:
    """Rows of evidence, hunted once more. Returns the first ordinal of a row that differs, -1 for none. ahead: the job
    of these rows where it runs already."""
    if not len(parts):
        return -1
    fresh = Evidence(evidence.identity, evidence.tests, evidence.edges, evidence.row_length)
    if evidence.outputs is not None:
        fresh.outputs = np.full(len(evidence.outputs), np.nan)
    fresh.add(ahead.result() if ahead is not None else hunt.crew.run(job_again(hunt, parts)))
    fresh.settle()
    if evidence.outputs is None and bitwise_same(fresh.rows, parts):
        return -1
    known = {int(row["start"]): row for row in fresh.rows}
    for row in parts:
        start, count = int(row["start"]), int(row["count"])
        again = known.get(start)
        same = again is not None and again["count"] == row["count"] and same_results(
            again["result"], row["result"], evidence.tests)
        if same and evidence.outputs is not None and fresh.outputs is not None:
            stretch = slice(start, start + count)
            same = np.array_equal(evidence.outputs[stretch], fresh.outputs[stretch], equal_nan=True)
        if not same:
            return start
    return -1


def runs_twice_alike(hunt: Hunt, evidence: Evidence) -> bool:
    """Whether a random part of what was hunted gives the same once more."""
    rows = evidence.rows
    return run_again(hunt, evidence, some_rows(rows, max(1, len(rows) // TWICE_EACH), MOST_CASES)) < 0


class Repeat:
    """A random 2 % of reused evidence, hunted again while something else is judged."""

    def __init__(self, hunt: Hunt, evidence: Evidence) -> None:
        self.hunt, self.evidence, rows = hunt, evidence, evidence.rows
        least = RENDERED_CASES // 4 if is_slow(hunt.bound.routine) else FEWEST_CASES
        allowed = max(least, min(int(rows["count"].sum()) // RECHECKED_EACH, MOST_CASES))
        self.parts = some_rows(rows, max(1, len(rows) // RECHECKED_EACH), allowed)
        self.ahead = hunt.crew.ahead(job_again(hunt, self.parts)) if len(self.parts) else None

    def finish(self) -> None:
        """Wait for it. Errors: ToolFault where it differs from what was stored."""
        wrong = run_again(self.hunt, self.evidence, self.parts, self.ahead)
        if wrong >= 0:
            bound = self.hunt.bound
            raise ToolFault("stored evidence and a repeat differ", where=f"{bound.routine.name}, {bound.build}, "
                            f"ordinal {wrong}",
                            why="a repeated stretch of the hunt gave other results than the stored ones",
                            todo="run again, which hunts it anew, and report this: the cache or the routine is unsound")
