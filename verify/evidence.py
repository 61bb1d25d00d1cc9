"""What a hunt learned, mergeable: rows of consecutive ordinals with counts and extremes, no float sums.

Merging is associative and commutative, and refuses overlaps and evidence of another identity. Whether
every value was covered is computed from the rows, never from a count.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import Any

import numpy as np

from firmware_shim.engine import FOUND, RESULT
from firmware_shim.job import Event, JobResult, Stop, Test
from verify.hunting.intervals import union


@cache
def row_type(tests: int) -> np.dtype:
    """Rows hold the results of the tests in use only: most of a result is its tests."""
    fields = [(name, RESULT[name]) for name in RESULT.names or () if name != "found"]
    result = np.dtype([*fields, ("found", FOUND, (max(1, tests),))])
    return np.dtype([("start", "i8"), ("count", "i8"), ("bin", "i4"), ("result", result)])


class OverlapError(ValueError):
    """Two pieces of evidence cover the same ordinal."""


class ForeignEvidenceError(ValueError):
    """Two pieces of evidence are about different things."""


def _least(values: np.ndarray, places: np.ndarray, starts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Per group: the least value and the smallest place at which it stands."""
    values = values + 0.0  # -0 and +0 are one value: the result must not depend on the cuts
    least = np.minimum.reduceat(values, starts)
    owner = np.repeat(np.arange(len(starts)), np.diff([*starts, len(values)]))
    candidates = np.where((values == least[owner]) & (places >= 0), places, np.iinfo(np.int64).max)
    where = np.minimum.reduceat(candidates, starts)
    return least, np.where(where == np.iinfo(np.int64).max, -1, where)


def _first(places: np.ndarray, starts: np.ndarray) -> np.ndarray:
    """Per group: the smallest place that is not -1."""
    found = np.minimum.reduceat(np.where(places < 0, np.iinfo(np.int64).max, places), starts)
    return np.where(found == np.iinfo(np.int64).max, -1, found)


@dataclass
class Evidence:
    """Evidence of one routine in one build. identity covers build, claims, reference, screen, bins."""

    identity: str
    tests: tuple[Test, ...]
    edges: np.ndarray
    row_length: int = 0
    rows: np.ndarray = field(default_factory=lambda: np.zeros(0, row_type(0)))
    holes: list[tuple[int, int, str]] = field(default_factory=list)
    stops: list[Stop] = field(default_factory=list)
    opens: np.ndarray = field(default_factory=lambda: np.zeros((0, 2), np.int64))
    events: list[Event] = field(default_factory=list)
    mode_changes: list[tuple[int, int, int]] = field(default_factory=list)
    writes: list[tuple[int, int]] = field(default_factory=list)
    heap: tuple[int, int, int] = (0, 0, 0)  # of all faults of the heap that at the smallest ordinal; see JobResult
    printed: str = ""
    waiting: list[np.ndarray] = field(default_factory=list)
    # What the exact reference said of an input that no screen could settle: (test, ordinal) -> 1 right, 0 wrong, -1 open.
    settled: dict[tuple[int, int], int] = field(default_factory=dict)
    # Every result, of routines that are slow and have few inputs; NaN where there is none.
    outputs: np.ndarray | None = None
    # What the routine gave where claims asked for single inputs: see verify.answers.
    answers: dict[str, tuple[bytes, bytes]] = field(default_factory=dict)
    # What a hunt that came to its end had been asked for: asked for the same again, it has nothing left to do.
    finished: str = ""
    # Why a hunt ended before all that was wanted had run ("": it did not).
    ended_by_clock: str = ""
    known_total: tuple[np.ndarray, Total] | None = field(default=None, init=False, compare=False, repr=False)

    def __post_init__(self) -> None:
        if not len(self.rows):
            self.rows = np.zeros(0, row_type(len(self.tests)))

    def add(self, result: JobResult) -> None:
        """Take in one job's result."""
        rows = np.zeros(len(result.segments), row_type(len(self.tests)))
        rows["start"], rows["count"] = result.segments[:, 0], result.segments[:, 1]
        rows["bin"] = np.searchsorted(self.edges, rows["start"], side="right") - 1
        for name in RESULT.names or ():
            part = result.results[name]
            rows["result"][name] = part[:, : max(1, len(self.tests))] if name == "found" else part
        found = rows["result"]["found"]
        for fields, names in ((rows["result"], ("least_output", "most_output")), (found, ("least", "most"))):
            for name in names:
                fields[name] += 0.0  # -0 and +0 are one value: no result must depend on the cuts
        other = Evidence(self.identity, self.tests, self.edges, self.row_length, rows)
        other.holes = [(stop.ordinal, stop.count, f"{stop.kind}: {stop.why}") for stop in result.stops]
        other.holes += result.not_run
        other.stops, other.opens, other.events = list(result.stops), result.opens, list(result.events)
        if result.mode_changed_at >= 0:
            other.mode_changes = [(result.mode_changed_at, result.mode_before, result.mode_after)]
        if result.written_at >= 0:
            other.writes = [(result.written_at, result.written_offset)]
        other.heap = result.heap
        other.printed = result.printed
        if self.outputs is not None and result.outputs:
            other.outputs = np.full(len(self.outputs), np.nan)
            came = np.frombuffer(result.outputs, np.float64)
            for start, count, _ in result.segments:
                other.outputs[start : start + count] = came[start : start + count]
        self.merge(other)

    def merge(self, other: Evidence) -> None:
        """Join with evidence over disjoint ordinals of the same thing."""
        if other.identity != self.identity:
            raise ForeignEvidenceError(f"{other.identity} is not {self.identity}")
        self.finished = self.finished or other.finished
        self.waiting += [other.rows, *other.waiting]
        if self.outputs is not None and other.outputs is not None:
            self.outputs = np.where(np.isnan(self.outputs), other.outputs, self.outputs)
        if sum(map(len, self.waiting)) > max(20_000, len(self.rows)):
            self.settle()
        self.settled.update(other.settled)
        self.answers.update(other.answers)
        self.holes = sorted(set(self.holes) | set(other.holes))
        self.stops = sorted({*self.stops, *other.stops}, key=lambda stop: (stop.ordinal, stop.kind))
        opens = np.concatenate([self.opens, other.opens])
        self.opens = np.unique(opens, axis=0) if len(opens) else opens
        self.events = join_events([*self.events, *other.events])
        self.mode_changes = sorted({*self.mode_changes, *other.mode_changes})[:16]
        self.writes = sorted({*self.writes, *other.writes})[:16]
        faults = [found for found in (self.heap, other.heap) if found[0]]
        self.heap = min(faults, key=lambda found: (found[1], found), default=(0, 0, 0))
        self.printed = min(filter(None, [self.printed, other.printed]), default="")

    def adopt(self, stored: Evidence) -> None:
        """Become what was stored of the same thing, settled as it was; of what is not empty, join with it."""
        if stored.identity != self.identity or len(self.rows) or self.waiting or stored.waiting:
            self.merge(stored)
            self.settle()
            return
        outputs = stored.outputs if self.outputs is not None and stored.outputs is not None else self.outputs
        self.__dict__.update({**stored.__dict__, "tests": self.tests, "edges": self.edges, "outputs": outputs})

    def settle(self) -> None:
        """Join the rows that came in since the last time (many at once: sorting is the cost)."""
        if not self.waiting:
            return
        rows = np.concatenate([self.rows, *self.waiting])
        if np.any(rows["start"][1:] < rows["start"][:-1]):
            rows = rows[np.argsort(rows["start"], kind="stable")]
        if len(rows) and np.any(rows["start"][1:] < rows["start"][:-1] + rows["count"][:-1]):
            raise OverlapError("two pieces of evidence cover the same ordinal")
        self.rows, self.waiting = self.joined(rows), []

    def joined(self, rows: np.ndarray) -> np.ndarray:
        """Rows that touch within one bin become one; order is judged across their joint, in the rows that are given."""
        if len(rows) < 2:
            return rows
        touching = (rows["start"][:-1] + rows["count"][:-1] == rows["start"][1:]) & (rows["bin"][:-1] == rows["bin"][1:])
        if not touching.any():
            return rows
        for k, test in enumerate(self.tests):
            if test.kind == "order":
                self.judge_joints(rows, np.flatnonzero(touching) + 1, k, test)
        starts = np.concatenate([[0], np.flatnonzero(~touching) + 1])
        sizes = np.diff([*starts, len(rows)])
        several = sizes > 1
        found = rows[starts]
        found[several] = self.grouped(rows[np.repeat(several, sizes)], sizes[several])
        return found

    def grouped(self, rows: np.ndarray, sizes: np.ndarray) -> np.ndarray:
        """One row for each group of so many rows that follow each other."""
        starts = np.cumsum(sizes) - sizes
        last = starts + sizes - 1
        merged = rows[starts]
        merged["count"] = np.add.reduceat(rows["count"], starts)
        r, m = rows["result"], merged["result"]
        for name in ("done", "nans", "infinities", "subnormals", "flagged_blocks"):
            m[name] = np.add.reduceat(r[name], starts, axis=0)
        m["last_output"] = r["last_output"][last]
        for value, place, sign in (("least_output", "least_output_at", 1), ("most_output", "most_output_at", -1)):
            least, m[place] = _least(sign * r[value], r[place], starts)
            m[value] = sign * least + 0.0
        for name in ("first_nan", "first_infinity", "first_subnormal"):
            m[name] = _first(r[name], starts)
        for name in ("first_flag", "flag_not_reproduced"):
            for kind in range(5):
                m[name][:, kind] = _first(r[name][:, kind], starts)
        for k in range(len(self.tests)):
            f, g = r["found"][:, k], m["found"][:, k]
            for name in ("judged", "failing", "open", "skipped"):
                g[name] = np.add.reduceat(f[name], starts)
            g["first_failing"] = _first(f["first_failing"], starts)
            g["last_failing"] = np.maximum.reduceat(f["last_failing"], starts)
            g["least"], g["least_at"] = _least(f["least"], f["least_at"], starts)
            most, g["most_at"] = _least(-f["most"], f["most_at"], starts)
            g["most"] = 0.0 - most
        return merged

    def judge_joints(self, rows: np.ndarray, second: np.ndarray, k: int, test: Test) -> None:
        """Judge the order between the last output of a row and the first of the next, into the next."""
        with np.errstate(invalid="ignore"):
            step = test.sign * (rows["result"]["first_output"][second] - rows["result"]["last_output"][second - 1])
        if self.row_length:
            second, step = (part[rows["start"][second] % self.row_length != 0] for part in (second, step))
        found = rows["result"]["found"][:, k]
        at = rows["start"][second]
        found["judged"][second] += ~np.isnan(step)
        found["skipped"][second] += np.isnan(step)
        wrong = step <= 0 if test.strict else step < -test.high
        found["failing"][second] += wrong
        first, last = found["first_failing"][second], found["last_failing"][second]
        found["first_failing"][second] = np.where(wrong & ((first < 0) | (at < first)), at, first)
        found["last_failing"][second] = np.where(wrong & (at > last), at, last)
        lower = (step < found["least"][second]) | ((step == found["least"][second]) & (at < found["least_at"][second]))
        found["least_at"][second] = np.where(lower, at, found["least_at"][second])
        found["least"][second] = np.where(lower, step, found["least"][second])

    def covered(self) -> np.ndarray:
        """Sorted disjoint intervals of the ordinals that ran to their end."""
        self.settle()
        return union(np.stack([self.rows["start"], self.rows["start"] + self.rows["count"]], axis=1))

    def total(self) -> Total:
        """One row for everything, joints between bins included."""
        self.settle()
        if self.known_total is not None and self.known_total[0] is self.rows:
            return self.known_total[1]
        ordered = [(k, test) for k, test in enumerate(self.tests) if test.kind == "order"]
        rows = self.rows.copy() if ordered else self.rows
        touching = np.flatnonzero(rows["start"][:-1] + rows["count"][:-1] == rows["start"][1:]) + 1
        for k, test in ordered:
            self.judge_joints(rows, touching[rows["bin"][touching] != rows["bin"][touching - 1]], k, test)
        total = Total(rows)
        self.known_total = self.rows, total
        return total

    def __getstate__(self) -> dict[str, Any]:
        return {**self.__dict__, "known_total": None}


@dataclass(frozen=True)
class Total:
    """Summary over all rows of an evidence."""

    rows: np.ndarray

    def count(self) -> int:
        """Inputs that ran."""
        return int(self.rows["count"].sum())

    def sum(self, name: str) -> int:
        """Sum of a counter of the results."""
        return int(self.rows["result"][name].sum())

    def first(self, name: str, kind: int | None = None) -> int:
        """Smallest ordinal noted under a name, -1 when there is none."""
        places = self.rows["result"][name]
        places = places if kind is None else places[:, kind]
        places = places[places >= 0]
        return int(places.min()) if len(places) else -1

    def extreme(self, value: str, place: str, sign: int) -> tuple[float, int]:
        """Least (sign 1) or most (sign -1) of an output extreme, with its smallest ordinal."""
        return _overall(sign * self.rows["result"][value], self.rows["result"][place], sign)

    def found(self, test: int, name: str) -> int:
        """Sum of a counter of one test."""
        return int(self.rows["result"]["found"][:, test][name].sum())

    def failing_ends(self, test: int) -> tuple[int, int]:
        """First and last failing ordinal of one test, (-1, -1) when there is none."""
        found = self.rows["result"]["found"][:, test]
        first = found["first_failing"][found["first_failing"] >= 0]
        return (int(first.min()), int(found["last_failing"].max())) if len(first) else (-1, -1)

    def error(self, test: int, name: str) -> tuple[float, int]:
        """least or most error of one test, with its smallest ordinal."""
        found = self.rows["result"]["found"][:, test]
        sign = 1 if name == "least" else -1
        return _overall(sign * found[name], found[f"{name}_at"], sign)


def _overall(values: np.ndarray, places: np.ndarray, sign: int) -> tuple[float, int]:
    if not len(values):
        return (sign * np.inf, -1)
    least, place = _least(values, places, np.array([0]))
    return float(sign * least[0]) + 0.0, int(place[0])


PLAIN = ("least_output", "most_output", "nans", "infinities", "subnormals")


def bitwise_same(some: np.ndarray, others: np.ndarray) -> bool:
    """Whether rows are of the same ordinals, and all that counts in their results has the same bits."""
    if len(some) != len(others) or any(not np.array_equal(some[name], others[name]) for name in ("start", "count")):
        return False
    return all(some["result"][name].tobytes() == others["result"][name].tobytes() for name in (*PLAIN, "found"))


def same_results(a: np.void, b: np.void, tests: Sequence[Test]) -> bool:
    """Whether two runs of the same ordinals gave the same.

    Blocks of equal results are judged by their ends, so the largest error and its place may depend, within the
    screen's own bound, on where a hunt was cut; so may, where one block in so many is repeated, how many inputs were.
    All else is compared bit by bit.
    """
    if any(a[name].tobytes() != b[name].tobytes() for name in PLAIN):
        return False
    if a["found"].tobytes() == b["found"].tobytes():
        return True
    for test, one, other in zip(tests, a["found"], b["found"], strict=False):
        ends = ("least", "most") if test.kind == "accurate" and test.monotone else ()
        loose = (*ends, *(f"{name}_at" for name in ends))
        loose += ("judged",) if test.kind == "deterministic" and test.step > 1 else ()
        exact = [name for name in one.dtype.names if name not in loose]
        if any(one[name].tobytes() != other[name].tobytes() for name in exact):
            return False
        if any(one[name] != other[name] and not abs(one[name] - other[name]) <= test.margin for name in ends):
            return False
    return True


def join_events(events: list[Event]) -> list[Event]:
    """Events of one place and kind become one: counts add, the smallest ordinal stays."""
    found: dict[tuple[str, str, int, int], Event] = {}
    for event in events:
        key = (event.kind, event.file, event.line, event.column)
        known = found.get(key)
        if known is None:
            found[key] = event
            continue
        early = event if (event.ordinal, event.operands) < (known.ordinal, known.operands) else known
        total = known.count + event.count
        found[key] = Event(*key, total, early.ordinal, early.operands, early.text)
    return [found[key] for key in sorted(found)]
