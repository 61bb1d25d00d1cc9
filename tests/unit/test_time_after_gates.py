"""time_to after a gate of which nothing is said: a way up counts from where it goes on, a way down from where it goes off."""

from __future__ import annotations

import numpy as np
import pytest

from reference.rationals import RationalContext
from verify import event, integers, signal, time_to
from verify.claims.in_time import Judgement
from verify.machines.judging import judge
from verify.machines.machine import Machine
from verify.machines.observation import Observation
from verify.machines.script import Happening, Script

UP = time_to(1, after="gate", seconds=0.01, within_samples=1, because="x")
DOWN = time_to(0, after="gate", rest=1, seconds=0.01, within_samples=1, because="x")


def judged(claim: object, attack: int, release: int) -> Judgement:
    """An envelope that is there after so many samples each way; its gate is off from the start, on at 20 and off at 60."""
    assert isinstance(claim, type(UP))
    on = event("gate", "set(state, gate)", integers("gate", 0, 1, ""))
    machine = Machine("env", "env_t", "init(state)", "", (on,), (), "y = step(state)", "", (signal("y", "full scale"),),
                      (RationalContext().number(1000),), (claim,), None, {})
    y = np.zeros(120, np.float32)
    y[20 + attack - 1 : 60 + release - 1] = 1
    y[20 : 20 + attack - 1] = 0.5
    script = Script(0, len(y), (Happening(0, 0, (0,)), Happening(20, 0, (1,)), Happening(60, 0, (0,))))
    return judge(claim, Observation(machine, script, "host", {"y": y}, len(y)))


@pytest.mark.parametrize(("claim", "attack", "release", "failing"), [
    (UP, 10, 3, 0), (UP, 30, 10, 1), (UP, 3, 10, 1), (DOWN, 3, 10, 0), (DOWN, 10, 30, 1),
])  # fmt: skip
def test_only_the_way_that_is_meant_counts(claim: object, attack: int, release: int, failing: int) -> None:
    found = judged(claim, attack, release)

    assert (1, failing) == (found.valid, found.failing)


def test_a_gate_that_is_on_does_not_go_on_again() -> None:
    on = event("gate", "set(state, gate)", integers("gate", 0, 1, ""))
    machine = Machine("env", "env_t", "init(state)", "", (on,), (), "y = step(state)", "", (signal("y", "full scale"),),
                      (RationalContext().number(1000),), (UP,), None, {})
    y = np.zeros(120, np.float32)  # after its attack it falls to a sustain level of nothing
    y[9] = 1
    script = Script(0, len(y), (Happening(0, 0, (1,)), Happening(60, 0, (1,))))
    found = judge(UP, Observation(machine, script, "host", {"y": y}, len(y)))

    assert (1, 0) == (found.valid, found.failing)
