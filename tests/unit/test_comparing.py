"""What counts as a regression, what as better, and what cannot be compared."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from verify.comparing import Allowed, Comparison, compare_worst, compared, render

BEFORE: dict[str, Any] = {
    "format": 1, "sheet": "bell_sheet.py", "tool": "0",
    "builds": {"host": {"compiler": "cc 1", "target": "t", "c_library": "c 1", "flags": ["-O2"]}},
    "plan": {"seed": 7, "sampled_cases": 10},
    "routines": {
        "hz": {
            "prototype": "float hz(float volts)", "points": 257, "measures": {"cost.board.instructions": 100},
            "claims": {"host": {
                "accurate(cents=0.1)": {"claim": "accurate", "limit": "cents=0.1", "verdict": "holds", "count": 257,
                                        "strength": "every value",
                                        "worst": {"value": -0.05, "unit": "cents", "is_error": True}},
                "rising": {"claim": "rising", "limit": "", "verdict": "fails", "strength": "every value", "count": 257},
            }},
        }
    },
}  # fmt: skip


def against(**changes: Any) -> Comparison:
    """The comparison with a copy in which dotted places were set; None deletes."""
    now = copy.deepcopy(BEFORE)
    for place, value in changes.items():
        names = {"hz": "hz", "claims": "claims"}
        *path, last = [names.get(part, part) for part in place.split("__")]
        spot: Any = now
        for part in path:
            spot = spot[{"accurate": "accurate(cents=0.1)"}.get(part, part)]
        last = {"accurate": "accurate(cents=0.1)"}.get(last, last)
        if value is None:
            del spot[last]
        else:
            spot[last] = value
    return compared(BEFORE, now, Allowed())


CLAIM = "routines__hz__claims__host__accurate"


def kinds(found: Comparison) -> list[str]:
    return [row.kind for row in found.rows]


def test_nothing_changed() -> None:
    found = against()

    assert [] == found.rows
    assert 2 == found.same
    assert not found.regressed
    # The same is not yet right: what fails in both is told again.
    assert ["t", "  2 claims the same, nothing else", "  still   fails in both: hz rising"] == render(found, "t", 80)


@pytest.mark.parametrize("word", ["fails", "undecided", "blocked", "vacuous"])
def test_what_held_and_does_not_is_a_regression(word: str) -> None:
    found = against(**{f"{CLAIM}__verdict": word})

    assert ["worse"] == kinds(found)
    assert found.regressed


def test_what_failed_and_holds_is_better() -> None:
    found = against(routines__hz__claims__host__rising__verdict="holds")

    assert ["better"] == kinds(found)
    assert not found.regressed


@pytest.mark.parametrize(
    ("value", "kind", "regressed"),
    [(0.0505, "changed", False), (0.0506, "worse", True), (-0.0506, "worse", True), (0.049, "better", False),
     (0.05, "", False)],
)
def test_growth_of_the_worst_error_counts_beyond_one_percent(value: float, kind: str, regressed: bool) -> None:
    found = against(**{f"{CLAIM}__worst__value": value})

    assert [kind] * bool(kind) == kinds(found)
    assert regressed is found.regressed


def test_every_value_lost_under_the_same_plan_is_a_regression() -> None:
    assert against(**{f"{CLAIM}__strength": "tried"}).regressed


def test_another_budget_is_no_regression_and_is_said() -> None:
    found = against(**{f"{CLAIM}__strength": "tried", f"{CLAIM}__worst__value": 0.09, "plan__sampled_cases": 5})

    assert ["apart"] == kinds(found)
    assert "other strength: every value before, 257 tried now" in found.rows[0].text


def test_another_compiler_leaves_verdicts_comparable_only() -> None:
    found = against(builds__host__compiler="cc 2", **{f"{CLAIM}__worst__value": 0.09})
    assert ["apart"] == kinds(found)
    assert "cc 1 before, cc 2 now" in found.rows[0].text

    assert against(builds__host__compiler="cc 2", **{f"{CLAIM}__verdict": "fails"}).regressed


def test_another_limit_is_matched_by_the_claims_name() -> None:
    now = {**BEFORE["routines"]["hz"]["claims"]["host"]["accurate(cents=0.1)"], "limit": "cents=0.2"}
    found = against(**{CLAIM: None, "routines__hz__claims__host__accurate(cents=0.2)": now})

    assert ["apart"] == kinds(found)
    assert not found.regressed
    assert "other limit: cents=0.1 (holds) before, cents=0.2 (holds) now" in found.rows[0].text


def test_a_claim_or_routine_that_is_gone_is_a_regression_if_it_held() -> None:
    assert against(**{CLAIM: None}).regressed
    assert not against(routines__hz__claims__host__rising=None).regressed
    assert against(routines__hz=None).regressed


def test_routines_left_out_on_purpose_are_not_gone() -> None:
    now = {**BEFORE, "routines": {}}

    assert [] == compared(BEFORE, now, Allowed(), only=["other"]).rows


def test_another_range_is_said() -> None:
    found = against(routines__hz__points=300, **{f"{CLAIM}__worst__value": 0.09})

    assert {"apart"} == set(kinds(found))
    assert "257 points before, 300 now" in found.rows[0].text


@pytest.mark.parametrize(("cost", "regressed"), [(102, False), (103, True), (90, False)])
def test_cost_counts_beyond_two_percent(cost: int, regressed: bool) -> None:
    assert regressed is against(routines__hz__measures={"cost.board.instructions": cost}).regressed


def test_flags_that_changed_are_said_and_numbers_still_compared() -> None:
    found = against(builds__host__flags=["-O3"], **{f"{CLAIM}__worst__value": 0.09})

    assert ["worse", "changed"] == sorted(kinds(found), reverse=True)
    assert any("without -O2 with -O3" in row.text for row in found.rows)


def test_worst_errors_of_other_inputs_are_shown_and_never_count() -> None:
    before, now = (
        {"claim": "accurate", "limit": "", "verdict": "holds", "strength": "tried", "count": count,
         "worst": {"value": error, "unit": "cents", "is_error": True}} for count, error in ((100, 0.01), (120, 0.05))
    )  # fmt: skip
    found = Comparison()
    compare_worst(found, ("hz", "accurate", "host"), before, now, Allowed())
    assert ["apart"] == kinds(found)
    assert not found.regressed
    assert "of other inputs (100 tried before, 120 tried now)" in found.rows[0].text

    compare_worst(found, ("hz", "accurate", "host"), before, {**now, "count": 100}, Allowed())
    assert found.regressed


@pytest.mark.parametrize(("counts", "error", "regressed"), [
    ((32_091_548, 32_089_415), 0.05, True), ((32_091_548, 32_089_415), 0.014, False), ((32_091_548, 20_000_000), 0.05, False),
    ((2000, 2003), 0.05, False),
])  # fmt: skip
def test_a_much_larger_error_of_one_large_sample_counts(counts: tuple[int, int], error: float, regressed: bool) -> None:
    before, now = ({"claim": "accurate", "limit": "", "verdict": "holds", "strength": "tried", "count": count,
                    "worst": {"value": value, "unit": "cents", "is_error": True}}
                   for count, value in zip(counts, (0.01, error), strict=True))
    found = Comparison()
    compare_worst(found, ("hz", "accurate", "host"), before, now, Allowed())

    assert regressed is found.regressed
    assert ["worse" if regressed else "apart"] == kinds(found)


def test_a_cost_that_is_claimed_may_grow_by_what_costs_may() -> None:
    before, now = ({"claim": "cost_within", "strength": "every value", "count": 5,
                    "worst": {"value": cost, "unit": "cycles", "is_error": True}} for cost in (100, 102))
    found = Comparison()
    compare_worst(found, ("hz", "cost_within", "board"), before, now, Allowed())

    assert ["changed"] == kinds(found)
