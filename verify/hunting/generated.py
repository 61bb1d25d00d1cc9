"""Routines of several inputs whose product is too large to count through: Hypothesis looks for where to look.

Each example is a block: one input runs over its range (or over neighbours) while the others stand still. The error
is Hypothesis's target, so that later examples start from the worst so far. What comes back are points, never
evidence: the hunt runs them, and all between them, in its own way.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache, lru_cache

import numpy as np

from firmware_shim.crew import Crew
from firmware_shim.job import Axis, Job, Test
from verify.domain import Domain
from verify.grids import Grid
from verify.hunting.intervals import distinct, once_each
from verify.hunting.places import marks
from verify.hunting.plan import MOST_HANGS
from verify.routine import Bound

BLOCK = 1 << 14
EXAMPLES = 256
# A block of ordinary calls takes milliseconds, on the emulated board a second. One that takes longer counts as a hang.
BLOCK_SECONDS = 10.0
CLIMBERS, CLIMBS = 6, 4
BITS = 20
JUDGED = ("accurate", "range", "poles")
MOST_POINTS = 24
FAILED = 1e9


@cache
def leaps() -> np.ndarray:
    """Steps of a climb, in places on the grid: every near one, and further ones in a geometric row."""
    sizes = np.concatenate([np.arange(256), 1.01 ** np.arange(2200)]).astype(np.int64)
    return once_each(np.concatenate([-sizes, sizes]))


def full_domain(bound: Bound) -> Domain:
    """The whole product of the sheet's grids, whatever sample of it the hunt counts through."""
    if bound.domain.whole:
        return bound.domain
    return Domain(bound.routine.inputs, bound.domain.type_numbers)


def size_of(test: Test, least: float, most: float) -> float:
    """How near a block comes to breaking a test: 1 is the limit."""
    above = most / test.high if test.high > 0 else most - test.high
    below = least / test.low if test.low < 0 else test.low - least
    return float(max(above, below))


def generated_points(bound: Bound, tests: Sequence[Test], crew: Crew, seed: int) -> list[tuple[int, ...]]:
    """Places (one index per input) at which examples came nearest to a limit, or broke it."""
    judged = [test for test in tests if test.kind in JUDGED]
    domain = full_domain(bound)
    if len(domain.grids) < 2 or not judged:
        return []
    listed = [marks(grid, (2, 3, 12), bound.routine.joints) for grid in domain.grids]
    best: dict[tuple[int, ...], float] = {}
    hangs = [0]

    def place(number: int, k: int) -> int:
        kind, rest = number & 3, number >> 2
        count = domain.grids[k].count
        return int(listed[k][rest % len(listed[k])]) if kind < 2 else rest * (count - 1) // ((1 << (BITS - 2)) - 1)

    def block(numbers: Sequence[int], moving: int, near: bool) -> list[np.ndarray]:
        fixed = [place(number, k) for k, number in enumerate(numbers)]
        count = domain.grids[moving].count
        if near or count <= BLOCK:
            start = max(0, min(fixed[moving] - BLOCK // 2, count - BLOCK))
            run = start + np.arange(min(BLOCK, count))
        else:
            low, high = float(domain.grids[moving].low), float(domain.grids[moving].high)
            # Another offset each time: what lies between the points of one example is met by the next.
            offset = numbers[moving] % 1024 / 1024
            run = distinct(domain.grids[moving].nearest_indices(low + (high - low) * (np.arange(BLOCK) + offset) / BLOCK))
        return [run if k == moving else np.full(len(run), fixed[k], np.int64) for k in range(len(fixed))]

    def tried(index: list[np.ndarray]) -> tuple[float, tuple[int, ...]]:
        """Run a block, remember its worst point per test; the worst of all with its size."""
        if hangs[0] >= MOST_HANGS:
            return 0.0, tuple(int(part[0]) for part in index)
        result = crew.run(block_job(bound, domain, index, judged))
        hangs[0] += sum(stop.kind == "hang" for stop in result.stops) + result.late
        worst, where = 0.0, tuple(int(part[0]) for part in index)
        for row in result.results:
            for k, test in enumerate(judged):
                found = row["found"][k]
                for value, at in ((found["least"], found["least_at"]), (found["most"], found["most_at"])):
                    if at >= 0:
                        point = tuple(int(part[int(at)]) for part in index)
                        size = size_of(test, min(0.0, float(value)), max(0.0, float(value)))
                        best[point] = max(best.get(point, 0.0), size)
                        if size > worst:
                            worst, where = size, point
                if found["first_failing"] >= 0:
                    best[tuple(int(part[int(found["first_failing"])]) for part in index)] = FAILED
        for stop in result.stops:
            best[tuple(int(part[min(stop.ordinal, len(part) - 1)]) for part in index)] = FAILED
        return worst, where

    def each(numbers: list[int], moving: int, near: bool) -> float:
        return min(tried(block(numbers, moving % len(domain.grids), near))[0], 1e6)

    _drawn(each, len(domain.grids), seed)
    for start in sorted(best, key=lambda point: (-best[point], point))[:CLIMBERS]:
        point, size = start, best[start]
        for turn in range(CLIMBS * len(domain.grids)):
            moving = turn % len(domain.grids)
            run = distinct(np.clip(point[moving] + leaps(), 0, domain.grids[moving].count - 1))
            index = [run if k == moving else np.full(len(run), place, np.int64) for k, place in enumerate(point)]
            higher, there = tried(index)
            if higher > size:
                point, size = there, higher
    return [point for point, _ in sorted(best.items(), key=lambda item: (-item[1], item[0]))[:MOST_POINTS]]


def _drawn(size_of_block: Callable[[list[int], int, bool], float], inputs: int, seed: int) -> None:
    """Let Hypothesis draw blocks, with the size as its target."""
    import hypothesis  # its import costs more than a check in which nothing changed
    from hypothesis import HealthCheck, Phase, given, settings
    from hypothesis import strategies as st

    def each(numbers: list[int], moving: int, near: bool) -> None:
        hypothesis.target(size_of_block(numbers, moving, near))

    strategy = (st.lists(st.integers(0, 2**BITS - 1), min_size=inputs, max_size=inputs), st.integers(0, 7), st.booleans())
    run = settings(max_examples=EXAMPLES, database=None, deadline=None, phases=[Phase.generate, Phase.target],
                   suppress_health_check=list(HealthCheck))(given(*strategy)(each))
    hypothesis.seed(seed)(run)()


def block_job(bound: Bound, domain: Domain, index: Sequence[np.ndarray], tests: Sequence[Test]) -> Job:
    """A job over explicit points."""
    axes = tuple(Axis(kind, 2, 0, 1, len(part), float(grid.scale), grid.raw(part, kind))
                 for grid, kind, part in zip(domain.grids, domain.type_numbers, index, strict=True))
    return Job(bound.library, bound.loop, axes, bound.output_type, np.array([[0, len(index[0]), 0]], np.int64),
               bound.output_scale, tuple(tests), zip_inputs=True, flush_to_zero=bound.routine.flush_to_zero,
               regions=bound.regions, peripherals=bound.peripherals, call_limit_seconds=bound.routine.call_limit_seconds,
               seconds=BLOCK_SECONDS)


def sharpened(bound: Bound, points: Sequence[tuple[int, ...]]) -> Bound:
    """The bound routine with the points (and their neighbours) among the values that its sample combines."""
    if bound.domain.whole or not points:
        return bound
    return replace(bound, domain=_with_points(bound.domain, bound.routine.inputs, tuple(map(tuple, points))))


@lru_cache(maxsize=32)
def _with_points(domain: Domain, inputs: tuple[Grid, ...], points: tuple[tuple[int, ...], ...]) -> Domain:
    grids = []
    for k, (grid, whole) in enumerate(zip(domain.grids, inputs, strict=True)):
        places = {min(max(0, point[k] + step), whole.count - 1) for point in points for step in (-1, 0, 1)}
        more = {whole.value(place) for place in places if not whole.nears_zero(place)}
        values = tuple(sorted({*grid.values, *more}, key=lambda v: (float(v), v)))
        grids.append(replace(grid, values=values, count=len(values)))
    return Domain(tuple(grids), domain.type_numbers, whole=False, full_count=domain.full_count)
