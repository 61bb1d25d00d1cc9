"""How far two signals of the same type are apart, counted in steps of that type."""

from __future__ import annotations

import numpy as np


def steps_apart(one: np.ndarray, other: np.ndarray, *, signed_zero: bool) -> np.ndarray:
    """Distance of two arrays in steps of their type. Infinite between categories; any two NaNs are equal; the two
    zeros are half a step apart where the sign counts."""
    if one.dtype.kind != "f":
        if one.dtype.itemsize < 8:
            return np.abs(one.astype(np.int64) - other.astype(np.int64)).astype(np.float64)
        return np.where(one == other, 0.0, np.maximum(1.0, np.abs(one.astype(np.float64) - other.astype(np.float64))))
    whole = np.dtype(f"i{one.dtype.itemsize}")
    least = np.int64(np.iinfo(whole).min)

    def line(values: np.ndarray) -> np.ndarray:
        bits = values.view(whole).astype(np.int64)
        return np.asarray(np.where(bits < 0, least - bits, bits))

    a, b = line(one), line(other)
    same_side = (a < 0) == (b < 0)
    near = np.abs(np.where(same_side, a - b, 0)).astype(np.float64)
    apart = np.where(same_side, near, np.abs(a.astype(np.float64)) + np.abs(b.astype(np.float64)))
    if signed_zero:
        apart = np.where((one == 0) & (other == 0) & (np.signbit(one) != np.signbit(other)), 0.5, apart)
    nans = np.isnan(one).astype(int) + np.isnan(other)
    odd = (nans == 1) | ((np.isinf(one) | np.isinf(other)) & (one != other))
    return np.where(nans == 2, 0.0, np.where(odd, np.inf, apart))
