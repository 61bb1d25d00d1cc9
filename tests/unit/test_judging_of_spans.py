"""Where a decision band leaves several right values, every metric counts from the nearest of them; zero may be right."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from reference import gate
from reference.rationals import RationalContext
from verify import accurate, event, integers, signal
from verify.machines.judging import judge
from verify.machines.machine import Machine
from verify.machines.observation import Observation
from verify.machines.script import Happening, Script

CLAIMS = {
    "cents": accurate(cents=1, because="x"), "relative": accurate(relative=0.001, because="x"),
    "absolute": accurate(absolute=0.001, because="x"), "hz": accurate(hz=0.001, because="x"),
}


def judged(metric: str, y: np.ndarray, function: Any, constants: dict[str, Any], events: list[tuple[int, int]]) -> Any:
    on = event("gate", "set(state, gate)", integers("gate", 0, 1, ""))
    machine = Machine("pulse", "pulse_t", "init(state)", "", (on,), (), "y = step(state)", "", (signal("y", "Hz"),),
                      (RationalContext().number(1000),), (CLAIMS[metric],), function, constants)
    script = Script(0, len(y), tuple(Happening(at, 0, (value,)) for at, value in events))
    return judge(CLAIMS[metric], Observation(machine, script, "host", {"y": y.astype(np.float32)}, len(y)))


def pulse(length: int, size: float = 1.0) -> np.ndarray:
    y = np.zeros(40)
    y[5 : 5 + length] = size
    return y


@pytest.mark.parametrize("metric", CLAIMS)
@pytest.mark.parametrize("length", [9, 10, 11])
def test_a_pulse_that_ends_within_the_band_is_right(metric: str, length: int) -> None:
    found = judged(metric, pulse(length), gate.minimum_pulse, {"seconds": "1/100"}, [(5, 1), (6, 0)])

    assert (40, 0, 0) == (found.valid, found.failing, found.open)


@pytest.mark.parametrize("metric", CLAIMS)
@pytest.mark.parametrize(("length", "size", "at"), [(8, 1.0, 13), (12, 1.0, 16), (10, 1.01, 5)])
def test_what_lies_outside_the_band_fails_where_it_lies(metric: str, length: int, size: float, at: int) -> None:
    found = judged(metric, pulse(length, size), gate.minimum_pulse, {"seconds": "1/100"}, [(5, 1), (6, 0)])

    assert found.failing and not found.open
    assert found.at == at
