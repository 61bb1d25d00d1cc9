"""The product of a routine's input grids, counted by one ordinal (the last input changes fastest)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np

from firmware_shim.engine import NUMPY_TYPES
from firmware_shim.job import Axis
from verify.grids import SMALLEST_SIZE, Grid
from verify.hunting.intervals import once_each

MOST_ORDINALS = 2**62
ALL_FLAGS = 0b11111
NO_SUBNORMAL_FLAGS = 0b01101
MOST_ZONES = 4096


@dataclass(frozen=True)
class Domain:
    """Grids bound to the C types of the parameters. whole is False for a sample of a larger product."""

    grids: tuple[Grid, ...]
    type_numbers: tuple[int, ...]
    whole: bool = True
    full_count: int = 0

    @property
    def count(self) -> int:
        """Number of points."""
        total = 1
        for grid in self.grids:
            total *= grid.count
        return total

    def strides(self) -> tuple[int, ...]:
        """Ordinals per step of each input."""
        found = [1]
        for grid in reversed(self.grids[1:]):
            found.append(found[-1] * grid.count)
        return tuple(reversed(found))

    def indices(self, ordinals: np.ndarray) -> list[np.ndarray]:
        """Index of each input for many ordinals."""
        return [ordinals // stride % grid.count for grid, stride in zip(self.grids, self.strides(), strict=True)]

    def values(self, ordinal: int) -> tuple[Fraction, ...]:
        """Exact input values at one ordinal, as the firmware receives them."""
        found = []
        for grid, stride, kind in zip(self.grids, self.strides(), self.type_numbers, strict=True):
            value = grid.value(ordinal // stride % grid.count)
            if grid.kind == "list" and NUMPY_TYPES[kind].kind == "f":
                value = Fraction(float(NUMPY_TYPES[kind].type(float(value))))
            found.append(value)
        return tuple(found)

    def doubles(self, ordinals: np.ndarray) -> list[np.ndarray]:
        """Input values of many ordinals as binary64 arrays."""
        return [grid.doubles(index) for grid, index in zip(self.grids, self.indices(ordinals), strict=True)]

    def axes(self) -> tuple[Axis, ...]:
        """The axes for the engine."""
        return tuple(grid.axis(kind) for grid, kind in zip(self.grids, self.type_numbers, strict=True))

    def listed(self, ordinals: np.ndarray) -> tuple[Axis, ...]:
        """Axes that hold just these points, for a job with zip_inputs."""
        found = []
        for grid, kind, index in zip(self.grids, self.type_numbers, self.indices(ordinals), strict=True):
            raw = grid.raw(index, kind)
            found.append(Axis(kind, 2, 0, 1, len(ordinals), float(grid.scale), raw))
        return tuple(found)

    def raw_bits(self, ordinal: int) -> tuple[bytes, ...]:
        """Exact bits of each parameter at one ordinal."""
        index = self.indices(np.array([ordinal]))
        return tuple(g.raw(i, k) for g, i, k in zip(self.grids, index, self.type_numbers, strict=True))

    def values_of(self, raws: Sequence[bytes]) -> tuple[Fraction, ...] | None:
        """Exact values of raw inputs, on the grid or not; None when one is not finite."""
        found = []
        for raw, number, grid in zip(raws, self.type_numbers, self.grids, strict=True):
            value = np.frombuffer(raw, NUMPY_TYPES[number])[0]
            if NUMPY_TYPES[number].kind != "f":
                found.append(int(value) * grid.scale)
            elif np.isfinite(value):
                found.append(Fraction(float(value)))
            else:
                return None
        return tuple(found)

    def ordinal_near(self, values: tuple[Fraction, ...]) -> int:
        """Ordinal of the grid point at or above the given values."""
        parts = zip(self.grids, self.strides(), values, strict=True)
        return sum(grid.index_near(value) * stride for grid, stride, value in parts)

    def bin_edges(self, bins: int = 1024) -> np.ndarray:
        """Ordinals at which the profile's bins begin (bins of equal width of the first input), and the end."""
        grid, stride = self.grids[0], self.strides()[0]
        if grid.count <= bins:
            return np.arange(grid.count + 1, dtype=np.int64) * stride
        points = np.linspace(float(grid.low), float(grid.high), bins, endpoint=False)
        edges = once_each(np.concatenate([[0], grid.nearest_indices(points)]))
        return np.append(edges[edges < grid.count], grid.count).astype(np.int64) * stride

    def zones(self) -> list[tuple[int, int, int]]:
        """(start, end, flag mask): next to zero, in any input, a subnormal inside is natural and not counted."""
        found = [(0, 1, ALL_FLAGS)]
        for grid, stride in zip(reversed(self.grids), reversed(self.strides()), strict=True):
            own = near_zero(grid)
            repeats = len(found) > 1
            if repeats and sum(last - first for first, last, tiny in own if not tiny) * len(found) > MOST_ZONES:
                return [(0, self.count, ALL_FLAGS)]
            wider: list[tuple[int, int, int]] = []
            for first, last, tiny in own:
                if tiny or not repeats:
                    wider.append((first * stride, last * stride, NO_SUBNORMAL_FLAGS if tiny else found[0][2]))
                else:
                    wider += [(at * stride + a, at * stride + b, mask) for at in range(first, last) for a, b, mask in found]
            found = wider
        return found


def near_zero(grid: Grid) -> list[tuple[int, int, bool]]:
    """(start, end, whether nearer to zero than 2^-30, but not zero) of a grid's indices; only floats come so near."""
    if grid.kind != "float32" or grid.high < 0 or grid.low > SMALLEST_SIZE:
        return [(0, grid.count, False)]
    low = grid.index_near(Fraction(-SMALLEST_SIZE)) if grid.low < 0 else 0
    low += grid.value(low) == -SMALLEST_SIZE
    high = grid.index_near(Fraction(SMALLEST_SIZE)) if grid.high >= SMALLEST_SIZE else grid.count
    parts = [(0, low, False), (low, high, True), (high, grid.count, False)]
    if grid.low <= 0 <= grid.high:
        zero = -grid.first if grid.first <= 0 else 0
        zeros = (zero - 1 if grid.first < 0 else zero, zero + 1)  # of both signs
        parts[1:2] = [(low, zeros[0], True), (*zeros, False), (zeros[1], high, True)]
    return [part for part in parts if part[1] > part[0]]


def sampled(domain: Domain, indices: list[np.ndarray]) -> Domain:
    """A domain of chosen points per input, for products too large to count through."""
    grids = []
    for grid, chosen in zip(domain.grids, indices, strict=True):
        # Grids rise with their index: sorting numbers is a hundred times cheaper than sorting fractions. Both zeros are one.
        index = once_each(chosen)
        if grid.kind == "float32":
            numbers = grid.doubles(index)
            numbers = numbers[np.append(True, numbers[1:] != numbers[:-1])]
            points = tuple(map(Fraction, numbers.tolist()))
        else:
            rising = [grid.value(int(i)) for i in index]
            points = tuple(value for k, value in enumerate(rising) if k == 0 or value != rising[k - 1])
        grids.append(replace(grid, kind="list", values=points, count=len(points)))
        if grid.kind == "float32":  # known here, and dear to find out
            vars(grids[-1]).update(exact_in_binary64=True, _list_doubles=numbers + 0.0)
    return Domain(tuple(grids), domain.type_numbers, whole=False, full_count=domain.count)
