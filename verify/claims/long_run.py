"""keeps_going: after hours the machine still does what it did in its first seconds. Every sample is really computed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any, ClassVar

from verify.claims.base import number_text, reason
from verify.claims.in_time import Judgement, TimeClaim
from verify.errors import SheetError
from verify.grids import exact

if TYPE_CHECKING:
    from verify.machines.machine import Machine
    from verify.machines.observation import Observation
    from verify.machines.script import Script

LONGEST_HOURS = 1000
LONGEST_PERIOD = 1 << 23
# Periods that are also run as one ordinary script, so that every claim (accurate among them) judges the first ones.
UNROLLED = 4
MOST_UNROLLED = 1 << 21

Step = tuple[Fraction, str, tuple[Fraction, ...]]


@dataclass(frozen=True)
class KeepsGoing(TimeClaim):
    """The same script over and over, for hours, at the highest sample rate: no period is other than the first ones.

    The first four periods are also a script that all other claims judge. From the first period on that is like the one before
    it, bit by bit, all later ones must be the same; with within=, each must be that near to the second. Where the sheet has a
    reference and accurate(...), a period of other bits is right as long as each output lies within that limit of its
    reference's fourth period (which must hardly differ from its third). What neither repeats nor has a reference or a limit
    is run, but stays undecided. Fails when: a sample is wrong in that sense, a status flag rises that the periods up to there
    did not raise, memory is taken, or the machine stops (counters at their wrap, a float that stands still, drift, a leak).
    Cannot see: what another script would bring out; what is wrong in every period alike.
    """

    hours: Fraction
    every_seconds: Fraction
    script: tuple[Step, ...]
    limit: Fraction | None
    because: str
    name: ClassVar[str] = "keeps_going"
    builds: ClassVar[tuple[str, ...]] = ("host",)

    def limit_text(self) -> str:
        within = f", within {number_text(self.limit)}" if self.limit else ""
        return f"{number_text(self.hours)} h, every {number_text(self.every_seconds)} s{within}"

    def check_machine(self, machine: Machine, where: str) -> None:
        from verify.machines.periods import period_script

        rate = max(machine.sample_rates_hz)
        if (self.every_seconds * rate).denominator != 1:
            raise SheetError("keeps_going: a period must be a whole number of samples", where=where,
                             why=f"{number_text(self.every_seconds)} s at {number_text(rate)} Hz is not",
                             todo="write for example every_seconds=2")
        if self.every_seconds * rate > LONGEST_PERIOD:
            raise SheetError("keeps_going: the period is too long", where=where,
                             why=f"{number_text(self.every_seconds)} s at {number_text(rate)} Hz is more than 2^23 samples",
                             todo="write for example every_seconds=2")
        if self.hours * 3600 < 3 * self.every_seconds:
            raise SheetError("keeps_going: too short to say anything", where=where,
                             why="it needs three periods at least", todo="give more hours, or a shorter period")
        period_script(machine, self, where)

    def scripts(self, machine: Machine) -> list[Script]:
        """The first periods as one script, where that is not too long."""
        from verify.machines.periods import unrolled

        found = unrolled(machine, self)
        return [found] if found is not None else []

    def judge(self, seen: Observation) -> Judgement:
        """Single scripts say nothing about it; see verify/machines/long_run.py."""
        return Judgement()


def keeps_going(*, hours: float = 24, every_seconds: float = 2, script: Sequence[tuple[Any, ...]] = (),
                within: float | None = None, because: str) -> KeepsGoing:
    """For hours, each period of every_seconds is like the first ones. script: what happens in a period, as
    (seconds, event, values...) or (seconds, input, value); without it gates go on and off once, triggers come twice, inputs
    step. within: a limit in the output's unit, from the second period (0: bit by bit, whatever the reference says)."""
    where = "keeps_going"
    found = KeepsGoing(exact(hours, where), exact(every_seconds, where), steps_of(script),
                       None if within is None else exact(within, where), reason(because, where))
    for value, name in ((found.hours, "hours"), (found.every_seconds, "every_seconds")):
        if value <= 0 or found.hours > LONGEST_HOURS:
            raise SheetError(f"keeps_going: {name} must lie above zero, hours at most {LONGEST_HOURS}",
                             where="keeps_going(...)", why=f"got {number_text(value)}",
                             todo="write for example hours=24, every_seconds=2")
    if found.limit is not None and found.limit < 0:
        raise SheetError("keeps_going: within must not be negative", where="keeps_going(...)",
                         why=f"got {number_text(found.limit)}", todo="0 asks for the same bits")
    return found


def steps_of(script: Sequence[tuple[Any, ...]]) -> tuple[Step, ...]:
    """The sheet's tuples in order of time. Errors: SheetError for what is no such tuple."""
    found = []
    for entry in script:
        if not isinstance(entry, tuple) or len(entry) < 2 or not isinstance(entry[1], str):
            raise SheetError(f"keeps_going: {entry!r} is no step of a script", where="keeps_going(script=...)",
                             why="a step is (seconds, name of an event or input, its values)",
                             todo='write for example script=[(0.1, "gate", 1), (0.5, "gate", 0)]')
        found.append((exact(entry[0], "keeps_going"), entry[1], tuple(exact(v, "keeps_going") for v in entry[2:])))
    return tuple(sorted(found, key=lambda step: step[0]))
