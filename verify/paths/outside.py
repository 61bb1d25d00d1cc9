"""What acts on a path's input before the firmware sees it: resistors, a reference's drift, noise of the converter."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import erfc, sqrt
from typing import TypeVar

import numpy as np

from verify.claims.base import number_text
from verify.errors import SheetError
from verify.grids import Grid, exact

PARTS = {"percent": Fraction(1, 100), "ppm": Fraction(1, 10**6)}
Values = TypeVar("Values", np.ndarray, Fraction)


@dataclass(frozen=True)
class Outside:
    """One such thing: a share of the input's value, or steps of its grid, to either side; rms: a standard deviation."""

    name: str
    share: Fraction
    steps: Fraction
    rms: bool

    def moved(self, values: Values, sign: int, grid: Grid) -> Values:
        """The input with it, at one end."""
        share, steps = sign * self.share, sign * self.steps * grid.step * grid.scale
        if isinstance(values, Fraction):
            return values * (1 + share) + steps
        return values * (1 + float(share)) + float(steps)

    def text(self) -> str:
        """Name and size."""
        size = f"{number_text(100 * self.share)} %" if self.share else f"{number_text(self.steps)} steps"
        return f"{self.name}, {size}" + (" rms" if self.rms else "")

    def chatter(self) -> str:
        """How often a converter gives another code than the nearest, for noise with a normal distribution."""
        if not self.rms or not self.steps:
            return ""
        percent = 100 * erfc(0.5 / (float(self.steps) * sqrt(2)))
        often = "less than 0.001 %" if percent < 0.001 else f"{percent:.3g} %"
        return (f"{self.text()}: jitter of the pitch as in the table, rms; in the middle of a step {often} of the readings "
                "give another code, at its border every second one")


def beyond_firmware(name: str, **size: float) -> Outside:
    """beyond_firmware("resistors", percent=0.1): one of percent=, ppm= (of the input's value), steps=, rms_steps= (of its
    grid). It is shown in a path's error budget beside the firmware's shares, and counts for no claim."""
    where = f"beyond_firmware({name!r}, ...)"
    known = (*PARTS, "steps", "rms_steps")
    if len(size) != 1 or next(iter(size)) not in known or not name.strip():
        raise SheetError("beyond_firmware needs a name and one size", where=where, why=f"sizes: {', '.join(known)}",
                         todo='write for example beyond_firmware("input resistors", percent=0.1)')
    unit, given = next(iter(size.items()))
    value = exact(given, where)
    if value <= 0 or (unit in PARTS and value * PARTS[unit] >= 1):
        raise SheetError(f"beyond_firmware: {unit}={given}", where=where, why="it counts to either side, above zero",
                         todo="write its largest size")
    share = value * PARTS[unit] if unit in PARTS else Fraction(0)
    return Outside(name.strip(), share, Fraction(0) if share else value, unit == "rms_steps")


def checked_outside(given: Iterable[Outside], grids: Sequence[Grid], where: str) -> tuple[Outside, ...]:
    """What a path's outside= lists. Errors: SheetError."""
    found = (given,) if isinstance(given, Outside) else tuple(given)
    for what in found:
        if not isinstance(what, Outside):
            raise SheetError(f"outside: {what!r} does not belong there", where=where, why="its parts have a name and a size",
                             todo='write for example outside=[beyond_firmware("input resistors", percent=0.1)]')
        if len(grids) != 1 or (what.steps and grids[0].kind != "integer"):
            raise SheetError(f"outside: {what.text()} has nothing to act on", where=where,
                             why="it moves the path's one input; steps are those of whole codes",
                             todo="give the path one input, or the size as percent=")
    return found
