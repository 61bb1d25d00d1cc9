"""Scripts of events in pairs: each kind after each other kind, within a block of each other, with values of all sorts.

What hurts is often two particular events close together. Every ordered pair of kinds comes equally often, in groups of two
or three that stand apart, so that a pair with particular values, order and gap is met even among many kinds.
"""

from __future__ import annotations

import random
from collections.abc import Iterator

from verify.machines.generation import WRAPS, Shapes, pieces_from
from verify.machines.script import Happening, Script

BITS = 20
GROUPS = 6
NEAR_SAMPLES = 64
EDGES = (16, 32, 64, 128)


def pairs(shapes: list[Shapes], seed: int) -> Iterator[Script]:
    """Scripts without end; nothing where the machine has no events."""
    machine, rng = shapes[0].machine, random.Random(seed)
    kinds = range(len(machine.events))
    listed = [(a, b) for a in kinds for b in kinds]
    left: list[tuple[int, int]] = []
    while listed:
        for shape in shapes:
            chosen = []
            for _ in range(GROUPS):
                if not left:
                    left = rng.sample(listed, len(listed))
                chosen.append(left.pop())
            yield script_of(chosen, shape, rng)


def gap_of(rng: random.Random) -> int:
    """Samples between two events of a group: often none or one, up to a block."""
    return rng.choice((0, 0, 1, rng.randrange(2, 9), rng.randrange(NEAR_SAMPLES), rng.randrange(NEAR_SAMPLES), NEAR_SAMPLES))


def script_of(chosen: list[tuple[int, int]], shapes: Shapes, rng: random.Random) -> Script:
    """One script of these pairs in turn, at moments of its own."""
    machine, gates = shapes.machine, dict.fromkeys(range(len(shapes.machine.events)), 0)
    rate = rng.randrange(len(machine.sample_rates_hz))
    marks = shapes.landmarks(rate)
    longest = max(NEAR_SAMPLES, int(machine.longest_seconds * machine.sample_rates_hz[rate]))

    def happening(sample: int, number: int) -> Happening:
        kind = machine.events[number]
        if kind.is_gate and rng.randrange(8):
            gates[number] = 1 - gates[number]
            return Happening(sample, number, (gates[number],))
        return Happening(sample, number, tuple(shapes.place(grid, rng.getrandbits(BITS)) for grid in kind.arguments))

    begins = [n for n, kind in enumerate(machine.events) if kind.arguments and not kind.is_gate and rng.randrange(6)]
    events = [happening(0, number) for number in begins]
    at = rng.randrange(4)
    for first, second in chosen:
        gap = gap_of(rng)
        if rng.randrange(3) == 0 and gap:
            # The second of them falls on the edge of a block, or just behind or before it.
            edge = rng.choice(EDGES)
            at = -(-(at + gap) // edge) * edge + rng.randrange(-1, 2) - gap
            at = max(at, events[-1].sample if events else 0)
        events.append(happening(at, first))
        if events[-1].places == (1,) and machine.events[first].is_gate and gap and rng.randrange(2) == 0:
            # A gate of one sample.
            gates[first] = 0
            events.append(Happening(at + 1, first, (0,)))
        events.append(happening(at + gap, second))
        at += gap
        if rng.randrange(4) == 0:
            at += gap_of(rng)
            events.append(happening(at, rng.randrange(len(machine.events))))
        if rng.randrange(40) == 0:
            at += rng.choice([n for n in WRAPS if n < longest] or [NEAR_SAMPLES]) + rng.randrange(300)
        elif marks and rng.randrange(4) == 0:
            at += max(1, rng.choice(marks) + rng.randrange(-1, 2))
        else:
            at += NEAR_SAMPLES + 1 + (rng.randrange(400) if rng.randrange(4) else rng.randrange(max(1, longest // 8)))
    samples = at + rng.randrange(1, 300)
    streams = tuple(pieces_from(lambda: rng.getrandbits(BITS), shapes, grid, samples, marks) for grid in machine.inputs)
    cuts = (rng.choice((1, 7, 64, 61, 127)), 1 + rng.randrange(300)) if machine.block else (64,)
    return Script(rate, samples, tuple(events), streams, cuts)
