"""no_flutter: what a knob or threshold gives while its converter's last bit is noise."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from verify.claims.base import reason
from verify.claims.in_time import Judgement, TimeClaim, known_signal
from verify.errors import SheetError
from verify.machines.script import Piece, Script

if TYPE_CHECKING:
    from verify.machines.machine import Machine
    from verify.machines.observation import Observation

MOST_PLACES = 4096
PIECES_EACH = 64


@dataclass(frozen=True)
class NoFlutter(TimeClaim):
    """While an input alternates at random between neighbouring steps, the output stands still once it has settled.

    Scripts visit every step of the input (of more than 4096 an even part), stay there for `rest` samples, then let it jump
    among so many neighbouring steps. Fails when: the output takes more than one value after the first `settle` samples of
    such a stretch. Cannot see: noise of another kind; flutter slower than a stretch.
    """

    source: str
    steps: int
    settle: int
    rest: int
    noisy: int
    of: str
    because: str
    name: ClassVar[str] = "no_flutter"
    unit: ClassVar[str] = "changes"

    def limit_text(self) -> str:
        return f"{self.steps} step{'s' if self.steps > 1 else ''} of noise on {self.source}"

    def check_machine(self, machine: Machine, where: str) -> None:
        known_signal(machine, self.of, where)
        if self.source not in [grid.name for grid in machine.inputs]:
            raise SheetError(f"no input is called {self.source!r}", where=where, why="the noise goes in there",
                             todo="name an input per sample")

    def number(self, machine: Machine) -> int:
        """Place of the noisy input."""
        return [grid.name for grid in machine.inputs].index(self.source)

    def scripts(self, machine: Machine) -> list[Script]:
        """All places, some hundred to a script."""
        from verify.machines.drives import resting

        chosen = self.number(machine)
        grid = machine.inputs[chosen]
        last = max(0, grid.count - 1 - self.steps)
        places = np.unique(np.linspace(0, last, min(MOST_PLACES, last + 1)).astype(np.int64)).tolist()
        found = []
        for first in range(0, len(places), PIECES_EACH):
            pieces, at = [], 0
            for number, place in enumerate(places[first : first + PIECES_EACH]):
                pieces += [Piece(at, "hold", place), Piece(at + self.rest, "noise", place, place + self.steps, number)]
                at += self.rest + self.noisy
            streams = tuple(tuple(pieces) if k == chosen else (resting(other),) for k, other in enumerate(machine.inputs))
            found.append(Script(0, at, (), streams))
        return found

    def stretches(self, seen: Observation) -> Iterator[tuple[int, int, Piece]]:
        """(first settled sample, end, piece) of each stretch of such noise in which nothing else happens."""
        chosen = self.number(seen.machine)
        pieces = seen.script.streams[chosen]
        moments = [e.sample for e in seen.script.events]
        moments += [p.start for k, stream in enumerate(seen.script.streams) if k != chosen for p in stream if p.start]
        moving = any(p.shape != "hold" for k, stream in enumerate(seen.script.streams) if k != chosen for p in stream)
        for number, piece in enumerate(pieces):
            end = pieces[number + 1].start if number + 1 < len(pieces) else seen.done
            start = piece.start + self.settle
            if moving or piece.shape != "noise" or piece.a < 0 or abs(piece.b - piece.a) > self.steps:
                continue
            if end <= seen.done and end - start >= 2 and not any(piece.start < moment < end for moment in moments):
                yield start, end, piece

    def judge(self, seen: Observation) -> Judgement:
        found, y = Judgement(), seen.doubles(self.of)
        unit = seen.machine.signal_named(self.of).unit
        grid = seen.machine.inputs[self.number(seen.machine)]
        for start, end, piece in self.stretches(seen):
            part = y[start:end]
            changes = np.flatnonzero(part[1:] != part[:-1])
            at = start + int(changes[0]) + 1 if len(changes) else start
            low, high = sorted((float(grid.value(piece.a)), float(grid.value(piece.b))))
            found.note(float(len(changes)), at, len(changes) > 0,
                       f"{len(changes)} changes between {part.min():.9g} and {part.max():.9g} {unit}".strip(),
                       f"one value while {self.source} lies between {low:.9g} and {high:.9g} {grid.unit}".strip(),
                       f"{len(changes)} changes in {end - start} samples")
        return found


def no_flutter(source: str, *, because: str, steps: int = 1, settle_samples: int = 64, rest_samples: int = 64,
               noisy_samples: int = 192, of: str = "") -> NoFlutter:
    """source: the input whose last bit is noise; steps: how many neighbouring steps it jumps among; settle_samples: after
    these the output must stand; rest_samples: how long each step is held before."""
    for number, word, least in ((steps, "steps", 1), (settle_samples, "settle_samples", 0), (rest_samples, "rest_samples", 1),
                                (noisy_samples, "noisy_samples", settle_samples + 2)):
        if isinstance(number, bool) or not isinstance(number, int) or number < least:
            raise SheetError(f"no_flutter: {word}={number!r}", where="no_flutter",
                             why=f"it is a whole number of at least {least}", todo="leave it out for its default")
    return NoFlutter(source, steps, settle_samples, rest_samples, noisy_samples, of, reason(because, "no_flutter"))
