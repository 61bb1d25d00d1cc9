"""What one call costs on the board: executed instructions, estimated cycles, stack, code, tables.

Instructions are counted, one by one, in the emulator. Cycles are estimated from them with a table and carry
both its ends. The most expensive input is hunted for: from the worst so far to its neighbours.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from firmware_shim.board_code import Call, calls_in
from firmware_shim.job import JobResult
from firmware_shim.memory_map import objects_in
from verify.board_facts import code_map, executed_functions, inlined_bytes
from verify.hunting.places import around, edges, even
from verify.routine import Bound

EVERY_VALUE_UP_TO = 2**18
THOROUGH_UP_TO = 2**24
EVEN_CASES = 2**16
MOST_EDGES = 2**16
CHUNK = 1 << 14
CLIMBING_ROUNDS = 6
FROM_EACH = 4
NEIGHBOUR_CASES = 2**15
SOFT_DOUBLE = "__aeabi_d"
CONVERSIONS = ("__aeabi_f2d", "__aeabi_i2d", "__aeabi_ui2d", "__aeabi_l2d", "__aeabi_ul2d")
SOFT_FLOAT = "__aeabi_f"


@dataclass(frozen=True)
class Figure:
    """A largest value and the ordinal at which it was found."""

    value: float
    at: int


@dataclass
class Ran:
    """What ran while calls were counted, of a function or a machine: sizes in bytes, and what was called. inlined_bytes: of
    the code, that which became part of what calls it."""

    stack_bytes: int = 0
    code_bytes: int = 0
    inlined_bytes: int = 0
    library_bytes: int = 0
    table_bytes: int = 0
    tables: tuple[str, ...] = ()
    library: tuple[str, ...] = ()
    soft: tuple[Call, ...] = ()
    lost: int = 0
    problem: str = ""

    def measure(self, library: str, executed: np.ndarray, touched: np.ndarray) -> None:
        """Sizes of the code that was executed, and of the tables that were read."""
        ran = executed_functions(library, executed.tobytes())
        self.inlined_bytes = inlined_bytes(library, executed.tobytes())
        self.code_bytes = sum(size for _, _, size, own in ran if own) + self.inlined_bytes
        self.library_bytes = sum(size for _, _, size, own in ran if not own)
        self.library = tuple(name for name, _, _, own in ran if not own)
        self.soft = soft_calls_in(library, executed)
        tables = read_tables(library, touched)
        self.tables, self.table_bytes = tuple(name for name, _ in tables), sum(size for _, size in tables)


def seen_as_well(known: np.ndarray, seen: bytes) -> np.ndarray:
    """Marks of one more run laid over those that are known; known may be empty."""
    more = np.frombuffer(seen, np.uint8)
    return more | known if len(known) == len(more) else more


@dataclass
class Cost(Ran):
    """What was counted. Cycles have an optimistic and a pessimistic end; each has its own largest."""

    counted: int = 0
    every_value: bool = False
    least: int = 0
    median: float = 0.0
    most: Figure = Figure(0, -1)
    optimistic: Figure = Figure(0.0, -1)
    pessimistic: Figure = Figure(0.0, -1)
    counts: dict[str, np.ndarray] = field(default_factory=dict)

    def beyond(self, name: str, limit: float) -> np.ndarray:
        """Ordinals whose instructions, or optimistic or pessimistic cycles, lie above a limit."""
        return self.counts["ordinals"][self.counts[name] > limit]


class Hunt:
    """Counts listed ordinals, never one twice, and keeps all that was counted."""

    def __init__(self, bound: Bound, prober: Any, progress: Callable[[int, int], None] | None = None) -> None:
        self.bound, self.prober, self.progress = bound, prober, progress
        self.ordinals = np.zeros(0, np.int64)
        self.costs = np.zeros((0, 3), np.uint32)
        self.cost = Cost()
        self.executed = np.zeros(0, np.uint8)
        self.touched = np.zeros(0, np.uint8)

    def count(self, wanted: np.ndarray) -> None:
        """Count what of the wanted ordinals is new."""
        new = np.setdiff1d(wanted, self.ordinals, assume_unique=False)
        parts = np.array_split(new, max(1, -(-len(new) // CHUNK))) if len(new) else []
        domain = self.bound.domain
        jobs = (self.prober.listed_job(self.bound, domain.listed(part), len(part), keep_costs=True) for part in parts)
        found_ordinals, found_costs = [self.ordinals], [self.costs]
        for done, (number, result) in enumerate(self.prober.crew.run_all(jobs), 1):
            self.take(result)
            came = np.zeros(len(parts[number]), bool)
            for (start, _, _), row in zip(result.segments, result.results, strict=True):
                came[start : start + int(row["done"])] = True
            if result.costs:
                costs = np.frombuffer(result.costs, np.uint32).reshape(-1, 3)
                found_ordinals.append(parts[number][came])
                found_costs.append(costs[: len(came)][came])
            if self.progress is not None:
                self.progress(done * CHUNK, len(new))
        ordinals, costs = np.concatenate(found_ordinals), np.concatenate(found_costs)
        order = np.argsort(ordinals, kind="stable")  # results come in any order, the hunt must not depend on it
        self.ordinals, self.costs = ordinals[order], costs[order]

    def take(self, result: JobResult) -> None:
        """Facts beside the counts."""
        cost = self.cost
        cost.problem = cost.problem or result.load_problem
        cost.lost += len(result.stops)
        cost.stack_bytes = max(cost.stack_bytes, result.stack_bytes)
        self.executed = seen_as_well(self.executed, result.executed)
        self.touched = seen_as_well(self.touched, result.touched)

    def worst(self) -> np.ndarray:
        """Ordinals of the most expensive calls so far, by each way of counting."""
        places = [np.argsort(self.costs[:, column], kind="stable")[-FROM_EACH:] for column in range(3)]
        return self.ordinals[np.unique(np.concatenate(places))]

    def climb(self) -> None:
        """From the worst so far to its neighbours, until nothing costs more."""
        for _ in range(CLIMBING_ROUNDS):
            if not len(self.ordinals):
                return
            before = self.costs.max(axis=0)
            self.count(listed(around(self.bound.domain, self.worst()), NEIGHBOUR_CASES))
            if (self.costs.max(axis=0) <= before).all():
                return


def listed(parts: np.ndarray, most: int) -> np.ndarray:
    """The ordinals of intervals; an even choice of them where they are too many."""
    total = int((parts[:, 1] - parts[:, 0]).sum())
    if not total:
        return np.zeros(0, np.int64)
    lengths = parts[:, 1] - parts[:, 0]
    places = np.arange(total) if total <= most else np.unique(np.linspace(0, total - 1, most).astype(np.int64))
    ends = np.cumsum(lengths)
    owner = np.searchsorted(ends, places, side="right")
    return parts[owner, 0] + places - (ends[owner] - lengths[owner])


def hunted_cost(bound: Bound, prober: Any, *, thorough: bool = False,
                progress: Callable[[int, int], None] | None = None) -> Cost:
    """Count every value of a small domain, else edges, an even cover and the neighbours of the worst."""
    domain = bound.domain
    hunt = Hunt(bound, prober, progress)
    if domain.count <= (THOROUGH_UP_TO if thorough else EVERY_VALUE_UP_TO):
        hunt.count(np.arange(domain.count))
    else:
        hunt.count(listed(edges(domain, (2, 3, 12), bound.routine.joints), MOST_EDGES))
        hunt.count(listed(even(domain, EVEN_CASES, run=64), EVEN_CASES))
        hunt.climb()
    return finished(hunt)


def finished(hunt: Hunt) -> Cost:
    """The figures of a hunt."""
    cost, bound = hunt.cost, hunt.bound
    cost.counted = len(hunt.ordinals)
    cost.every_value = cost.counted == bound.domain.count and bound.domain.whole and not cost.lost
    if not cost.counted:
        return cost
    cycles = np.ceil(hunt.costs[:, 1:].astype(float)) / 2
    columns = {"instructions": hunt.costs[:, 0].astype(float), "optimistic": cycles[:, 0], "pessimistic": cycles[:, 1]}
    cost.counts = {"ordinals": hunt.ordinals, **columns}
    cost.least, cost.median = int(columns["instructions"].min()), float(np.median(columns["instructions"]))

    def largest(name: str) -> Figure:
        values = columns[name]
        top = values.max()
        return Figure(float(top), int(hunt.ordinals[values == top].min()))

    cost.most, cost.optimistic, cost.pessimistic = (largest(name) for name in ("instructions", "optimistic", "pessimistic"))
    cost.measure(bound.library, hunt.executed, hunt.touched)
    return cost


def read_tables(library: str, touched: np.ndarray) -> list[tuple[str, int]]:
    """(name, bytes) of each constant object that a call has read from."""
    found = []
    low, objects = objects_in(Path(library), ".rodata")
    for name, start, size in objects:
        if touched[(start - low) // 4 : (start - low + size + 3) // 4].any():
            found.append((name, size))
    return found


def soft_calls_in(library: str, executed: np.ndarray) -> tuple[Call, ...]:
    """Calls of arithmetic routines from the author's code, of those that ran; not those of what hands values over."""
    low, own_end, _ = code_map(library)
    return tuple(
        call for call in calls_in(Path(library))
        if call.target.startswith((SOFT_DOUBLE, SOFT_FLOAT, *CONVERSIONS)) and call.address < own_end
        and not call.caller.startswith("pf_")
        and executed[(call.address - low) // 2]
    )
