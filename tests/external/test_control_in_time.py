"""Hysteresis and pickup against values worked by hand, and against what the definitions say of any movement."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from reference import DomainError, RationalContext, control
from reference.control_in_time import hysteresis, pickup
from reference.trajectories import Script


def script(values: list[float], *events: tuple[int, str, int]) -> Script:
    return Script(len(values), Fraction(1000), tuple((at, name, Fraction(value)) for at, name, value in events),
                  {"x": np.array(values, float)})


def shown(trajectory: object) -> list[float]:
    return trajectory.screen()[0].tolist()  # type: ignore[attr-defined,no-any-return]


def test_by_hand() -> None:
    moves = [0, 4, 5, 9, 10, 6, 5, 4]

    assert [0, 0, 5, 5, 10, 10, 5, 5] == shown(hysteresis(None, script(moves), width=4))
    assert [0, 4, 4, 9, 9, 9, 5, 5] == shown(hysteresis(None, script(moves), width=4, inclusive=True))
    assert [0, 0, 1, 5, 6, 6, 6, 6] == shown(hysteresis(None, script(moves), width=4, form="drag"))
    # Recalled 7 from below and from above; recalled where the knob stands; a jump across.
    assert [2, 7, 7, 7, 8] == shown(pickup(None, script([2, 3, 5, 7, 8], (1, "recall", 7))))
    assert [9, 7, 7, 6] == shown(pickup(None, script([9, 9, 8, 6], (1, "recall", 7))))
    assert [3, 3, 4] == shown(pickup(None, script([3, 3, 4], (1, "recall", 3))))
    assert [7, 9] == shown(pickup(None, script([1, 9]), start=7))


@pytest.mark.parametrize("form", ["jump", "drag"])
def test_it_is_never_further_than_the_width_and_moves_no_more_than_the_control(form: str) -> None:
    x = np.cumsum(np.random.default_rng(5).integers(-3, 4, 4000)).astype(float)
    y = np.array(shown(hysteresis(None, script(list(x)), width=5, form=form)))

    assert np.abs(y - x).max() <= 5
    assert np.abs(np.diff(y)).sum() <= np.abs(np.diff(x)).sum() + 5
    assert len(set(y[:400])) > 1


def test_pickup_follows_the_rule_of_two_positions() -> None:
    exact = RationalContext()
    for before in range(6):
        for now in range(6):
            taken = shown(pickup(None, script([before, now], (1, "recall", 3))))[1] != 3 or now == 3
            assert taken == bool(control.pickup_from_positions(exact, exact.number(before), exact.number(now), stored=3))


def test_what_cannot_be_meant_is_refused() -> None:
    with pytest.raises(DomainError, match="at least 0"):
        hysteresis(None, script([1]), width=-1)
    with pytest.raises(DomainError, match="binary64"):
        hysteresis(None, script([1]), width="1/3")
    with pytest.raises(DomainError, match="stream"):
        pickup(None, script([1]), source="knob")
