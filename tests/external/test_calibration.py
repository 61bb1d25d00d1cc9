"""Straight lines and two-point calibration against values that others published.

Norris: NIST Statistical Reference Datasets, linear regression, certified values. Thermometer: JCGM 100:2008 (GUM), annex
H.3. Both data sets were written down from memory; that the certified digits come out confirms them.
"""

from __future__ import annotations

import pytest

from reference.calibration import line_through, two_point, volts_from_code_and_readings

NORRIS = """0.1 0.2 338.8 337.4 118.1 118.2 888.0 884.6 9.2 10.1 228.1 226.5 668.5 666.3 998.5 996.3 449.1 448.6 778.9 777.0
559.2 558.2 0.3 0.4 0.1 0.6 778.1 775.5 668.8 666.9 339.3 338.0 448.9 447.5 10.8 11.6 557.7 556.0 228.3 228.1 998.0 995.8
888.8 887.6 119.6 120.2 0.3 0.3 0.6 0.3 557.6 556.8 339.3 339.1 888.0 887.2 998.5 999.0 778.9 779.0 10.2 11.1 117.6 118.3
228.9 229.2 668.4 669.1 449.2 448.9 0.2 0.5"""
DEGREES = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
CORRECTIONS = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]


def test_norris_comes_out_to_the_certified_digits() -> None:
    numbers = [float(word) for word in NORRIS.split()]
    line = line_through(numbers[1::2], numbers[::2])

    assert 36 == len(numbers) // 2
    assert -0.262323073774029 == pytest.approx(line.intercept, rel=1e-11)
    assert 1.00211681802045 == pytest.approx(line.slope, rel=1e-13)
    assert 0.232818234301152 == pytest.approx(line.intercept_sigma, rel=1e-12)
    assert 0.429796848199937e-3 == pytest.approx(line.slope_sigma, rel=1e-12)
    assert 0.884796396144373 == pytest.approx(line.scatter, rel=1e-12)


def test_the_thermometer_of_the_guide_to_uncertainty() -> None:
    line = line_through([degrees - 20 for degrees in DEGREES], CORRECTIONS)

    assert (-0.1712, 0.0029) == (round(line.intercept, 4), round(line.intercept_sigma, 4))
    assert (0.00218, 0.00067) == (round(line.slope, 5), round(line.slope_sigma, 5))
    assert 0.0035 == round(line.scatter, 4)


@pytest.mark.parametrize(("low", "high"), [(819, 3277), (3277, 819)])
def test_two_readings_propagate_as_the_line_does(low: int, high: int) -> None:
    line = two_point(low, high, 1, 4, code_sigma=0.5, volts_sigma=0.001)

    # JCGM 100:2008, equation (10), with sensitivities found by moving each reading and each voltage a little.
    small, wanted = 1e-4, [0.0, 0.0]
    for place, sigma in enumerate((0.5, 0.5, 0.001, 0.001)):
        moved = [[low, high, 1, 4], [low, high, 1, 4]]
        moved[0][place] -= small
        moved[1][place] += small
        ends = [two_point(*row) for row in moved]
        for number, name in enumerate(("slope", "intercept")):
            wanted[number] += (sigma * (getattr(ends[1], name) - getattr(ends[0], name)) / (2 * small)) ** 2
    assert wanted[0] ** 0.5 == pytest.approx(line.slope_sigma, rel=1e-6)
    assert wanted[1] ** 0.5 == pytest.approx(line.intercept_sigma, rel=1e-6)
    assert 1.0 == pytest.approx(volts_from_code_and_readings(low, low, high, 1, 4))
    assert line.intercept + line.slope * high == pytest.approx(4)
