"""A screen beside the exact reference at many points: shared by the tests of the families of functions."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from fractions import Fraction
from typing import Any

import numpy as np

from reference import enclose, screen, why_no_screen


def exact(function: Callable[..., Any], *inputs: object, **constants: object) -> Fraction:
    """The middle of a narrow enclosure, or the exact value."""
    return enclose(function, [Fraction(value) for value in inputs], constants, bits=200).middle  # type: ignore[arg-type]


def assert_screen_keeps_its_word(
    function: Callable[..., Any],
    ranges: Sequence[tuple[float, float]],
    *,
    whole: bool = False,
    sure: bool = False,
    **constants: object,
) -> None:
    """Plain and finer screen within their bounds at 200 points; NaN (a floor in doubt) only where sure is False."""
    found = screen(function, ranges, constants)
    assert found is not None, why_no_screen(function, ranges, constants)
    random = np.random.default_rng(5)
    arrays = []
    for low, high in ranges:
        points = np.concatenate([random.uniform(low, high, 150), np.linspace(low, high, 50)])
        points = np.floor(points) if whole else np.where(np.arange(200) % 2, points, np.float32(points).astype(float))
        arrays.append(random.permutation(np.clip(points, low, high)))
    plain = found.evaluate(arrays)
    high, low = found.finer(arrays)
    assert not sure or not (np.isnan(plain).any() or np.isnan(high).any())
    for row, value, fine, rest in zip(zip(*arrays, strict=True), plain, high, low, strict=True):
        right = enclose(function, [Fraction(float(x)) for x in row], constants, bits=200).middle
        if not np.isnan(value):
            assert abs(Fraction(value) - right) <= Fraction(found.absolute_bound), row
        if not np.isnan(fine):
            assert abs(Fraction(fine) + Fraction(rest) - right) <= Fraction(found.finer_absolute_bound), row
