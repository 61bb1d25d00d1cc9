"""in_bounds: the part of undefined behaviour that reads or writes beside what it means, as a claim of its own."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import ClassVar

from firmware_shim.job import Event, Stop, Test
from verify.claims.base import Assessment, Case, reason
from verify.claims.protective import NoUndefinedBehaviour
from verify.routine import Bound

BESIDE = ("array index", "access outside", "read outside", "write outside", "read of the ended", "write of the ended",
          "read of freed", "write of freed", "pointer arithmetic", "null pointer access", "misaligned")
SIGNALS = ("SIGSEGV", "SIGBUS", "null pointer", "not declared")


def is_beside(stop: Stop | None) -> bool:
    """Whether a call ended because it touched memory that is not there."""
    return stop is not None and any(word in stop.why for word in SIGNALS) and "stack exhausted" not in stop.why


@dataclass(frozen=True)
class InBounds(NoUndefinedBehaviour):
    """Every read and write stays in the table, variable, state or buffer that it means.

    Fails when: the strict build sees an access beside one, or a call ends at a guard page. Cannot see: what
    not_watched names.
    """

    name: ClassVar[str] = "in_bounds"
    watched: ClassVar[tuple[str, ...]] = (
        "index of known arrays", "room beside every table and variable, local ones too", "objects of known size",
        "null and misaligned access", "guard pages around a machine's state and buffers")
    unseen: ClassVar[tuple[str, ...]] = ("pointers from a member into the next one",
                                         "pointers from one table far into another",
                                         "pointers past a table or a local where the compiler is clang")
    wanted: ClassVar[str] = "every access inside what it means"
    builds: ClassVar[tuple[str, ...]] = ("strict",)
    variants: ClassVar[tuple[str, ...]] = ()

    def told(self, case: Case) -> tuple[tuple[str, ...], tuple[str, ...]]:
        return self.watched, self.unseen

    def test(self, bound: Bound) -> Test | None:
        return None

    def sorted_out(self, events: Iterable[Event]) -> tuple[list[Event], dict[str, int]]:
        return super().sorted_out([event for event in events if event.kind.startswith(BESIDE)])

    def ended(self, stop: Stop | None) -> bool:
        return is_beside(stop)

    def assess(self, case: Case) -> Assessment:
        found = super().assess(case)
        stops = [stop for stop in case.evidence.stops if is_beside(stop)]
        found.failing += len(stops)
        found.valid += len(stops)
        if stops and found.witness is None:
            found.witness = found.worst_at = found.first_failing = stops[0].ordinal
            found.error_text = stops[0].why
        return found


def in_bounds(*, because: str) -> InBounds:
    """Every read and write stays inside the table, variable, state or buffer that it means (strict build)."""
    return InBounds(reason(because, "in_bounds"))
