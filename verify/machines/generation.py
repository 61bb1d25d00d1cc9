"""Event scripts with the shapes that hurt, from the numbers that drawing.py draws.

Short lists of (when, what, value): gates of one sample, shorter and longer than a block, retriggers close together,
simultaneous events, block edges, changes in mid-segment, ends of ranges, bursts, long silence, and (where the sheet
lets them in) NaN and infinities.
"""

from __future__ import annotations

import functools
import itertools
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path

import numpy as np

from reference.errors import NotRational, NumberRefused
from reference.rationals import RationalContext
from verify.grids import Grid
from verify.machines.drawing import BITS, EXAMPLES, MOST_PIECES, Numbers, round_of
from verify.machines.machine import Machine
from verify.machines.references import parts_of
from verify.machines.script import Happening, Piece, Script

BLOCK_EDGES = (16, 32, 48, 64, 128, 256, 512)
# Where counters of 8 and 16 bits come to their ends.
WRAPS = (256, 1 << 15, 1 << 16)
PRIMES = (1, 3, 7, 61, 127, 1009)
ROUND = (0, 1, -1, Fraction(1, 2), 2, 5, 10, Fraction(1, 10), Fraction(1, 100), Fraction(1, 1000), 100, 1000)


@functools.lru_cache(maxsize=256)
def marked_places(grid: Grid) -> tuple[int, ...]:
    """Places worth trying: ends, their neighbours, round values, the middle."""
    found = [0, grid.count - 1, 1, grid.count - 2, grid.count // 2]
    found += [grid.index_near(value) for value in ROUND if grid.low <= value <= grid.high]
    low, high = grid.low, grid.high
    found += [grid.index_near(low + (high - low) * share / 8) for share in range(1, 8)]
    return tuple(place for place in dict.fromkeys(found) if 0 <= place < grid.count)


BATCH = 256
MOST_RUNS = 12
RELATED = 4
# After the scripts of each example, so many of close pairs.
PAIRS_EACH = 12


@dataclass
class Shapes:
    """How a number drawn by Hypothesis becomes a gap, a place on a grid, a shape; prepared once per machine."""

    machine: Machine
    hostile: bool
    marked: dict[Grid, tuple[int, ...]] = field(default_factory=dict)
    known_landmarks: dict[int, tuple[int, ...]] = field(default_factory=dict)

    def place(self, grid: Grid, number: int) -> int:
        """A place on the grid: marked, even in value, or any; -1 to -3 are NaN and infinities."""
        if grid not in self.marked:
            self.marked[grid] = marked_places(grid)
        listed = self.marked[grid]
        kind, rest = number & 7, number >> 3
        if kind == 7 and self.hostile and grid.kind == "float32":
            return -1 - rest % 3
        if kind < 4:
            return listed[rest % len(listed)]
        share = (rest & 0xFFFFF) / 0xFFFFF
        if kind < 6:
            value = float(grid.low) + (float(grid.high) - float(grid.low)) * share
            return int(grid.nearest_indices(np.array([value]))[0])
        return min(grid.count - 1, int(grid.count * share))

    def landmarks(self, rate: int) -> tuple[int, ...]:
        """Lengths in samples that the reference's constants name at a sample rate: what is counted fails at its end."""
        if rate not in self.known_landmarks:
            rate_hz = self.machine.sample_rates_hz[rate]
            found = [lasts(name, value, rate_hz) for _, _, given in parts_of(self.machine) for name, value in given.items()]
            longest = int(self.machine.longest_seconds * rate_hz)
            self.known_landmarks[rate] = tuple(dict.fromkeys(n for n in found if 1 < n <= longest))
        return self.known_landmarks[rate]

    def gap(self, number: int, longest: int, marks: tuple[int, ...] = ()) -> int:
        """Samples between one event and the next; marks: lengths with a meaning."""
        kind, rest = number & 7, number >> 3
        if kind == 0:
            return rest % 5
        if kind < 4:
            return rest % 65
        if kind == 4 and marks and rest & 1:
            return min(longest, marks[(rest >> 1) % len(marks)] + (rest >> 6) % 3 - 1)
        if kind == 4:
            return BLOCK_EDGES[rest % len(BLOCK_EDGES)] + rest // 16 % 3 - 1
        if kind == 7 and rest & 7 == 0:
            fitting = [n for n in WRAPS if n < 4 * longest]
            return fitting[(rest >> 3) % len(fitting)] + (rest >> 6) % 300 - 2 if fitting else longest
        if kind < 7:
            return 64 + rest % (2000 if rest % 4 == 0 else 300)
        return int(longest * ((rest & 0xFFF) / 0xFFF) ** 4)


def lasts(name: str, value: object, rate_hz: Fraction) -> int:
    """Samples that a constant of a reference lasts: a number of samples by its name, else seconds; 0 for what is none."""
    try:
        number = RationalContext().number(value)
    except (NumberRefused, NotRational):
        return 0
    return int(number if name.endswith("samples") or name == "by" else number * rate_hz)


def stirred(number: int, k: int) -> int:
    """Another number of the same size, for k > 0 (a multiplication by an odd number, which loses nothing)."""
    return (number * (2 * 0x9E3779B97F4A7 * k + 1) + 0x5DEECE66D * k) % 2 ** (3 * BITS)


def choices(number: int) -> list[int]:
    """The three choices in a drawn number."""
    return [number >> shift & ((1 << BITS) - 1) for shift in (0, BITS, 2 * BITS)]


def script_from(head: int, happenings: list[int], moves: list[int], shapes: Shapes) -> Script:
    """One script from what Hypothesis drew: settings, a short list of events, a short list of input pieces."""
    machine = shapes.machine
    listed = iter([choice for number in (head, *happenings, *moves) for choice in choices(number)])
    more = random.Random(head)

    def draw() -> int:
        return next(listed, None) or more.getrandbits(BITS)

    rate = draw() % len(machine.sample_rates_hz)
    longest = max(64, int(machine.longest_seconds * machine.sample_rates_hz[rate]))
    marks = shapes.landmarks(rate)
    events: list[Happening] = []
    gates: dict[int, int] = {}

    def happening(sample: int, number: int) -> Happening:
        kind = machine.events[number]
        if kind.is_gate and draw() % 8:
            gates[number] = 1 - gates.get(number, 0)
            return Happening(sample, number, (gates[number],))
        return Happening(sample, number, tuple(shapes.place(grid, draw()) for grid in kind.arguments))

    at = 0
    if machine.events:
        for number, kind in enumerate(machine.events):
            # Most scripts set every knob first, as a start-up does.
            if kind.arguments and not kind.is_gate and draw() % 6:
                events.append(happening(0, number))
        for _ in range(max(1, len(happenings))):
            at += shapes.gap(draw(), longest // 4, marks)
            events.append(happening(at, draw() % len(machine.events)))
    tail = 1 + draw() % longest if draw() % 8 == 0 else shapes.gap(draw(), longest)
    samples = max(1, min(at + tail + 1, 4 * longest))
    events = [e for e in events if e.sample < samples]
    streams = tuple(pieces_from(draw, shapes, grid, samples, marks) for grid in machine.inputs)
    cuts: tuple[int, ...] = (64,)
    if machine.block:
        cuts = tuple(PRIMES[draw() % len(PRIMES)] if draw() % 2 else 1 + draw() % 300 for _ in range(1 + draw() % 3))
    return Script(rate, samples, tuple(sorted(events, key=lambda e: e.sample)), streams, cuts)


def pieces_from(draw: Callable[[], int], shapes: Shapes, grid: Grid, samples: int,
                marks: tuple[int, ...] = ()) -> tuple[Piece, ...]:
    """An input stream of a few pieces; the first begins at sample 0."""
    if grid.count == 2 and draw() % 2:
        return gate_from(draw, samples, marks)
    found = []
    at = 0
    for _ in range(1 + draw() % MOST_PIECES):
        shape = ("hold", "hold", "ramp", "noise", "square", "dither")[draw() % 6]
        a = shapes.place(grid, draw())
        if shape == "dither" and a >= 0:
            # A few steps to either side of one value: what converter noise does at a threshold.
            width = 1 + draw() % 3
            found.append(Piece(at, "noise", max(0, a - width), min(grid.count - 1, a + width), draw() % 1000))
        elif shape in ("hold", "dither"):
            found.append(Piece(at, "hold", a))
        else:
            b = shapes.place(grid, draw())
            short = 1 + draw() % 4 if draw() % 2 else 1 + draw() % 3000
            found.append(Piece(at, shape, a, b, short) if a >= 0 and b >= 0 else Piece(at, "hold", min(a, b)))
        number = draw()
        if marks and number & 6 == 6:
            at += max(1, marks[(number >> 3) % len(marks)] + (number >> 8) % 3 - 1)
        else:
            at += 1 + draw() % 64 if number % 2 else 1 + draw() % 4000
        if at >= samples:
            break
    return tuple(found)


def gate_from(draw: Callable[[], int], samples: int, marks: tuple[int, ...]) -> tuple[Piece, ...]:
    """A gate that goes on and off by turns, for lengths of all sorts, among them those with a meaning and next to them."""
    at, on = 0, draw() % 2
    found = []
    for _ in range(2 + draw() % 9):
        found.append(Piece(at, "hold", on))
        on = 1 - on
        kind, number = draw() % 4, draw()
        if kind == 0 and marks:
            at += max(1, marks[number % len(marks)] + (number >> 8) % 3 - 1)
        else:
            at += 1 + number % (8 if kind == 1 else 64 if kind == 2 else 3000)
        if at >= samples:
            break
    return tuple(found)


def closer(script: Script) -> Script:
    """The same events within 64 samples of each other: what hurts is often two of them close together."""
    at, before, events = 0, 0, []
    for e in script.events:
        at += (e.sample - before) % 61
        before = e.sample
        events.append(replace(e, sample=at))
    return replace(script, events=tuple(events), samples=max(at + 1, script.samples - before + at))


def together(script: Script) -> Script:
    """Every gap of less than a block becomes none, or one sample."""
    at, before, events = 0, 0, []
    for number, e in enumerate(script.events):
        gap = e.sample - before
        at += number % 2 if gap < 64 else gap
        before = e.sample
        events.append(replace(e, sample=at))
    return replace(script, events=tuple(events), samples=max(at + 1, script.samples - before + at))


def turned(script: Script) -> Script:
    """The events in another order: the second half first, at the same moments."""
    middle = len(script.events) // 2
    order = script.events[middle:] + script.events[:middle]
    events = tuple(replace(e, sample=moment.sample) for e, moment in zip(order, script.events, strict=True))
    return replace(script, events=events)


# Each example of Hypothesis is tried in these forms: drawing one costs more than running four.
DERIVED: tuple[Callable[[Script], Script], ...] = (lambda script: script, closer, together, turned)


def drawn(machine: Machine, count: int, seed: int) -> Iterator[list[Script]]:
    """Scripts in batches, until the count is reached; the same seed gives the same scripts."""
    shapes = [Shapes(machine, hostile=False)] + ([Shapes(machine, hostile=True)] if machine.hostile else [])
    forms = DERIVED if machine.events else DERIVED[:1]
    known: dict[Script, None] = {}
    fresh: list[Script] = []
    from verify.machines.close_events import pairs  # it stands on what is here

    close = pairs(shapes, seed)
    # Rounds whose scripts are known already end at last, where a machine has only a few.
    for number in range(MOST_RUNS + count // EXAMPLES):
        for place, numbers in enumerate(round_of(seed * 1_000_003 + number, folder())):
            scripts = [derive(script) for script in related(numbers, shapes, place) for derive in forms]
            for script in (*scripts, *itertools.islice(close, PAIRS_EACH)):
                if script not in known and len(known) < count:
                    known[script] = None
                    fresh.append(script)
            if len(fresh) >= BATCH or len(known) >= count:
                yield fresh
                fresh = []
            if len(known) >= count:
                return
    if fresh:
        yield fresh


def related(numbers: Numbers, shapes: list[Shapes], place: int) -> Iterator[Script]:
    """Scripts of the same structure with other numbers: drawing an example costs more than running several."""
    head, happenings, moves = numbers
    for k in range(RELATED):
        parts = [[stirred(n, k) for n in row] for row in ((head,), happenings, moves)]
        yield script_from(parts[0][0], parts[1], parts[2], shapes[(place * RELATED + k) % len(shapes)])


def folder() -> Path:
    """Where drawn numbers are kept."""
    from verify.binding import cache_folder

    return cache_folder() / "evidence"
