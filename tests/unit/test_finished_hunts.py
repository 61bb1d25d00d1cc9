"""A hunt that came to its end is not planned again where it is asked for the same, and only there."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from verify.evidence import Evidence
from verify.hunt import Hunt
from verify.hunting.plan import Plan


def hunt(evidence: Evidence, *, joints: tuple[Fraction, ...] = (), plan: Plan | None = None, build: str = "host") -> Any:
    bound = SimpleNamespace(build=build, domain=SimpleNamespace(count=100), array_lengths=(), routine=SimpleNamespace(
        joints=joints))
    found: Any = Hunt(bound, (), plan or Plan(), None, lambda *_: None, evidence)  # type: ignore[arg-type]
    found.planned = []
    found.phases = lambda witnesses: found.planned.append(list(witnesses))
    return found


def evidence() -> Evidence:
    return Evidence("one", (), np.array([0, 100]))


CHANGES: dict[str, dict[str, Any]] = {
    "joints": {"joints": (Fraction(1, 3),)}, "seed": {"plan": replace(Plan(), seed=8)},
    "more cases": {"plan": replace(Plan(), sampled_cases=2**26)}, "another build's budget": {"build": "board"},
}


@pytest.mark.parametrize("change", CHANGES)
def test_what_decides_where_to_look_counts(change: str) -> None:
    known = evidence()
    for first in (hunt(known), hunt(known)):
        first.run([3, 7])
    assert [] == first.planned
    other = hunt(known, **CHANGES[change])
    other.run([3, 7])
    assert [[3, 7]] == other.planned


def test_a_new_witness_counts_and_so_does_an_early_end() -> None:
    known = evidence()
    hunt(known).run([3])
    more = hunt(known)
    more.run([3, 9])
    assert [[3, 9]] == more.planned

    known = evidence()
    early = hunt(known)
    early.stopped = "stopped by the clock"
    early.run([])
    assert "" == known.finished


def test_evidence_that_was_stored_is_taken_over_whole_and_joined_with_other() -> None:
    stored = evidence()
    stored.finished, stored.answers["a"] = "all", (b"1", b"\1")
    fresh = evidence()
    fresh.adopt(stored)
    assert ("all", {"a": (b"1", b"\1")}) == (fresh.finished, fresh.answers)
    with pytest.raises(ValueError, match="is not"):
        fresh.adopt(replace(stored, identity="another"))
