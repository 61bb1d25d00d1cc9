"""Sets of ordinals as sorted disjoint half-open intervals, int64 arrays of shape (n, 2)."""

from __future__ import annotations

import numpy as np

EMPTY = np.zeros((0, 2), np.int64)


def union(*sets: np.ndarray) -> np.ndarray:
    """Union of intervals that may overlap or touch."""
    together = np.concatenate([EMPTY, *(np.asarray(part, np.int64).reshape(-1, 2) for part in sets)])
    together = together[together[:, 1] > together[:, 0]]
    if not len(together):
        return EMPTY
    together = together[np.argsort(together[:, 0], kind="stable")]
    reach = np.maximum.accumulate(together[:, 1])
    first = np.concatenate([[True], together[1:, 0] > reach[:-1]])
    starts = together[first, 0]
    last = np.concatenate([np.flatnonzero(first)[1:] - 1, [len(together) - 1]])
    return np.stack([starts, reach[last]], axis=1)


def subtract(wanted: np.ndarray, taken: np.ndarray) -> np.ndarray:
    """What of wanted (sorted, disjoint) is not in taken (sorted, disjoint)."""
    if not len(wanted) or not len(taken):
        return wanted
    edges = np.concatenate([wanted.ravel(), taken.ravel()])
    steps = np.concatenate([np.tile([1, -1], len(wanted)), np.tile([-1, 1], len(taken))])
    points, place = np.unique(edges, return_inverse=True)
    in_wanted = np.cumsum(np.bincount(place[: 2 * len(wanted)], steps[: 2 * len(wanted)], len(points)))
    in_taken = np.cumsum(np.bincount(place[2 * len(wanted) :], -steps[2 * len(wanted) :], len(points)))
    keep = (in_wanted[:-1] > 0) & (in_taken[:-1] == 0)
    return union(np.stack([points[:-1][keep], points[1:][keep]], axis=1))


def clip(parts: np.ndarray, count: int) -> np.ndarray:
    """The part of the intervals inside [0, count)."""
    return union(np.clip(np.asarray(parts, np.int64).reshape(-1, 2), 0, count))


def size(parts: np.ndarray) -> int:
    """Number of ordinals."""
    return int((parts[:, 1] - parts[:, 0]).sum())


def cut(parts: np.ndarray, edges: np.ndarray) -> np.ndarray:
    """The same ordinals, cut at the given places too."""
    if not len(parts):
        return parts
    first = np.searchsorted(edges, parts[:, 0], side="right")
    last = np.searchsorted(edges, parts[:, 1], side="left")
    extra = last - first
    total = int((extra + 1).sum())
    owner = np.repeat(np.arange(len(parts)), extra + 1)
    offset = np.arange(total) - np.repeat(np.cumsum(extra + 1) - (extra + 1), extra + 1)
    if not len(edges):
        return parts
    left = np.where(offset == 0, parts[owner, 0], edges[np.clip(first[owner] + offset - 1, 0, len(edges) - 1)])
    right = np.where(offset == extra[owner], parts[owner, 1], edges[np.clip(first[owner] + offset, 0, len(edges) - 1)])
    return np.stack([left, right], axis=1)


def once_each(numbers: np.ndarray) -> np.ndarray:
    """Numbers in any order, once each, from the least; none is NaN. np.unique would import numpy.ma to ask about them."""
    return distinct(np.sort(numbers, axis=None))


def distinct(ascending: np.ndarray) -> np.ndarray:
    """Numbers that may stand there several times, once each; they must ascend already (else use once_each)."""
    return ascending[np.concatenate([[True], ascending[1:] != ascending[:-1]])] if len(ascending) else ascending
