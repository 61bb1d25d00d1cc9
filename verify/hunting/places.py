"""Places where faults of instrument math live: ends, zeros, powers of two, octaves, table joints."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction

import numpy as np

from verify.domain import Domain
from verify.grids import SMALLEST_SIZE, Grid
from verify.hunting.intervals import clip, once_each

ALWAYS_TRIED_PARTS = (2, 3, 5, 7, 10, 12, 16, 24, 32, 48, 64, 100, 128, 256, 512, 1024)
OCTAVE_UNITS = {"V": Fraction(1), "octave": Fraction(1), "semitone": Fraction(12), "note": Fraction(12)}
REACH = 8


def parts_from_arrays(lengths: Iterable[int]) -> tuple[int, ...]:
    """Joints of a table of n entries may lie at n - 1, n or n + 1 equal parts."""
    found = set(ALWAYS_TRIED_PARTS)
    for length in lengths:
        if 2 <= length <= 65536:
            found |= {length - 1, length, length + 1}
    return tuple(sorted(part for part in found if part >= 2))


def marks(grid: Grid, parts: Iterable[int], joints: Iterable[Fraction]) -> np.ndarray:
    """Indices of the marked points of one grid (ends, zeros, powers of two, octaves, joints)."""
    low, high = float(grid.low), float(grid.high)
    found = [np.array([low, high, 0.0, float(SMALLEST_SIZE), -float(SMALLEST_SIZE)])]
    found.append(np.array([float(joint) for joint in joints]))
    powers = np.ldexp(1.0, np.arange(-149, 128))
    found += [powers, -powers]
    octave = OCTAVE_UNITS.get(grid.unit)
    for part in parts:
        found.append(low + (high - low) * np.arange(part + 1) / part)
        if octave is not None and (high - low) / float(octave) * part < 200_000:
            width = float(octave) / part
            found.append(np.arange(np.floor(low / width), np.ceil(high / width) + 1) * width)
    points = once_each(np.concatenate(found))
    points = points[(points >= low) & (points <= high)]
    if grid.kind == "list":
        return np.arange(grid.count)
    return once_each(grid.nearest_indices(points))


def edges(domain: Domain, parts: Iterable[int], joints: Iterable[Fraction]) -> np.ndarray:
    """Intervals of ordinals around the marks of a one-input domain; corner points of several inputs."""
    if len(domain.grids) == 1:
        index = marks(domain.grids[0], parts, joints)
        return clip(np.stack([index - REACH, index + REACH + 1], axis=1), domain.count)
    corners = np.zeros(1, np.int64)
    share = max(2, int(20_000 ** (1 / len(domain.grids))))
    for grid, stride in zip(domain.grids, domain.strides(), strict=True):
        index = marks(grid, (2, 12), joints)
        if len(index) > share:
            index = index[np.linspace(0, len(index) - 1, share).astype(int)]
        corners = (corners[:, None] + index[None, :] * stride).ravel()
    return clip(np.stack([corners, corners + 1], axis=1), domain.count)


def some_of(places: np.ndarray, most: int = 16) -> np.ndarray:
    """Both ends of the marked places and a few ordinals between them."""
    inner = places[np.linspace(0, len(places) - 1, most).astype(int), 0]
    found = once_each(np.append(inner, places[-1, 1] - 1))
    return np.stack([found, found + 1], axis=1)


def even(domain: Domain, cases: int, run: int = 8192) -> np.ndarray:
    """Runs spread evenly, half of them over the ordinals and half over the values of the first input."""
    runs = max(2, cases // run)
    half = runs // 2
    by_ordinal = np.linspace(0, max(0, domain.count - run), half).astype(np.int64)
    grid = domain.grids[0]
    if grid.kind == "float32":
        points = np.linspace(float(grid.low), float(grid.high), runs - half)
        by_value = grid.nearest_indices(points) * domain.strides()[0]
    else:
        by_value = by_ordinal
    starts = np.concatenate([by_ordinal, by_value])
    return clip(np.stack([starts, starts + run], axis=1), domain.count)


def around(domain: Domain, ordinals: Iterable[int]) -> np.ndarray:
    """Neighbourhoods of the worst so far: a dense run, and short runs at growing distance."""
    found = []
    for ordinal in ordinals:
        found.append((ordinal - 2048, ordinal + 2049))
        for power in range(12, 40, 2):
            distance = 1 << power
            if distance < domain.count:
                found += [(ordinal + d, ordinal + d + 64) for d in (-distance, distance)]
    return clip(np.array(found, np.int64).reshape(-1, 2), domain.count)
