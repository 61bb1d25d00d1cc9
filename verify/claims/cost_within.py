"""cost_within: a call on the board takes no more than so many instructions, cycles, or share of a sample period."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any, ClassVar

from firmware_shim.board_cycles import TABLES
from firmware_shim.cores import core_named
from verify.claims.base import Assessment, Case, Claim, number_text, positive_limit, reason
from verify.errors import SheetError, nearest_words
from verify.judging.verdict import grouped
from verify.routine import Routine

if TYPE_CHECKING:
    from verify.cost import Cost
    from verify.machines.machine import Machine

UNITS = {"instructions": "instructions", "cycles": "cycles", "percent": "% of a sample period"}


@dataclass(frozen=True)
class CostWithin(Claim):
    """No call costs more than the limit.

    A machine's step (or block of 64 samples) and each of its events is such a call.

    Fails when: one call executes more instructions; for cycles, when even the optimistic end of the table is above.
    Cannot see: wait states, caches, interrupts; the largest found is no worst case unless every value was counted.
    """

    unit: str
    limit: Fraction
    because: str
    name: ClassVar[str] = "cost_within"
    builds: ClassVar[tuple[str, ...]] = ("board",)

    def limit_text(self) -> str:
        return f"{self.unit}={number_text(self.limit)}"

    def check(self, routine: Routine, where: str) -> None:
        if routine.stages is not None:
            raise SheetError("cost_within on a path", where=where,
                             why="its loop is ours; what it costs on the board are its stages, which `preflash cost` sums",
                             todo="claim it on each stage: " + ", ".join(routine.stages.names()))

    def check_machine(self, machine: Machine, where: str) -> None:
        """Fits every machine."""

    def assess(self, case: Case) -> Assessment:
        board: Any = case.bound.board
        cost: Cost = case.probe.cost(case.bound)
        if cost.problem or not cost.counted:
            return Assessment(blocked=cost.problem or "no call came back, so none was counted")
        found = Assessment(valid=cost.counted, every_value=cost.every_value, worst_unit=UNITS[self.unit])
        found.wanted_text = f"at most {number_text(self.limit)} {UNITS[self.unit]}"
        each = Fraction(100) * Fraction(board.sample_rate_hz) / Fraction(board.clock_hz) if board.clock_hz else None
        period_percent = None if each is None else float(each)
        scale, limit = 1.0, halves(self.limit)
        if self.unit == "percent":
            if each is None:
                return Assessment(blocked="percent= needs the clock: write Sheet(clock_hz=...)")
            scale, limit = float(each), halves(self.limit / each)
            found.facts.append(f"a sample period at {number_text(Fraction(board.sample_rate_hz))} Hz is "
                               f"{number_text(100 / each)} cycles")
        if self.unit == "instructions":
            figure, sure, likely = cost.most, cost.beyond("instructions", limit), cost.counts["ordinals"][:0]
            shown = f"{grouped(int(figure.value))} instructions"
        else:
            sure, likely = cost.beyond("optimistic", limit), cost.beyond("pessimistic", limit)
            figure = cost.optimistic if len(sure) else cost.pessimistic
            low, high = cost.optimistic.value * scale, cost.pessimistic.value * scale
            shown = f"{low:.4g} to {high:.4g} {UNITS[self.unit]}, estimated"
            found.assumed = "estimate"
            table = TABLES[core_named(board.core).timing]
            found.facts.append(f"cycles by: {table.source}; {table.uncertainty}; no wait states")
        found.failing = len(sure)
        found.open = 0 if len(sure) else len(likely)
        found.worst, found.worst_at = figure.value * scale, figure.at
        found.times_limit = found.worst / float(self.limit) if self.limit else None
        word = "the largest of all" if cost.every_value else "the largest found"
        found.facts.append(f"{word}: {shown}; fewest {cost.least}, median {cost.median:g} instructions; "
                           f"{grouped(cost.counted)} calls counted")
        found.cost = {**figures(cost, period_percent), "unit": self.unit, "limit": float(self.limit)}
        if cost.lost:
            found.facts.append(f"{cost.lost} calls did not come back and are not counted")
        if found.failing:
            found.witness, found.error_text = figure.at, shown
            found.first_failing, found.last_failing = int(sure.min()), int(sure.max())
            if cost.every_value:
                share = found.failing / cost.counted
                found.share, found.share_of = (share, share, share), "every value"
        return found


def halves(limit: Fraction) -> float:
    """The largest number of half cycles, as cycles, that is no more than a limit: what is counted lies on these."""
    return float(Fraction(math.floor(2 * limit), 2))


def figures(cost: Cost, period_percent: float | None) -> dict[str, Any]:
    """The figures of a picture. percent: [optimistic, pessimistic] share of a sample period; None without a clock.

    period_percent: what one cycle is of a sample period.
    """
    cycles = [float(cost.optimistic.value), float(cost.pessimistic.value)]
    return {
        "counted": cost.counted, "every_value": cost.every_value,
        "instructions": {"least": cost.least, "median": cost.median, "most": float(cost.most.value)},
        "cycles": cycles,
        "percent": None if period_percent is None else [end * period_percent for end in cycles],
    }


def cost_within(*, because: str = "", **limits: float) -> CostWithin:
    """cost_within(percent=20, because="..."): one limit, in instructions, cycles or percent of a sample period."""
    where = "cost_within(...)"
    if len(limits) != 1 or next(iter(limits)) not in UNITS:
        given = ", ".join(limits) or "none"
        raise SheetError("cost_within needs one limit with its unit", where=where, why=f"given: {given}",
                         todo=nearest_words(given, UNITS))
    unit, value = next(iter(limits.items()))
    return CostWithin(unit, positive_limit(value, where), reason(because, where))
