"""Where a comparison may go either way, the branch that the firmware took is followed through all that comes of it."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from reference import envelope
from reference.trajectories import Script
from verify.claims.accurate import accurate
from verify.machines import accuracy
from verify.sheet import load_sheet

SHEET = Path(__file__).parents[2] / "firmware_shim" / "demo" / "good" / "bell_time_sheet.py"


@dataclass
class Seen:
    """What the judge asks of an observation."""

    script: Script
    trajectory: Any
    y: np.ndarray
    machine: Any
    raw: tuple[np.ndarray, ...] = ()
    room: None = None

    @property
    def done(self) -> int:
        return len(self.y)

    def doubles(self, of: str) -> np.ndarray:
        return self.y

    def watched(self, of: str) -> None:
        """Nothing compiled."""

    def wanted(self, of: str) -> Any:
        return self.trajectory


# The attack of 10.000001 ms is over after 480.00005 samples: after 480 or 481, as the sum rounds. The next strike comes two
# samples later, from levels that differ by less than the limit; the slow attack from there ends three samples apart.
SCRIPT = Script(2084, Fraction(48_000), (
    (0, "attack", Fraction("0.010000001")), (0, "decay", Fraction("0.1")), (0, "strike", Fraction(1)),
    (481, "attack", Fraction("0.037625")), (482, "strike", Fraction(1))))
CLAIM = accurate(absolute=0.002, because="invented")


@functools.cache
def strike() -> Any:
    return next(machine for machine in load_sheet(SHEET).machines if machine.name == "bell_strike")


def judged(y: np.ndarray) -> Any:
    return accuracy.accurate(CLAIM, Seen(SCRIPT, trajectory(), y, strike()))  # type: ignore[arg-type]


def trajectory() -> Any:
    return envelope.attack_decay(None, SCRIPT, silence="1/100000")


@pytest.mark.parametrize("shifts", [{}, {0: -1}, {0: 1}, {0: -1, 1: 1}])
def test_every_admissible_trajectory_is_right(shifts: dict[int, int]) -> None:
    y = trajectory().shifted(shifts).screen()[0]

    found = judged(y)

    assert (found.failing, found.open) == (0, 0)


def test_branches_do_matter_later() -> None:
    plain, early = (trajectory().shifted(shifts).screen()[0] for shifts in ({}, {0: -1}))
    differ = np.abs(plain - early)

    assert differ[:482].max() < CLAIM.limit < differ[482:].max()


def test_a_branch_beyond_its_band_is_no_excuse() -> None:
    assert judged(trajectory().shifted({0: -4}).screen()[0]).failing
