"""safe_when_interrupted_by: a setter may come in the middle, as an interrupt does, and nothing half-done is seen."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, ClassVar

from verify.claims.base import Assessment, Case, number_text, positive_limit, reason
from verify.claims.in_time import Judgement, TimeClaim
from verify.errors import SheetError, nearest_words
from verify.grids import Grid

if TYPE_CHECKING:
    from verify.machines.machine import Machine
    from verify.machines.observation import Observation
    from verify.probing import Prober
    from verify.routine import Bound, Routine


@dataclass(frozen=True)
class SafeWhenInterruptedBy(TimeClaim):
    """Stopped before each of its instructions in turn, with the setter run to its end there, the routine gives what it
    gives with the setter before it or after it, then and in the samples (for functions: calls) after it.

    Fails when: an output fits neither order by more than the limit; or interrupts stay masked at the end.
    Cannot see: an interrupt that comes twice, or is interrupted itself; steps, settings and inputs that were not
    tried; a routine that interrupts the setter (describe the setter as the routine then).
    """

    setter: str
    arguments: tuple[Grid, ...]
    limit: Fraction
    because: str
    name: ClassVar[str] = "safe_when_interrupted_by"
    builds: ClassVar[tuple[str, ...]] = ("board",)
    needs_board: ClassVar[bool] = True

    def limit_text(self) -> str:
        return f"{self.setter!r}" + (f", within={number_text(self.limit)}" if self.limit else "")

    def check(self, routine: Routine, where: str) -> None:
        if routine.stages is not None:
            raise SheetError(f"{self.name} on a path", where=where, why="each stage is interrupted by itself",
                             todo=f"claim it on the stage that reads what {self.setter!r} sets: "
                             + ", ".join(routine.stages.names()))
        if "(" not in self.setter and "=" not in self.setter and "+" not in self.setter:
            raise SheetError(f"{self.setter!r} sets nothing", where=where, why="for a function the setter is a line of C, "
                             "run where the interrupt comes", todo='write for example '
                             'safe_when_interrupted_by("set_tuning(hz)", binary32("hz", 430, 450, "Hz"), because="...")')
        taken = {grid.name for grid in self.arguments} & {grid.name for grid in routine.inputs}
        if taken:
            raise SheetError(f"{', '.join(sorted(taken))}: a name for an input and for the setter's value", where=where,
                             why="both are variables of C", todo="rename the setter's")

    def check_machine(self, machine: Machine, where: str) -> None:
        names = [kind.name for kind in machine.events]
        if self.arguments:
            raise SheetError("a machine's setter takes its values from its event", where=where,
                             why="values are given here as well", todo=f"leave them out: {self.name}({self.setter!r}, ...)")
        if self.setter not in names:
            todo = nearest_words(self.setter, names) if names else f'add events=[event("set", "{self.setter}")]'
            raise SheetError(f"no event is called {self.setter!r}", where=where,
                             why="what interrupts a machine is one of its events", todo=todo)

    def judge(self, seen: Observation) -> Judgement:
        """Whole scripts say nothing about it; see verify/machines/interruptions.py."""
        return Judgement()

    def assess(self, case: Case) -> Assessment:
        from verify.interrupted_functions import assessed

        return assessed(self, case)

    def at_input(self, bound: Bound, ordinal: int, prober: Prober) -> tuple[str, bool]:
        """What `replay` tells of a function at one input."""
        from verify.interrupted_functions import told_at

        return told_at(self, bound, ordinal, prober)


def safe_when_interrupted_by(setter: str, *arguments: Grid, within: float = 0, because: str = "") -> SafeWhenInterruptedBy:
    """setter: a machine's event by name; for a function a line of C, with its values as inputs behind it.

    within: how far, in the output's unit, a result may lie from those of the two orders (default: the same bits).
    """
    where = f"safe_when_interrupted_by({setter!r}, ...)"
    if not isinstance(setter, str) or not setter.strip():
        raise SheetError("no setter", where=where, why="something must interrupt",
                         todo='name an event, for example safe_when_interrupted_by("cutoff", because="...")')
    for grid in arguments:
        if not isinstance(grid, Grid):
            raise SheetError(f"{grid!r} is no value of the setter", where=where, why="it needs name, range and unit",
                             todo='write for example binary32("hz", 430, 450, "Hz")')
    return SafeWhenInterruptedBy(setter.strip(), tuple(arguments), positive_limit(within, f"{where}, within"),
                                 reason(because, "safe_when_interrupted_by"))
