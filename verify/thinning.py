"""Products of inputs that are too large to count through, cut down to chosen points."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from verify.domain import Domain, sampled
from verify.grids import SMALLEST_SIZE
from verify.hunting.intervals import once_each
from verify.hunting.places import marks

SAMPLED_PRODUCT = 2**24


@lru_cache(maxsize=32)
def thinned(domain: Domain) -> Domain:
    """Chosen points per input for a product too large to count through: marks and an even cover."""
    share = max(8, int(SAMPLED_PRODUCT ** (1 / len(domain.grids))))
    chosen = []
    for grid in domain.grids:
        if grid.count <= share:
            chosen.append(np.arange(grid.count))
            continue
        index = marks(grid, (2, 3, 12), ())
        sizes = np.abs(grid.doubles(index))
        index = index[(sizes >= SMALLEST_SIZE) | (sizes == 0)]
        if len(index) > share // 2:
            index = index[np.linspace(0, len(index) - 1, share // 2).astype(int)]
        spread = grid.nearest_indices(np.linspace(float(grid.low), float(grid.high), share - len(index)))
        chosen.append(once_each(np.concatenate([index, spread])))
    return sampled(domain, chosen)
