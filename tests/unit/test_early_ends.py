"""An attack that may end a sample early arrives a sample early: no admissible reading loses the peak."""

from __future__ import annotations

from fractions import Fraction

import pytest

from reference import envelope, gate
from reference.trajectories import Script


@pytest.mark.parametrize("attack_samples", [0, 1, 2, 4, 24])
def test_every_admissible_attack_reaches_its_peak(attack_samples: int) -> None:
    script = Script(64, Fraction(1000), ((0, "strike", Fraction(1)),))
    plain = envelope.attack_decay(None, script, attack=Fraction(attack_samples, 1000), decay=1)

    for number in range(len(plain.decisions)):
        for shift in (-1, 0, 1):
            wanted, bound = plain.shifted({number: shift}).screen()
            assert wanted.max() >= 1 - bound.max() - 1e-12


def test_every_admissible_lamp_lights_fully() -> None:
    script = Script(8, Fraction(10), ((0, "strike", Fraction(1)),))
    plain = gate.lamp(None, script, hold=0, decay=1)

    for shift in (-1, 0, 1):
        assert plain.shifted({0: shift}).screen()[0].max() >= 1 - 1e-12
