"""cost_within at the limit itself: what is counted is compared exactly."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from verify import cost_within
from verify.claims.base import Assessment
from verify.cost import Cost, Figure


def assessed(claim: Any, cycles: float, clock_hz: float = 48e6, rate_hz: float = 32e3) -> Assessment:
    """A claim's view of one call that takes some cycles by both ends of the table."""
    counts = {"ordinals": np.array([7]), "instructions": np.array([246]), "optimistic": np.array([cycles]),
              "pessimistic": np.array([cycles])}
    figure = Figure(cycles, 7)
    cost = Cost(counted=1, most=Figure(246, 7), optimistic=figure, pessimistic=figure, counts=counts)
    board = SimpleNamespace(core="cortex-m4f", sample_rate_hz=rate_hz, clock_hz=clock_hz)
    case = SimpleNamespace(bound=SimpleNamespace(board=board), probe=SimpleNamespace(cost=lambda _: cost))
    return claim.assess(case)  # type: ignore[no-any-return]


@pytest.mark.parametrize(("cycles", "failing"), [(246.0, 0), (246.5, 1)])
def test_a_share_that_is_met_exactly_is_within_it(cycles: float, failing: int) -> None:
    """16.4 % of 1500 cycles is 246; in binary64 the quotient comes out a little lower."""
    found = assessed(cost_within(percent=16.4, because="x"), cycles)

    assert (failing, 0) == (found.failing, found.open)
    assert any("a sample period at 32000 Hz is 1500 cycles" in fact for fact in found.facts)


@pytest.mark.parametrize(("limit", "failing"), [(246, 0), (245.9, 1), (245.5, 1)])
def test_a_limit_in_cycles_is_inclusive(limit: float, failing: int) -> None:
    assert failing == assessed(cost_within(cycles=limit, because="x"), 246.0).failing
