"""Whether two builds of a function give the same bits for every value, of its domain or of its C types: compared in C."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from firmware_shim.crew import Crew
from firmware_shim.engine import NUMPY_TYPES, TYPE_NUMBERS
from firmware_shim.job import Axis, Job, JobResult, Test
from firmware_shim.same_code import only_differ_in, same_function
from verify.hunt import Progress
from verify.routine import Bound

PART = 1 << 24
MOST_VALUES = 1 << 32


def raw_type(type_number: int) -> int:
    """The unsigned integer as wide as a C type: the same bits, whatever they mean."""
    return TYPE_NUMBERS["uint", NUMPY_TYPES[type_number].itemsize]


def whole_axes(bound: Bound) -> tuple[Axis, ...]:
    """Every bit pattern of a function's parameters."""
    found = []
    for number in bound.domain.type_numbers:
        kind = raw_type(number)
        found.append(Axis(kind, 1, 0, 1, 1 << 8 * NUMPY_TYPES[kind].itemsize))
    return tuple(found)


def same_in(crew: Crew, old: Bound, new: Bound, axes: tuple[Axis, ...], count: int, progress: Progress) -> bool:
    """Whether both give the same bits at each of so many points of these axes, and neither stops or keeps anything."""
    kind = raw_type(new.output_type)
    test = Test("same", high=-1.0, strict=True, second=old.loop, second_library=old.library, second_type=kind,
                second_inputs=tuple(axis.type_number for axis in axes))

    def jobs() -> Iterator[Job]:
        for start in range(0, count, PART):
            yield Job(new.library, new.loop, axes, kind, np.array([[start, min(PART, count - start), 0]], np.int64),
                      tests=(test,), peripherals=new.peripherals, flush_to_zero=new.routine.flush_to_zero,
                      regions=new.regions, call_limit_seconds=new.routine.call_limit_seconds, most_stops=1, most_hangs=1)

    done = 0
    results = crew.run_all(jobs())
    try:
        for _, result in results:
            if not is_same(result):
                return False
            done += int(result.results["done"].sum())
            progress(f"{new.routine.name}: the same bits", done, count)
    finally:
        results.close()  # type: ignore[attr-defined]
    return done == count


def is_same(result: JobResult) -> bool:
    """Whether a job came to its end and saw no difference."""
    odd = result.stops or result.not_run or result.load_problem or result.written_at >= 0 or result.mode_changed_at >= 0
    return not odd and not result.results["found"]["failing"][:, 0].any()


@dataclass(frozen=True)
class Side:
    """One program twice: as it is judged, and compiled without inlining, so that each function is code of its own."""

    judged: Bound
    alone: Bound
    objects: tuple[Path, ...]
    alone_objects: tuple[Path, ...]


def may_be_everywhere(bound: Bound) -> bool:
    """Whether a routine is a C function with few enough values of its C types to compare them all."""
    count = math.prod(axis.count for axis in whole_axes(bound))
    return bound.routine.call is None and bound.routine.stages is None and 1 < count <= MOST_VALUES


def same_everywhere(crew: Crew, old: Side, new: Side, flushed: Iterable[bool], progress: Progress) -> bool:
    """Whether a program does the same with either of two versions of one C function: without inlining all else is the same
    code, the function reaches nothing that changes, and in both builds it gives the same bits for whatever its parameters
    can hold.

    flushed: whether the program runs with subnormals flushed, kept, or now and then each.
    """
    name = new.judged.routine.name
    if old.judged.domain.type_numbers != new.judged.domain.type_numbers or old.judged.output_type != new.judged.output_type:
        return False
    if not only_differ_in(name, old.alone_objects, new.alone_objects):
        return False
    pairs = [(old.judged, new.judged)]
    if not all(same_function(name, side.objects, side.alone_objects) for side in (old, new)):
        pairs.append((old.alone, new.alone))
    axes = whole_axes(new.judged)
    count = math.prod(axis.count for axis in axes)
    return all(same_in(crew, before, replace(now, routine=replace(now.routine, flush_to_zero=mode)), axes, count, progress)
               for before, now in pairs for mode in sorted({now.routine.flush_to_zero, *flushed}))
