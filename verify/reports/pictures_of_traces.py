"""A trajectory around a failure as plain text."""

from __future__ import annotations

from typing import Any

import numpy as np


def picture(found: dict[str, Any], width: int = 60, height: int = 9) -> list[str]:
    """A trace as text: o got, . wanted, x both."""
    got = np.array([v if isinstance(v, int | float) else np.nan for v in found["got"]], float)
    wanted = np.array([v if isinstance(v, int | float) else np.nan for v in found["wanted"]], float)
    both = np.concatenate([got, wanted])
    both = both[np.isfinite(both)]
    if len(both) < 2:
        return []
    low, high = float(both.min()), float(both.max())
    if low == high:
        height = 1
    span = (high - low) or 1.0
    cells = [[" "] * len(got) for _ in range(height)]
    for series, mark in ((wanted, "."), (got, "o")):
        for k, value in enumerate(series[: len(got)]):
            if np.isfinite(value):
                row = height - 1 - round((float(value) - low) / span * (height - 1))
                cells[row][k] = "x" if cells[row][k] == "." and mark == "o" else mark
    lines = [f"{high:>12.6g} |" + "".join(cells[0])]
    lines += [" " * 12 + " |" + "".join(row) for row in cells[1:-1]]
    if height > 1:
        lines.append(f"{low:>12.6g} |" + "".join(cells[-1]))
    marker = " " * (14 + found["at"] - found["samples_from"]) + "^ sample " + str(found["at"])
    return [*lines, marker, " " * 14 + ("o got  . wanted  x both" if found["wanted"] else "o got")]
