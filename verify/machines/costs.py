"""What a machine costs on the board: each step (or block of 64), each event, counted instruction by instruction.

Scripts are those of the catalogue and generated ones; the dearest are hunted for: from the dearest so far to scripts
with other values and other moments.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from firmware_shim.crew import Crew
from verify.cost import Ran, seen_as_well
from verify.machines.catalogue import catalogue
from verify.machines.generation import drawn, marked_places
from verify.machines.machine import Machine
from verify.machines.running import Stand
from verify.machines.script import Happening, Piece, Script, for_shim

BLOCK = 64
LONGEST_SAMPLES = 1024
CATALOGUE_SCRIPTS, DRAWN_SCRIPTS = 96, 96
JOB_SCRIPTS = 16
ROUNDS, FROM_EACH, NEIGHBOURS = 4, 3, 24
BARE_SAMPLES = 256
# Names of parts; those of events begin with "event ", so that an event may have any name.
STEP, INIT = "step", "init"


@dataclass(frozen=True)
class Dearest:
    """A largest value, and the script and sample at which it was found."""

    value: float = 0.0
    script: Script | None = None
    sample: int = 0


@dataclass
class Part:
    """The step (or block), or one event. Each way of counting has its own largest; cycles are the table's two ends."""

    name: str
    counted: list[np.ndarray] = field(default_factory=list)
    most: dict[str, Dearest] = field(default_factory=dict)

    def add(self, script: Script, samples: Sequence[int] | np.ndarray, rows: np.ndarray) -> None:
        """Take in calls at samples of one script."""
        if not len(rows):
            return
        self.counted.append(rows[:, 0])
        values = {"instructions": rows[:, 0].astype(float), "optimistic": np.ceil(rows[:, 1].astype(float)) / 2,
                  "pessimistic": np.ceil(rows[:, 2].astype(float)) / 2}
        for word, column in values.items():
            at = int(column.argmax())
            if word not in self.most or column[at] > self.most[word].value:
                self.most[word] = Dearest(float(column[at]), script, int(samples[at]))

    def figures(self) -> tuple[int, int, float]:
        """(calls counted, least, median) of the instructions."""
        every = np.concatenate(self.counted) if self.counted else np.zeros(0)
        return (len(every), int(every.min()), float(np.median(every))) if len(every) else (0, 0, 0.0)

    def dearest(self, word: str) -> Dearest:
        """The largest by one way of counting."""
        return self.most.get(word, Dearest())


@dataclass
class MachineCost(Ran):
    """All that was counted. handing: per part, what handing samples and values over costs by itself; it is counted in
    each step (block) and event as well."""

    parts: dict[str, Part] = field(default_factory=dict)
    scripts: int = 0
    handing: dict[str, dict[str, float]] = field(default_factory=dict)

    def part(self, name: str) -> Part:
        """One part, made when first asked for."""
        return self.parts.setdefault(name, Part(name))


class CostHunt:
    """Counts scripts, never one twice."""

    def __init__(self, stand: Stand, crew: Crew, progress: Callable[[int, int], None] | None = None) -> None:
        self.stand, self.crew, self.progress = stand, crew, progress
        self.cost = MachineCost()
        self.known: set[Script] = set()
        self.executed = self.touched = np.zeros(0, np.uint8)

    def job(self, scripts: Sequence[Script], bare: bool = False) -> Any:
        """One job that counts."""
        job = self.stand.job([])
        shims = tuple(for_shim(script, self.stand.machine) for script in scripts)
        return replace(job, scripts=shims, keep_costs=True, bare=bare, most_stops=JOB_SCRIPTS, most_hangs=JOB_SCRIPTS)

    def count(self, scripts: Sequence[Script]) -> None:
        """Count what is new."""
        short = [replace(script.cut_to(min(script.samples, LONGEST_SAMPLES)), cuts=(BLOCK,)) for script in scripts]
        new = [script for script in dict.fromkeys(short) if script not in self.known]
        self.known |= set(new)
        groups = [new[start : start + JOB_SCRIPTS] for start in range(0, len(new), JOB_SCRIPTS)]
        answers = dict(self.crew.run_all(self.job(group) for group in groups))
        for number, group in enumerate(groups):  # in order, so that the hunt does not depend on who was first
            self.take(group, answers[number])
            if self.progress is not None:
                self.progress(len(self.known), len(self.known))

    def take(self, scripts: Sequence[Script], result: Any) -> None:
        """Sort the rows of one job."""
        cost, machine = self.cost, self.stand.machine
        costs = result.costs
        if costs is None or result.load_problem:
            cost.problem = cost.problem or result.load_problem
            return
        cost.stack_bytes = max(cost.stack_bytes, costs.stack_bytes)
        self.executed = seen_as_well(self.executed, costs.executed)
        self.touched = seen_as_well(self.touched, costs.touched)
        for script, run, first, events in zip(scripts, result.runs, costs.sample_place, costs.event_place, strict=True):
            cost.lost += run.stop is not None
            if run.stop is not None and run.stop.kind == "not run":
                continue
            cost.scripts += 1
            samples = np.array(whole_blocks(script, run.done) if machine.block else range(run.done), np.int64)
            cost.part(STEP).add(script, samples, costs.rows[first + samples])
            for place, e in enumerate(script.events):
                row = costs.rows[events + 1 + place]
                if e.sample < max(1, run.done) and row[0]:
                    cost.part(f"event {machine.events[e.kind].name}").add(script, [e.sample], row[None, :])
            if costs.rows[events][0]:
                cost.part(INIT).add(script, [0], costs.rows[events][None, :])

    def climb(self) -> None:
        """From the dearest so far to its neighbours, until nothing costs more."""
        for _ in range(ROUNDS):
            tops = [part.dearest(word) for part in self.cost.parts.values() for word in ("instructions", "pessimistic")]
            before = [top.value for top in tops]
            scripts = list(dict.fromkeys(top.script for top in tops if top.script is not None))
            for script in scripts[: 2 * FROM_EACH]:
                self.count(list(itertools.islice(neighbours(script, self.stand.machine), NEIGHBOURS)))
            after = [self.cost.parts[part].dearest(word).value for part in self.cost.parts for word in (
                "instructions", "pessimistic")]
            if after <= before:
                return

    def bare_loop(self) -> None:
        """What handing over costs by itself: the same scripts' kinds of calls, with the sheet's texts left out."""
        machine = self.stand.machine
        streams = tuple((Piece(0, "hold", 0),) for _ in machine.inputs)
        events = tuple(Happening(0, k, tuple(0 for _ in kind.arguments)) for k, kind in enumerate(machine.events))
        bare = CostHunt(self.stand, self.crew)
        script = Script(0, BARE_SAMPLES, events, streams, (BLOCK,))
        bare.take([script], self.crew.run(self.job([script], bare=True)))
        self.cost.handing = {name: {word: found.value for word, found in part.most.items()}
                             for name, part in bare.cost.parts.items() if name != INIT}

    def finished(self) -> MachineCost:
        """Sizes of what ran, and the whole."""
        if len(self.executed):
            self.cost.measure(self.stand.library, self.executed, self.touched)
        return self.cost


def whole_blocks(script: Script, done: int) -> list[int]:
    """First samples of the blocks that have their full length: no event cuts them short."""
    ends = sorted({e.sample for e in script.events if 0 < e.sample < done} | {done})
    found, at = [], 0
    for end in ends:
        found += [start for start in range(at, end, BLOCK) if start + BLOCK <= end]
        at = end
    return found


def neighbours(script: Script, machine: Machine) -> Iterator[Script]:
    """The same script with one value or one moment changed, in turns."""
    ways: list[Iterator[Script]] = []
    for k, e in enumerate(script.events):
        for number, grid in enumerate(machine.events[e.kind].arguments):
            ways.append(_with_event(script, k, Happening(e.sample, e.kind, (*e.places[:number], p, *e.places[number + 1 :])))
                        for p in marked_places(grid))
        ways.append(_with_event(script, k, replace(e, sample=e.sample + by)) for by in (1, -1, 7) if e.sample + by >= 0)
    for k, (stream, grid) in enumerate(zip(script.streams, machine.inputs, strict=True)):
        ways.append(replace(script, streams=(*script.streams[:k], (Piece(0, "hold", p),), *script.streams[k + 1 :]))
                    for p in marked_places(grid))
        ways.append(replace(script, streams=(*script.streams[:k], (*stream[:-1], replace(stream[-1], a=p)),
                                             *script.streams[k + 1 :])) for p in marked_places(grid))
    for row in itertools.zip_longest(*ways):
        yield from (found for found in row if found is not None)


def _with_event(script: Script, k: int, changed: Happening) -> Script:
    events = (*script.events[:k], changed, *script.events[k + 1 :])
    samples = max(script.samples, changed.sample + 1)
    return replace(script, samples=samples, events=tuple(sorted(events, key=lambda e: e.sample)))


def hunted(stand: Stand, crew: Crew, seed: int, stored: Sequence[Script] = (), *, thorough: bool = False,
           progress: Callable[[int, int], None] | None = None) -> MachineCost:
    """Count a machine's steps and events."""
    hunt = CostHunt(stand, crew, progress)
    more = 8 if thorough else 1
    listed = catalogue(stand.machine)
    hunt.count(stored)
    hunt.count(listed[:: max(1, len(listed) // (CATALOGUE_SCRIPTS * more))])
    if not hunt.cost.problem:
        for batch in drawn(stand.machine, DRAWN_SCRIPTS * more, seed):
            hunt.count(batch)
        hunt.climb()
        hunt.bare_loop()
    return hunt.finished()

