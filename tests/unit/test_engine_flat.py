"""Blocks of equal results are judged by their ends: the evidence is that of a look at every value."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from firmware_shim.crew import Crew
from verify.binding import claims_for, make_benches
from verify.evidence import Evidence, Total, same_results
from verify.hunt import Hunt
from verify.hunting.plan import thorough
from verify.routine import Bound
from verify.sheet import load_sheet

SOURCE = """\
#include <math.h>
float held(float x) { return (floorf(x * 8192.0f) + 1.0f) * 0x1p-13f; }
float still(float x) { (void)x; return 1.03125f; }
float one_wrong(float x) { return x == 1.0345678f ? 1.06f : 1.03125f; }
float falls_once(float x) { return x < 1.04f ? 1.03125f : 1.03f; }
"""
SHEET = """\
from verify import *
s = Sheet(sources=["held.c"], flags="-O2", builds=["host"])
def same(ctx, x):
    return ctx.number(1) * x
def against(ctx, x):
    return 4 - x
for name in NAMES:
    s.function(name, inputs=[binary32("x", 1, 1.0625, "")], output="", reference=REFERENCE,
               claims=[accurate(METRIC, because="x"), rising(because="x"), stays_within(1.01, 1.055, because="x")])
"""
NAMES = ("held", "still", "one_wrong", "falls_once")
REFERENCES: dict[str, Callable[[np.ndarray], np.ndarray]] = {"same": lambda x: x, "against": lambda x: 4 - x}


@contextmanager
def bound_routines(folder: Path, reference: str, metric: str) -> Iterator[tuple[dict[str, Bound], Crew]]:
    """The routines of the sheet with one reference and limit, and a crew of one."""
    (folder / "held.c").write_text(SOURCE, encoding="utf-8")
    sheet = SHEET.replace("REFERENCE", reference).replace("METRIC", metric).replace("NAMES", repr(NAMES))
    (folder / "held_sheet.py").write_text(sheet, encoding="utf-8")
    (bench,) = make_benches(load_sheet(folder / "held_sheet.py"))
    assert bench.engine is not None
    with Crew(bench.engine, 1) as crew:
        yield bench.bounds, crew


def swept(folder: Path, reference: str, metric: str) -> dict[str, Total]:
    """Evidence of every value of each routine."""
    totals = {}
    with bound_routines(folder, reference, metric) as (bounds, crew):
        for name, bound in bounds.items():
            tests = tuple(test for claim in claims_for(bound) if (test := claim.test(bound)) is not None)
            assert [True] == [test.monotone for test in tests if test.kind == "accurate"]
            evidence = Evidence("flat", tests, bound.domain.bin_edges())
            Hunt(bound, tests, thorough(), crew, lambda *_: None, evidence).run([])
            totals[name] = evidence.total()
    return totals


def outputs(name: str, x: np.ndarray) -> np.ndarray:
    """What the routine gives, by numpy."""
    if name == "held":
        return (np.floor(x * np.float32(8192)) + np.float32(1)) * np.float32(2.0**-13)
    still = np.full_like(x, 1.03125)
    if name == "one_wrong":
        still[x == np.float32(1.0345678)] = 1.06
    if name == "falls_once":
        still[x >= np.float32(1.04)] = 1.03
    return still


@pytest.mark.parametrize("metric", ["absolute=0.05", "absolute=0.0001", "relative=0.05", "relative=0.01"])
@pytest.mark.parametrize("reference", ["same", "against"])
def test_evidence_is_that_of_every_value(tmp_path: Path, gcc: str, private_cache: Path, reference: str, metric: str) -> None:
    x = (np.arange(2**19 + 1, dtype=np.uint32) + np.float32(1).view(np.uint32)).view(np.float32)
    wanted = REFERENCES[reference](x.astype(float))
    kind, limit = metric.split("=")

    totals = swept(tmp_path, reference, metric)

    assert set(NAMES) == set(totals)
    for name, total in totals.items():
        y = outputs(name, x).astype(float)
        error = (y - wanted) / (wanted if kind == "relative" else 1)
        steps = np.diff(y)
        assert (len(x), len(x) - 1, len(x)) == tuple(total.found(slot, "judged") for slot in range(3))
        assert int((np.abs(error) > float(limit)).sum()) == total.found(0, "failing") + total.found(0, "open")
        assert (error.min(), int(error.argmin())) == total.error(0, "least")
        assert (error.max(), int(error.argmax())) == total.error(0, "most")
        assert int((steps < 0).sum()) == total.found(1, "failing")
        assert (steps.min(), int(steps.argmin()) + 1) == total.error(1, "least")
        assert (y.min(), int(y.argmin())) == total.error(2, "least")
        assert (y.max(), int(y.argmax())) == total.error(2, "most")
        assert int(((y < 1.01) | (y > 1.055)).sum()) == total.found(2, "failing") + total.found(2, "open")


def test_a_hunt_cut_elsewhere_gives_the_same_and_another_routine_does_not(
    tmp_path: Path, gcc: str, private_cache: Path
) -> None:
    found = {}
    with bound_routines(tmp_path, "same", "absolute=0.0001") as (bounds, crew):
        for name in ("held", "still"):
            bound = bounds[name]
            tests = tuple(replace(test, step=2.0) if test.kind == "deterministic" else test
                          for claim in claims_for(bound) if (test := claim.test(bound)) is not None)
            for cut in ((0, 7000), (0, 1, 333, 4096, 5000, 7000)):
                evidence = Evidence("flat", tests, np.array([0, bound.domain.count]))
                pieces = [[a, b - a, 31] for a, b in pairwise(cut)]
                hunt = Hunt(bound, tests, thorough(), crew, lambda *_: None, evidence)
                evidence.add(crew.run(hunt.job(np.array(pieces, np.int64))))
                evidence.settle()
                found[name, len(cut)] = evidence.rows[0]["result"]

    # One whole block in so many is repeated, and each shorter one.
    repeated = next(slot for slot, test in enumerate(tests) if test.kind == "deterministic")
    assert found["held", 2]["found"]["judged"][repeated] < found["held", 6]["found"]["judged"][repeated]
    assert same_results(found["held", 2], found["held", 6], tests)
    assert same_results(found["still", 2], found["still", 6], tests)
    assert not same_results(found["held", 2], found["still", 2], tests)
