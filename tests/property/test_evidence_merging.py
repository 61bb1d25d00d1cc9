"""Evidence of one hunt, cut and joined in any way, is the same evidence, bit for bit.

The pieces are real results of the engine over a small routine with plateaus, steps back, both zeros, NaN,
infinities and subnormals; what the whole must be is computed here from the outputs alone.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware_shim.build import Request, build
from firmware_shim.crew import Crew
from firmware_shim.engine import RESULT, build_engine
from firmware_shim.job import Event, Job, JobResult, Stop
from firmware_shim.job import Test as EngineTest
from verify.domain import Domain
from verify.evidence import Evidence, ForeignEvidenceError, OverlapError
from verify.grids import integers
from verify.hunting.intervals import cut, subtract, union

COUNT = 4000
SOURCE = """\
#include <stdint.h>
float both_zeros(uint16_t n)
{
    uint32_t mixed = (n / 3u) * 2654435761u;
    switch (mixed >> 28) {
    case 0: return -0.0f;
    case 1: return 0.0f;
    case 2: return (mixed >> 20 & 15u) == 0 ? __builtin_nanf("") : 3.0f;
    case 3: return (mixed >> 20 & 15u) == 1 ? -__builtin_inff() : (mixed >> 20 & 15u) == 2 ? __builtin_inff() : 2.0f;
    case 4: return 1e-41f;
    default: return (float)(n / 40) + (float)(mixed >> 30);
    }
}
float bumpy(uint16_t n) { float y = both_zeros(n); return y == 0.0f ? 0.0f : y; }
float pair(uint8_t a, uint8_t b) { return bumpy((uint16_t)(a * 50u + b)); }
"""
TESTS = (
    EngineTest("order", sign=1.0),
    EngineTest("order", sign=-1.0, strict=True),
    EngineTest("order", high=0.5, sign=1.0),
    EngineTest("range", low=0.0, high=60.0),
    EngineTest("deterministic"),
)


@dataclass(frozen=True, repr=False)
class Run:
    """One routine that can be run in any pieces, and its outputs."""

    crew: Crew
    job: Job
    edges: np.ndarray
    row_length: int
    outputs: np.ndarray

    def results(self, pieces: np.ndarray) -> JobResult:
        """The engine's results, one per piece."""
        masks = np.full(len(pieces), 31)
        segments = np.stack([pieces[:, 0], pieces[:, 1] - pieces[:, 0], masks], axis=1)
        found = self.crew.run(replace(self.job, segments=segments))

        assert len(pieces) == len(found.segments)
        return found

    def empty(self, identity: str = "one") -> Evidence:
        return Evidence(identity, TESTS, self.edges, self.row_length)

    def whole(self, parts: np.ndarray) -> Evidence:
        """Evidence of parts run in as few pieces as the bins allow, taken in at once."""
        evidence = self.empty()
        evidence.add(self.results(cut(parts, self.edges)))
        evidence.settle()
        return evidence


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory, gcc: str, private_cache: Path) -> Iterator[dict[str, Run]]:
    folder = tmp_path_factory.mktemp("bumpy")
    (folder / "bumpy.c").write_text(SOURCE, encoding="utf-8")
    built = build(Request((folder / "bumpy.c",), flags="-O2", routines=("bumpy", "both_zeros", "pair")), private_cache)
    line = Domain((integers("n", 0, COUNT - 1, ""),), (5,))
    domains = {"bumpy": line, "both_zeros": line,
               "pair": Domain((integers("a", 0, 79, ""), integers("b", 0, 49, "")), (3, 3))}  # fmt: skip
    with Crew(build_engine(built.compiler.path, private_cache), 1) as crew:
        found = {}
        for name, domain in domains.items():
            job = Job(str(built.library), built.loops[name], domain.axes(), 0, np.array([[0, COUNT, 31]], np.int64),
                      tests=TESTS)  # fmt: skip
            outputs = np.frombuffer(crew.run(replace(job, keep_outputs=True)).outputs, np.float32)
            row = domain.grids[-1].count if len(domain.grids) > 1 else 0
            found[name] = Run(crew, job, domain.bin_edges(37), row, outputs)
        yield found


def split(result: JobResult, owner: np.ndarray, jobs: int) -> list[JobResult]:
    """One result as if its pieces had been shared out over several jobs."""
    nothing = np.zeros((0, 2), np.int64)
    return [JobResult(result.segments[owner == k], result.results[owner == k], nothing) for k in range(jobs)]


def gathered(draw: Any, run: Run, results: list[JobResult]) -> Evidence:
    """Results taken in by several evidences that are merged in any order and grouping."""
    waiting = [run.empty()]
    for result in results:
        waiting.append(run.empty())
        waiting[-1].add(result)
        if draw(st.booleans(), label="settle early"):
            waiting[-1].settle()
    while len(waiting) > 1:
        one = waiting.pop(draw(st.integers(0, len(waiting) - 1), label="merge"))
        waiting[draw(st.integers(0, len(waiting) - 1), label="into")].merge(one)
    waiting[0].settle()
    return waiting[0]


PLACES = st.lists(st.integers(0, COUNT), max_size=40)


@pytest.mark.parametrize("name", ["bumpy", "both_zeros", "pair"])
@given(data=st.data(), holes=st.lists(st.tuples(st.integers(0, COUNT - 1), st.integers(1, 300)), max_size=6), cuts=PLACES)
def test_any_partition_merged_in_any_order_gives_the_same_evidence(
    runs: dict[str, Run], name: str, data: st.DataObject, holes: list[tuple[int, int]], cuts: list[int]
) -> None:
    run = runs[name]
    missing = union(np.array([(a, min(a + n, COUNT)) for a, n in holes], np.int64).reshape(-1, 2))
    parts = subtract(np.array([[0, COUNT]], np.int64), missing)
    pieces = cut(cut(parts, run.edges), np.unique(np.array(cuts, np.int64)))
    jobs = data.draw(st.integers(1, 5), label="jobs")
    owner = np.random.default_rng(data.draw(st.integers(0, 99), label="sharing")).integers(0, jobs, len(pieces))
    evidence = gathered(data.draw, run, split(run.results(pieces), owner, jobs))
    expected = run.whole(parts)

    assert np.array_equal(union(parts), evidence.covered())
    for field in ("start", "count", "bin"):
        assert np.array_equal(expected.rows[field], evidence.rows[field])
    for field in RESULT.names or ():
        assert expected.rows["result"][field].tobytes() == evidence.rows["result"][field].tobytes(), field
    assert expected.total().rows.tobytes() == evidence.total().rows.tobytes()


def model(run: Run, parts: np.ndarray) -> dict[str, Any]:
    """What the totals must be, from the outputs and the covered ordinals alone."""
    inside = np.zeros(COUNT, bool)
    for start, end in parts:
        inside[start:end] = True
    y = run.outputs.astype(np.float64)
    at = np.arange(1, COUNT)
    pairs = inside[1:] & inside[:-1]
    if run.row_length:
        pairs &= at % run.row_length != 0
    with np.errstate(invalid="ignore"):
        steps = y[1:] - y[:-1]
    finite = np.isfinite(y)
    tiny = finite & (y != 0) & (np.abs(y) < 2.0**-126)
    orders = []
    for test in TESTS[:3]:
        step = test.sign * steps
        with np.errstate(invalid="ignore"):
            wrong = pairs & (step <= 0 if test.strict else step < -test.high)
        places = at[wrong]
        judged = pairs & ~np.isnan(step)  # a step from or to NaN is none
        orders.append((int(judged.sum()), int(wrong.sum()),
                       (int(places[0]), int(places[-1])) if len(places) else (-1, -1)))  # fmt: skip

    def first(where: np.ndarray) -> int:
        found = np.flatnonzero(where & inside)
        return int(found[0]) if len(found) else -1

    return {
        "count": int(inside.sum()), "nans": (int((np.isnan(y) & inside).sum()), first(np.isnan(y))),
        "infinities": (int((np.isinf(y) & inside).sum()), first(np.isinf(y))),
        "subnormals": (int((tiny & inside).sum()), first(tiny)), "orders": orders,
    }  # fmt: skip


@pytest.mark.parametrize("name", ["bumpy", "both_zeros", "pair"])
@given(data=st.data(), holes=st.lists(st.tuples(st.integers(0, COUNT - 1), st.integers(1, 300)), max_size=6), cuts=PLACES)
def test_totals_are_what_the_covered_outputs_say(
    runs: dict[str, Run], name: str, data: st.DataObject, holes: list[tuple[int, int]], cuts: list[int]
) -> None:
    run = runs[name]
    missing = union(np.array([(a, min(a + n, COUNT)) for a, n in holes], np.int64).reshape(-1, 2))
    parts = subtract(np.array([[0, COUNT]], np.int64), missing)
    pieces = cut(cut(parts, run.edges), np.unique(np.array(cuts, np.int64)))
    total = gathered(data.draw, run, [run.results(pieces)]).total()
    expected = model(run, parts)

    assert expected["count"] == total.count()
    for word, name_of_first in [("nans", "first_nan"), ("infinities", "first_infinity"), ("subnormals", "first_subnormal")]:
        assert expected[word] == (total.sum(word), total.first(name_of_first)), word
    for slot, (judged, failing, ends) in enumerate(expected["orders"]):
        assert (failing, ends) == (total.found(slot, "failing"), total.failing_ends(slot))
        assert judged == total.found(slot, "judged")


def test_evidence_that_covers_an_ordinal_twice_is_refused(runs: dict[str, Run]) -> None:
    run = runs["bumpy"]
    for second in ([[0, 10]], [[9, 12]], [[5, 6]], [[0, 4000]]):
        evidence = run.whole(np.array([[0, 10]], np.int64))
        other = run.whole(np.array(second, np.int64))
        with pytest.raises(OverlapError):
            evidence.merge(other)
            evidence.settle()


def test_evidence_beside_it_is_taken(runs: dict[str, Run]) -> None:
    run = runs["bumpy"]
    evidence = run.whole(np.array([[0, 10]], np.int64))
    evidence.merge(run.whole(np.array([[10, 12]], np.int64)))

    assert [[0, 12]] == evidence.covered().tolist()


def test_evidence_about_something_else_is_refused_and_changes_nothing(runs: dict[str, Run]) -> None:
    evidence = runs["bumpy"].whole(np.array([[0, 10]], np.int64))
    with pytest.raises(ForeignEvidenceError):
        evidence.merge(runs["bumpy"].empty("another"))

    assert [[0, 10]] == evidence.covered().tolist()


def test_as_many_values_as_the_domain_has_are_not_every_value(runs: dict[str, Run]) -> None:
    run = runs["bumpy"]
    evidence = run.whole(np.array([[0, 1999], [2000, COUNT]], np.int64))
    evidence.rows["result"]["done"][0] += 1

    assert COUNT == evidence.total().sum("done")
    assert [[0, 1999], [2000, COUNT]] == evidence.covered().tolist()


FACTS = st.fixed_dictionaries({
    "stops": st.lists(st.builds(Stop, st.sampled_from(["crash", "hang"]), st.integers(0, 99), st.just(1), st.just(0),
                                st.just("why")), max_size=2),
    "events": st.lists(st.builds(Event, st.sampled_from(["add", "shift"]), st.just("a.c"), st.integers(1, 2), st.just(1),
                                 st.integers(1, 5), st.integers(0, 99), st.tuples(st.integers(0, 3))), max_size=3),
    "opens": st.lists(st.tuples(st.integers(0, 1), st.integers(0, 50)), max_size=5).map(
        lambda pairs: np.array(pairs, np.int64).reshape(-1, 2)),
    "printed": st.sampled_from(["", "a", "b"]),
    "written_at": st.integers(-1, 5),
    "mode_changed_at": st.integers(-1, 5),
})  # fmt: skip


@given(st.lists(FACTS, max_size=6), st.randoms(use_true_random=False))
def test_findings_outside_the_rows_do_not_depend_on_the_order_of_merging(facts: list[dict[str, Any]], random: Any) -> None:
    def merged(order: list[dict[str, Any]]) -> Evidence:
        evidence = Evidence("one", (), np.array([0, 100], np.int64))
        for fact in order:
            result = JobResult(np.zeros((0, 3), np.int64), np.zeros(0, RESULT), fact["opens"])
            for name, value in fact.items():
                setattr(result, name, value)
            evidence.add(result)
        return evidence

    shuffled = random.sample(facts, len(facts))
    one, other = merged(facts), merged(shuffled)

    assert np.array_equal(one.opens, other.opens)
    for name in ("holes", "stops", "events", "mode_changes", "writes", "printed"):
        assert getattr(one, name) == getattr(other, name), name
    assert sum(event.count for fact in facts for event in fact["events"]) == sum(event.count for event in one.events)
