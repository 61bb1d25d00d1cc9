"""keeps_going: after hours the machine still does what it did in its first seconds. Every sample is really computed."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, ClassVar

from verify.claims.base import number_text, reason
from verify.claims.in_time import Judgement, TimeClaim
from verify.errors import SheetError
from verify.grids import exact

if TYPE_CHECKING:
    from verify.machines.machine import Machine
    from verify.machines.observation import Observation

LONGEST_HOURS = 1000
SETTLE = 1


@dataclass(frozen=True)
class KeepsGoing(TimeClaim):
    """The same script over and over, for hours, at the highest sample rate of the sheet: each period is like the second.

    Fails when: a sample differs from the one a whole number of periods before by more than the limit, or a status
    flag rises that the first two periods do not raise (counters at their wrap, a float that no longer grows, drift).
    Cannot see: what another script would bring out; what is wrong in every period alike.
    """

    hours: Fraction
    every_seconds: Fraction
    limit: Fraction
    because: str
    name: ClassVar[str] = "keeps_going"
    builds: ClassVar[tuple[str, ...]] = ("host",)

    def limit_text(self) -> str:
        within = f", within {number_text(self.limit)}" if self.limit else ""
        return f"{number_text(self.hours)} h, every {number_text(self.every_seconds)} s{within}"

    def check_machine(self, machine: Machine, where: str) -> None:
        rate = max(machine.sample_rates_hz)
        if (self.every_seconds * rate).denominator != 1:
            raise SheetError("keeps_going: a period must be a whole number of samples", where=where,
                             why=f"{number_text(self.every_seconds)} s at {number_text(rate)} Hz is not",
                             todo="write for example every_seconds=2")
        if self.every_seconds * rate > 1 << 23:
            raise SheetError("keeps_going: the period is too long", where=where,
                             why=f"{number_text(self.every_seconds)} s at {number_text(rate)} Hz is more than 2^23 samples",
                             todo="write for example every_seconds=2")
        if self.hours * 3600 < 3 * self.every_seconds:
            raise SheetError("keeps_going: too short to say anything", where=where,
                             why="it needs three periods at least", todo="give more hours, or a shorter period")

    def judge(self, seen: Observation) -> Judgement:
        """Single scripts say nothing about it; see verify/machines/long_run.py."""
        return Judgement()


def keeps_going(*, hours: float = 24, every_seconds: float = 2, within: float = 0, because: str) -> KeepsGoing:
    """For hours, each period of every_seconds is like the second one, within a limit in the output's unit (0: bit by bit)."""
    found = KeepsGoing(exact(hours, "keeps_going"), exact(every_seconds, "keeps_going"), exact(within, "keeps_going"),
                       reason(because, "keeps_going"))
    for value, name in ((found.hours, "hours"), (found.every_seconds, "every_seconds")):
        if value <= 0 or found.hours > LONGEST_HOURS:
            raise SheetError(f"keeps_going: {name} must lie above zero, hours at most {LONGEST_HOURS}",
                             where="keeps_going(...)", why=f"got {number_text(value)}",
                             todo="write for example hours=24, every_seconds=2")
    if found.limit < 0:
        raise SheetError("keeps_going: within must not be negative", where="keeps_going(...)",
                         why=f"got {number_text(found.limit)}", todo="0 asks for the same bits")
    return found
