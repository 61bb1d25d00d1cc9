"""Running a few chosen inputs again, in a worker: outputs, samples, culprits of flags."""

from __future__ import annotations

import contextlib
import math
import os
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from firmware_shim.build import Built
from firmware_shim.build_cache import cached_info
from firmware_shim.crew import Crew
from firmware_shim.engine import NUMPY_TYPES
from firmware_shim.errors import SourceMissing
from firmware_shim.job import NOT_TRIED, Axis, Job, JobResult, Test
from firmware_shim.machine_source import PREFIX as MACHINE_PREFIX
from firmware_shim.memory_map import symbol_at
from firmware_shim.scalar_types import PREFIX
from verify.answers import Answers
from verify.routine import Bound

SAMPLE_SIZE = 4096
# Many inputs of slow calls: what is left then was not tried, and is told.
MANY_SECONDS, LISTED_SEGMENT = 20.0, 256


def named_place(library: str, offset: int) -> str:
    """Name of the code line or global at an offset of a library."""
    with contextlib.suppress(SourceMissing):
        info = cached_info(Path(library))
        line = info.line_at(offset)
        if line is not None:
            function, file, number = line
            function = "the sheet's call" if function.startswith((PREFIX, MACHINE_PREFIX)) else function
            return f"{function} at {Path(file).name}:{number}" if function else f"{Path(file).name}:{number}"
        for variable in info.globals:
            if variable.address <= offset < variable.address + max(1, variable.size):
                inside = f" (static in {variable.scope})" if variable.scope else ""
                return f"{variable.name}{inside}, {Path(variable.file).name}:{variable.line}"
    found = symbol_at(Path(library), offset)
    return found.name if found is not None else f"library offset 0x{offset:x}"


def cut_every(count: int, length: int) -> np.ndarray:
    """Segments of at most a length, so that those before a late one count."""
    starts = np.arange(0, count, length)
    return np.stack([starts, np.minimum(length, count - starts), np.zeros_like(starts)], axis=1)


class Prober:
    """Answers the claims' questions through the crew. Outputs are remembered per build and ordinal."""

    def __init__(self, crew: Crew, builts: dict[str, Built], seed: int) -> None:
        self.crew, self.builts, self.seed = crew, builts, seed
        self.known: dict[tuple[str, str, int], bytes | None] = {}
        self.costs: dict[str, Any] = {}
        self.outputs_of_paths: dict[tuple[str, str], np.ndarray] = {}
        # What is kept of the routine that is judged, where it repeats.
        self.answers: Answers | None = None

    def families(self) -> dict[str, str]:
        """Build -> family of the compiler that built it."""
        return {build: built.compiler.family for build, built in self.builts.items()}

    def kept_outputs(self, bound: Bound) -> np.ndarray | None:
        """Every result of a path whose hunt kept them, by ordinal."""
        return self.outputs_of_paths.get((bound.build, bound.routine.name))

    def listed_job(self, bound: Bound, axes: Sequence[Axis], count: int, **more: object) -> Job:
        """A job over explicit inputs."""
        return Job(bound.library, bound.loop, tuple(axes), bound.output_type, np.array([[0, count, 0]], np.int64),
                   bound.output_scale, zip_inputs=True, flush_to_zero=bound.routine.flush_to_zero,
                   default_nan=bound.default_nan,
                   peripherals=bound.peripherals,
                   call_limit_seconds=bound.routine.call_limit_seconds, **more)  # type: ignore[arg-type]

    def results(self, bound: Bound, axes: Sequence[Axis], count: int,
                seconds: float = math.inf) -> tuple[bytes, np.ndarray, np.ndarray]:
        """(raw outputs one after another, whether each came back, whether each was tried: a few hangs end the rest)."""
        if self.answers is not None:
            return self.answers.given(bound, axes, count, lambda: self.run_now(bound, axes, count, seconds))
        return self.run_now(bound, axes, count, seconds)

    def run_now(self, bound: Bound, axes: Sequence[Axis], count: int, seconds: float) -> tuple[bytes, np.ndarray, np.ndarray]:
        """The same from a run."""
        width = NUMPY_TYPES[bound.output_type].itemsize
        job = self.listed_job(bound, axes, count, keep_outputs=True, most_stops=32, seconds=seconds)
        if seconds < math.inf:
            job = replace(job, segments=cut_every(count, LISTED_SEGMENT))
        result = self.crew.run(job)
        came, tried = np.zeros(count, bool), np.ones(count, bool)
        if not result.load_problem:
            for (start, _, _), row in zip(result.segments, result.results, strict=True):
                came[start : start + int(row["done"])] = True
        for start, length, why in result.not_run:
            if why.startswith(NOT_TRIED):
                tried[start : start + length] = False
        return bytes(result.outputs[: count * width]).ljust(count * width, b"\0"), came, tried | came

    def run_listed(self, bound: Bound, axes: Sequence[Axis], count: int) -> list[bytes | None]:
        """Raw outputs, None where the routine did not come back."""
        width = NUMPY_TYPES[bound.output_type].itemsize
        outputs, came, _ = self.results(bound, axes, count)
        return [outputs[i * width : (i + 1) * width] if back else None for i, back in enumerate(came.tolist())]

    def outputs(self, bound: Bound, ordinals: Sequence[int]) -> list[bytes | None]:
        """Raw output bits per ordinal."""
        keys = [(bound.build, bound.routine.name, int(o)) for o in ordinals]
        new = sorted({key[2] for key in keys if key not in self.known and key[2] >= 0})
        for start in range(0, len(new), 1 << 16):
            part = np.array(new[start : start + (1 << 16)], np.int64)
            for ordinal, raw in zip(part, self.run_listed(bound, bound.domain.listed(part), len(part)), strict=True):
                self.known[bound.build, bound.routine.name, int(ordinal)] = raw
        return [self.known.get(key) for key in keys]

    def raw_axes(self, bound: Bound, raws: Sequence[Sequence[bytes]]) -> list[Axis]:
        """Axes of raw inputs that need not lie on the grid."""
        axes = []
        for place, kind in enumerate(bound.domain.type_numbers):
            scale = float(bound.domain.grids[place].scale)
            axes.append(Axis(kind, 2, 0, 1, len(raws), scale, b"".join(raw[place] for raw in raws)))
        return axes

    def outside(self, bound: Bound, raws: Sequence[Sequence[bytes]]) -> list[bytes | None]:
        """Raw outputs for raw inputs that need not lie on the grid."""
        return self.run_listed(bound, self.raw_axes(bound, raws), len(raws))

    def outside_results(self, bound: Bound, columns: Sequence[bytes], count: int) -> tuple[
            np.ndarray, np.ndarray, np.ndarray]:
        """(results as binary64, NaN where none came; whether each came back, was tried) for raw inputs, a column each."""
        axes = [Axis(kind, 2, 0, 1, count, float(grid.scale), column)
                for kind, grid, column in zip(bound.domain.type_numbers, bound.domain.grids, columns, strict=True)]
        outputs, came, tried = self.results(bound, axes, count, MANY_SECONDS)
        got = np.frombuffer(outputs, NUMPY_TYPES[bound.output_type]).astype(np.float64) * bound.output_scale
        return np.where(came, got, np.nan), came, tried

    def in_mode(self, bound: Bound, raws: Sequence[bytes], flushed: bool) -> bytes | None:
        """Raw output of raw inputs with subnormals flushed, or kept."""
        job = replace(self.listed_job(bound, self.raw_axes(bound, [raws]), 1, keep_outputs=True), flush_to_zero=flushed)
        result = self.crew.run(job)
        return result.outputs[: NUMPY_TYPES[bound.output_type].itemsize] if not result.stops else None

    def sample(self, bound: Bound, test: Test) -> tuple[int, int]:
        """(failing, drawn) over an even random sample of the range."""
        random = np.random.default_rng(self.seed)
        ordinals = np.zeros(SAMPLE_SIZE, np.int64)
        for grid, stride in zip(bound.domain.grids, bound.domain.strides(), strict=True):
            if grid.kind == "float32":
                points = random.uniform(float(grid.low), float(grid.high), SAMPLE_SIZE)
                index = np.array([grid.index_near(Fraction(float(np.float32(point)))) for point in points])
            else:
                index = random.integers(0, grid.count, SAMPLE_SIZE)
            ordinals += index * stride
        ordinals = np.unique(ordinals)
        job = self.listed_job(bound, bound.domain.listed(ordinals), len(ordinals), tests=(test,), seconds=MANY_SECONDS)
        result = self.crew.run(job)
        if result.late:
            return 0, 0  # what came first is no even sample
        found = result.results["found"][:, 0]
        return int(found["failing"].sum()), int(found["judged"].sum())

    def culprit(self, bound: Bound, ordinal: int, kind: int) -> tuple[str, bool]:
        """(place of the flagged operation, whether it lies in the author's code)."""
        return self.culprit_of(bound, bound.domain.raw_bits(ordinal), kind)

    def culprit_of(self, bound: Bound, raws: Sequence[bytes], kind: int) -> tuple[str, bool]:
        """The same for raw inputs."""
        result = self.crew.run(self.listed_job(bound, self.raw_axes(bound, [raws]), 1, trap_kinds=1 << kind))
        if result.trap_offset is None:
            return "the routine (instruction not pinned)", True
        if os.path.realpath(bound.library) != result.trap_library:
            return Path(result.trap_library).name or "code outside every file", False
        return self.symbol(bound, result.trap_offset), True

    def symbol(self, bound: Bound, offset: int) -> str:
        """Name of the code line or global at an offset of the library."""
        return named_place(bound.library, offset)

    def cost(self, bound: Bound) -> Any:
        """What calls of a routine of the board build cost (verify.cost.Cost), hunted for once."""
        from verify.cost import hunted_cost

        if bound.routine.name not in self.costs:
            self.costs[bound.routine.name] = hunted_cost(bound, self)
        return self.costs[bound.routine.name]

    def observed(self, bound: Bound, raws: Sequence[bytes]) -> JobResult:
        """One contained run of one input, events and flags kept: for replay."""
        return self.crew.run(self.listed_job(bound, self.raw_axes(bound, [raws]), 1, keep_outputs=True,
                                             keep_flags=True, events=bound.build.endswith("strict")))
