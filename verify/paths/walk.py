"""A walk through a path: what every stage gives at what the one before really gave it, for the path's own inputs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from firmware_shim.engine import NUMPY_TYPES
from firmware_shim.job import Axis
from verify.grids import Grid
from verify.hunting.intervals import once_each
from verify.hunting.places import edges, even
from verify.routine import Bound

WHOLE_UP_TO = 2**17
WHOLE_ON_BOARD = 2**16
SAMPLED = 2**15
CHUNK = 1 << 13
CHUNK_RENDERED = 1 << 10
# Every how manieth input is rendered, at least, where a build renders slowly.
RENDERED_IN_STRICT = 1 << 10


@dataclass
class Joint:
    """What passes from one stage to the next. values: in the unit; outside: where they leave the taker's range."""

    giver: str
    taker: str
    unit: str
    grid: Grid
    values: np.ndarray
    outside: np.ndarray
    off_grid: int

    def text(self, at: int) -> str:
        """One value that lies outside."""
        return (f"{self.giver} gives {self.number(self.values[at])}; {self.taker} is checked for "
                f"{self.number(float(self.grid.low))} to {self.number(float(self.grid.high))}")

    def number(self, value: float) -> str:
        """A value in the unit."""
        return f"{value:.9g} {self.unit}".strip()

    def least_text(self) -> str:
        """The lowest value."""
        return self.number(float(np.nanmin(self.values)))

    def most_text(self) -> str:
        """The highest value."""
        return self.number(float(np.nanmax(self.values)))


@dataclass
class Walk:
    """ordinals of the path's inputs, those whose every stage came back, and per stage (functions, then the machine) the
    results in their unit; taken: what each stage received, in its unit."""

    ordinals: np.ndarray
    came: np.ndarray
    inputs: list[np.ndarray]
    taken: list[np.ndarray]
    given: list[np.ndarray]
    joints: list[Joint]
    every_value: bool
    problem: str = ""


def chosen_ordinals(bound: Bound) -> np.ndarray:
    """Every input where they are few; else edges and an even cover."""
    domain = bound.domain
    most = WHOLE_ON_BOARD if bound.build.startswith("board") else WHOLE_UP_TO
    if bound.routine.stages is not None and bound.routine.stages.voice is not None and bound.build == "strict":
        most = RENDERED_IN_STRICT
    if domain.count <= most:
        return np.arange(domain.count)
    share = min(SAMPLED, most)
    parts = [edges(domain, (2, 3, 12), bound.routine.joints), even(domain, share, run=16)]
    listed = np.concatenate([np.arange(a, b) for part in parts for a, b in part])
    found = once_each(listed)
    if len(found) > 2 * share:
        found = found[once_each(np.linspace(0, len(found) - 1, 2 * share).astype(np.int64))]
    return found


def walk_of(bound: Bound, probe: Any) -> Walk:
    """The walk of a path in one build, made once. probe: a Prober."""
    key = f"walk {bound.build} {bound.routine.name}"
    if key not in probe.costs:
        probe.costs[key] = walked(bound, probe)
    found: Walk = probe.costs[key]
    return found


def walked(bound: Bound, probe: Any, ordinals: np.ndarray | None = None) -> Walk:
    """Run stage after stage over the chosen inputs."""
    whole = ordinals is None
    ordinals = chosen_ordinals(bound) if ordinals is None else ordinals
    domain, stages = bound.domain, bound.routine.stages
    assert stages is not None
    index = domain.indices(ordinals)
    raws = [np.frombuffer(grid.raw(i, kind), NUMPY_TYPES[kind])
            for grid, i, kind in zip(domain.grids, index, domain.type_numbers, strict=True)]
    walk = Walk(ordinals, np.ones(len(ordinals), bool), domain.doubles(ordinals), [], [], [],
                whole and domain.whole and len(ordinals) == domain.count)
    givers = [*bound.stages]
    walk.taken.append(walk.inputs[0])
    for number, stage in enumerate(givers):
        known = probe.kept_outputs(bound) if is_rendered(stage) else None
        if known is not None:
            # The hunt has rendered them all.
            results, came, problem = known[ordinals], walk.came, ""
        else:
            results, came, problem = run_stage(stage, raws, probe)
        walk.came &= came
        walk.problem = walk.problem or problem
        values = results.astype(np.float64) * stage.output_scale
        walk.given.append(values)
        if number + 1 == len(givers):
            break
        taker = givers[number + 1]
        raws = [joined(walk, stage, taker, results, values)]
        walk.taken.append(raws[0].astype(np.float64) * float(taker.domain.grids[0].scale))
    return walk


def joined(walk: Walk, giver: Bound, taker: Bound, results: np.ndarray, values: np.ndarray) -> np.ndarray:
    """The results as the next stage's C type receives them; notes what leaves its range."""
    grid, kind = taker.domain.grids[0], taker.domain.type_numbers[0]
    low, high = float(grid.low), float(grid.high)
    outside = ~((values >= low) & (values <= high))
    with np.errstate(all="ignore"):
        received = results.astype(NUMPY_TYPES[kind])
    outside |= (received.astype(np.float64) != results.astype(np.float64)) & (NUMPY_TYPES[kind].kind != "f")
    off_grid = 0
    inside = values[~outside & walk.came]
    if len(inside) and (grid.kind == "list" or grid.step != 1):
        near = [grid.nearest_indices(inside)]
        if grid.kind == "list":
            near.append(np.maximum(near[0] - 1, 0))
        off_grid = int((~np.logical_or.reduce([grid.doubles(place) == inside for place in near])).sum())
    walk.joints.append(Joint(giver.routine.name, taker.routine.name, grid.unit, grid, values, outside, off_grid))
    return received


def run_stage(bound: Bound, raws: Sequence[np.ndarray], probe: Any) -> tuple[np.ndarray, np.ndarray, str]:
    """Results of one stage, which of them came, and what kept it from running."""
    count = len(raws[0])
    kind = NUMPY_TYPES[bound.output_type]
    results, came = np.zeros(count, kind), np.zeros(count, bool)
    chunk = CHUNK_RENDERED if is_rendered(bound) else CHUNK
    starts = range(0, count, chunk)
    jobs = []
    for start in starts:
        axes = [Axis(number, 2, 0, 1, min(chunk, count - start), float(grid.scale), raw[start : start + chunk].tobytes())
                for number, grid, raw in zip(bound.domain.type_numbers, bound.domain.grids, raws, strict=True)]
        jobs.append(replace(probe.listed_job(bound, axes, axes[0].count, keep_outputs=True, most_stops=32)))
    problem = ""
    for number, result in probe.crew.run_all(jobs):
        start = starts[number]
        problem = problem or result.load_problem
        got = np.frombuffer(result.outputs, kind)[: min(chunk, count - start)] if result.outputs else np.zeros(0, kind)
        results[start : start + len(got)] = got
        for first, _, row in zip(result.segments[:, 0], result.segments[:, 1], result.results, strict=True):
            came[start + int(first) : start + int(first) + int(row["done"])] = True
    return results, came, problem


def keeps_outputs(bound: Bound) -> bool:
    """Whether a hunt keeps every result: signals are rendered once, for the claims and for the budget."""
    stages = bound.routine.stages
    return stages is not None and stages.voice is not None and bound.build == "host" and bound.domain.count <= WHOLE_UP_TO


def is_rendered(bound: Bound) -> bool:
    """Whether a stage is the machine at the end."""
    return bound.loop.endswith("__rendered")
