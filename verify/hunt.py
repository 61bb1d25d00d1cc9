"""The hunt for one routine in one build: witnesses, edges, every value or an even cover, climbing."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from firmware_shim.crew import Crew
from firmware_shim.job import NOT_TRIED, Job, Test, enough
from verify.constants import rational_constants
from verify.evidence import Evidence
from verify.hunting.intervals import clip, cut, size, subtract
from verify.hunting.places import around, edges, even, parts_from_arrays, some_of
from verify.hunting.plan import MOST_HANGS, MOST_STOPS, Plan
from verify.routine import Bound

LARGEST_SEGMENT = 1 << 24
JOB_CASES, FEW_CASES = 1 << 25, 1 << 20
JOB_SEGMENTS = 2048
# Inputs below the stops seen so far, run in order for the smallest that does not come back.
SMALLEST_CASES = 1 << 22
RENDERED_CASES = 1 << 11
# A job that has begun may take so long beyond the clock: most end within it, and what has run counts.
GRACE_SECONDS = 10.0

Progress = Callable[[str, int, int], None]


@dataclass
class Hunt:
    """One hunt. evidence grows as jobs come back; an interrupt leaves what was learned."""

    bound: Bound
    tests: tuple[Test, ...]
    plan: Plan
    crew: Crew
    progress: Progress
    evidence: Evidence
    stopped: str = ""
    given_up: str = ""

    def run(self, witnesses: Sequence[int]) -> None:
        """All phases, in order."""
        self.began = time.monotonic()
        if self.evidence.finished != (asked := self.asked(witnesses)):
            self.phases(witnesses)
            if not self.stopped and not self.given_up:
                self.evidence.finished = asked

    def asked(self, witnesses: Sequence[int]) -> str:
        """All that decides, with what the evidence is about, where this hunt looks."""
        bound = self.bound
        text = repr([sorted({int(place) for place in witnesses}), replace(self.plan.for_build(bound.build), fresh=False),
                     bound.domain.count, bound.array_lengths, bound.routine.joints])
        return hashlib.sha256(text.encode()).hexdigest()

    def phases(self, witnesses: Sequence[int]) -> None:
        """Stored witnesses, places where faults live, then every value or an even cover, and what lies near the worst."""
        domain, plan = self.bound.domain, self.plan.for_build(self.bound.build)
        everything = np.array([[0, domain.count]], np.int64)
        small = domain.count <= min(plan.every_value_up_to, 1 << 28)
        if len(witnesses):
            lines = np.array([[w, w + 1] for w in witnesses], np.int64)
            self.phase("stored witnesses", clip(lines, domain.count))
        stages = self.bound.routine.stages
        if stages is not None and stages.voice is not None and self.bound.build == "strict" and domain.count > RENDERED_CASES:
            # With checks on, signals render many times slower; what is looked for there are events of the functions.
            self.phase("even cover", even(domain, RENDERED_CASES, run=16))
            return
        if not small:
            parts = parts_from_arrays(self.bound.array_lengths)
            # A reference's own numbers are where the C may compare: one input beside them can be wrong.
            joints = (*self.bound.routine.joints, *rational_constants(self.bound.routine.constants))
            places = edges(domain, parts, joints)
            # Before all others: where calls are slow, the clock may leave out the rest.
            self.phase("ends", some_of(places), places)
            self.phase("edges and joints", places)
        if domain.count <= plan.every_value_up_to:
            self.phase("every value", everything)
        else:
            self.phase("even cover", even(domain, plan.sampled_cases))
            self.climb()

    def climb(self) -> None:
        """From the worst so far to its neighbours, until nothing worse is found."""
        known: set[int] = set()
        for _ in range(self.plan.climbing_rounds):
            total = self.evidence.total()
            worst = set()
            for slot, test in enumerate(self.tests):
                if test.kind in ("accurate", "octave", "inverse", "range", "poles"):
                    worst |= {total.error(slot, name)[1] for name in ("least", "most")}
            worst = {place for place in worst if place >= 0} - known
            if not worst:
                return
            known |= worst
            self.phase("neighbours of the worst", around(self.bound.domain, sorted(worst)))

    def phase(self, name: str, wanted: np.ndarray, around_it: np.ndarray | None = None) -> None:
        """Run what of the wanted ordinals has not been covered yet. around_it: where the smallest stop is looked for."""
        left = self.open_part(wanted)
        if not len(left) or self.stopped:
            return
        total, done = size(left), 0
        label = f"{self.bound.routine.name}, {self.bound.build}: {name}"
        self.progress(label, 0, total)
        results = self.crew.run_all(self.jobs(left))
        try:
            for _, result in results:
                self.evidence.add(result)
                done += int(result.results["done"].sum()) + sum(count for _, count, _ in result.not_run)
                self.progress(label, done, total)
                self.given_up = enough(self.evidence.stops, MOST_STOPS, MOST_HANGS)
                if self.given_up:
                    self.stopped = self.given_up
                    break
                if result.late or time.monotonic() - self.began > self.plan.wall_seconds:
                    self.stopped = self.evidence.ended_by_clock = f"stopped by the clock after {self.plan.wall_seconds:g} s"
                    break
        finally:
            results.close()  # type: ignore[attr-defined]
            self.evidence.settle()
            # What one job left out another may have run; only what nothing ran stays a hole.
            left_out = len(self.evidence.holes) > len(self.real_holes())
            self.evidence.holes = self.real_holes()
        if self.given_up:
            self.progress(f"{label}: the smallest that does not come back", 0, 1)
            self.smallest_stop(left if around_it is None else self.open_part(around_it))
        if self.given_up:
            self.evidence.holes += [(int(start), int(end - start), self.given_up) for start, end in self.open_part(left)]
        elif self.evidence.ended_by_clock and not len(self.evidence.rows):
            # Whole blocks of calls were too long: a few places alone, so that something is known.
            self.evidence.add(self.crew.run(self.job_on_time(self.segments(some_of(left)))))
            self.evidence.settle()
            self.evidence.holes = self.real_holes()
        elif left_out:
            self.phase(name, left, around_it)

    def real_holes(self) -> list[tuple[int, int, str]]:
        """Holes that stay: what did not come back, or cannot run here."""
        return [hole for hole in self.evidence.holes if not hole[2].startswith(NOT_TRIED)]

    def open_part(self, wanted: np.ndarray) -> np.ndarray:
        """What of the wanted ordinals neither ran nor stopped."""
        holes = clip(np.array([[a, a + n] for a, n, _ in self.real_holes()], np.int64).reshape(-1, 2),
                     self.bound.domain.count)
        return subtract(subtract(wanted, self.evidence.covered()), holes)

    def smallest_stop(self, left: np.ndarray) -> None:
        """What lies below the first hang (or stop) is run in order, up to the first input that does not come back."""
        stops = self.evidence.stops
        hangs = [stop.ordinal for stop in stops if stop.kind == "hang"]
        first = min(hangs or [stop.ordinal for stop in stops])
        below = self.open_part(clip(left, first))
        ends = np.cumsum((below[:, 1] - below[:, 0])[::-1])[::-1]
        below = below[ends <= SMALLEST_CASES]
        if len(below):
            job = self.job_on_time(self.segments(below))
            self.evidence.add(self.crew.run(replace(job, most_stops=MOST_STOPS if hangs else 1)))
            self.evidence.settle()
            self.evidence.holes = self.real_holes()

    def segments(self, parts: np.ndarray) -> np.ndarray:
        """Parts cut at bin edges, at zones of other flag masks, and to a largest size; with masks."""
        zones = self.bound.domain.zones()
        borders = np.array([zone[0] for zone in zones], np.int64)
        pieces = cut(cut(parts, self.evidence.edges), borders)
        lengths = pieces[:, 1] - pieces[:, 0]
        if len(pieces) and lengths.max() > LARGEST_SEGMENT:
            grid = np.arange(0, self.bound.domain.count + 1, LARGEST_SEGMENT, dtype=np.int64)
            pieces = cut(pieces, grid)
        masks = np.array([zone[2] for zone in zones], np.int64)
        owner = np.searchsorted(borders, pieces[:, 0], side="right") - 1
        return np.stack([pieces[:, 0], pieces[:, 1] - pieces[:, 0], masks[owner]], axis=1)

    def jobs(self, parts: np.ndarray) -> Iterator[Job]:
        """Jobs of bounded size, in an order that covers the domain evenly."""
        pieces = self.segments(parts)
        ends = np.cumsum(pieces[:, 1])
        total = int(ends[-1])
        # Handing one over costs as much as a hundred thousand calls of most routines on this computer.
        each = 2 if total < FEW_CASES and self.bound.routine.stages is None else 4
        share = min(JOB_CASES, max(4096, total // (each * len(self.crew.members)) + 1))
        groups = np.minimum(np.arange(len(pieces)) // JOB_SEGMENTS * (total // share + 2) + ends // share, 2**62)
        borders = np.flatnonzero(np.diff(groups)) + 1
        batches = np.split(pieces, borders)
        for number in spread_order(len(batches)):
            yield self.job_on_time(batches[number])

    def job(self, segments: np.ndarray) -> Job:
        """One job of the bound routine."""
        bound = self.bound
        return Job(bound.library, bound.loop, bound.domain.axes(), bound.output_type, segments, bound.output_scale,
                   self.tests, flush_to_zero=bound.routine.flush_to_zero, default_nan=bound.default_nan,
                   events=bound.build.endswith("strict"),
                   regions=bound.regions, peripherals=bound.peripherals, keep_outputs=self.evidence.outputs is not None,
                   call_limit_seconds=bound.routine.call_limit_seconds, most_hangs=1)

    def job_on_time(self, segments: np.ndarray) -> Job:
        """The same, which ends with the clock of this hunt."""
        left = max(0.0, self.began + self.plan.wall_seconds - time.monotonic())
        return replace(self.job(segments), seconds=left + GRACE_SECONDS)


def spread_order(count: int) -> list[int]:
    """0 .. count-1 in an order whose every beginning is spread evenly (bits reversed)."""
    bits = max(1, (count - 1).bit_length())
    order = sorted(range(1 << bits), key=lambda n: int(f"{n:0{bits}b}"[::-1], 2))
    return [number for number in order if number < count]


def identity(bound: Bound, tests: Sequence[Test], more: str, contents: Mapping[str, str]) -> str:
    """What evidence is about: build, domain, tests with limits, screens, bins, and what more is given.

    contents: path of a library -> what it holds; a result compared with another library's is about that, not its path.
    """
    asked = [{**test.__dict__, "second_library": contents.get(test.second_library, test.second_library)} for test in tests]
    text = repr([
        bound.identity, bound.routine.name, [grid.told for grid in bound.domain.grids], bound.domain.type_numbers,
        bound.domain.whole, asked, bound.screen.key if bound.screen else "",
        bound.array_lengths, bound.output_type, bound.output_scale, bound.routine.flush_to_zero,
        bound.routine.call_limit_seconds, more,
    ])
    return hashlib.sha256(text.encode()).hexdigest()
