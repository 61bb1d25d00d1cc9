"""Errors of a state of two numbers, kept within an ellipse that a linear step turns, shrinks and widens.

An Ellipse (p, r, q) is the symmetric matrix P = [[p, r], [r, q]]; it holds every error e = P**(1/2) u with |u| <= 1. A step
e' = A e + f with |f| <= each keeps e' within the ellipse of (1 + 1/c) A P A^T + (1 + c) each**2 I, for any c > 0: the outer
bound of a sum of two ellipses. Taking c as the quotient of their sizes, sizes add like lengths do. So what A does to the
error's direction counts, not only its norm: filters whose states are far larger than their outputs keep useful bounds.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt
from typing import TypeAlias

import numpy as np

Ellipse: TypeAlias = tuple[float, float, float]

NO_ERROR: Ellipse = (0.0, 0.0, 0.0)
# Bounds are computed in binary64 themselves.
SLACK = 1.001
GROW, LEAST = 1 + 2.0**-40, 2.0**-46


def moved(off: Ellipse, a: Sequence[float], each: float) -> Ellipse:
    """The ellipse after one step; each: largest length of what the step itself adds in either number."""
    p, r, q = off
    a11, a12, a21, a22 = a
    u1, u2, v1, v2 = a11 * p + a12 * r, a11 * r + a12 * q, a21 * p + a22 * r, a21 * r + a22 * q
    size = p + q
    # Products round by 2^-53 of their terms, which may be far larger than what is left of them.
    rounding = LEAST * size * (a11 * a11 + a12 * a12 + a21 * a21 + a22 * a22)
    p, r, q = (u1 * a11 + u2 * a12) + rounding, u1 * a21 + u2 * a22, (v1 * a21 + v2 * a22) + rounding
    # |f| <= each in either number: within a circle of radius each sqrt 2.
    added = 2 * each * each
    before = p + q
    if before <= 0.0:
        return added * GROW, 0.0, added * GROW
    if added <= 0.0:
        return p * GROW, r, q * GROW
    c = sqrt(before / (2 * added))
    stretch, more = (1 + 1 / c) * GROW, (1 + c) * added * GROW
    return p * stretch + more, r * stretch, q * stretch + more


def carried_out(offs: np.ndarray, out: np.ndarray) -> np.ndarray:
    """Largest |out e| for ellipses (rows p, r, q) and output rows (c1, c2): one row per ellipse, one column per output."""
    c1, c2 = out[:, 0], out[:, 1]
    with np.errstate(over="ignore", invalid="ignore"):
        square = offs[:, :1] * (c1 * c1) + offs[:, 1:2] * (2 * c1 * c2) + offs[:, 2:] * (c2 * c2)
        size = (offs[:, :1] + offs[:, 2:]) * (c1 * c1 + c2 * c2)
        return np.asarray(np.sqrt(np.maximum(square, 0.0) + LEAST * size) * SLACK)
