"""Scripts that a claim asks for: every end of every setting, sines, full-scale drives followed by silence."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction
from itertools import product

from verify.grids import Grid
from verify.machines.machine import Machine
from verify.machines.script import TURN, Happening, Piece

MOST_SETTINGS = 24


def ends_and_middle(grid: Grid) -> list[int]:
    """Lowest, middle and highest place; of what is spread over octaves also the middle in octaves."""
    low, high = grid.low, grid.high
    found = [0, grid.count - 1, grid.index_near((low + high) / 2)]
    if low > 0 and high / low > 8:
        found.append(grid.index_near(Fraction((float(low) * float(high)) ** 0.5)))
    return [place for place in dict.fromkeys(found) if 0 <= place < grid.count]


def settings(machine: Machine, most: int = MOST_SETTINGS) -> list[tuple[Happening, ...]]:
    """Knobs (every event with arguments but gates) at sample 0: all combinations of ends and middle, or, where these are
    more than `most`, all ends, then each knob alone; () where there is no knob. The settings of init come first."""
    knobs = [(number, kind.arguments) for number, kind in enumerate(machine.events) if kind.arguments and not kind.is_gate]
    grids = [grid for _, arguments in knobs for grid in arguments]
    if not grids:
        return [()]
    listed = [ends_and_middle(grid) for grid in grids]
    rows: list[Sequence[int]] = list(product(*listed))
    if len(rows) > most:
        middle = [places[min(2, len(places) - 1)] for places in listed]
        ends = [(places[0], places[1 % len(places)]) for places in listed]
        alone = [(*middle[:k], place, *middle[k + 1 :]) for k, places in enumerate(listed) for place in places]
        rows = [middle, *list(product(*ends))[: most // 2], *alone][:most]
    found: list[tuple[Happening, ...]] = [()]
    for row in rows:
        at, happenings = iter(row), []
        for number, arguments in knobs:
            happenings.append(Happening(0, number, tuple(next(at) for _ in arguments)))
        found.append(tuple(happenings))
    return list(dict.fromkeys(found))


def zero_place(grid: Grid) -> int:
    """The place that holds 0, -1 when the grid has none."""
    place = grid.index_near(0)
    return place if grid.value(place) == 0 else -1


def resting(grid: Grid) -> Piece:
    """An input at 0, or at its middle where it has no 0."""
    place = zero_place(grid)
    return Piece(0, "hold", place if place >= 0 else grid.index_near((grid.low + grid.high) / 2))


def setting_inputs(machine: Machine, of: str) -> list[int]:
    """Inputs that are settings, such as a cutoff of every sample: of another unit than the output's, which an input has."""
    unit = machine.signal_named(of).unit
    others = [number for number, grid in enumerate(machine.inputs) if grid.unit != unit]
    return others if len(others) < len(machine.inputs) else []


def driven_input(machine: Machine, of: str) -> int:
    """The first input that is no setting."""
    settings_fed = setting_inputs(machine, of)
    return next((number for number in range(len(machine.inputs)) if number not in settings_fed), 0)


def held_settings(machine: Machine, of: str, most: int = 6) -> list[dict[int, Piece]]:
    """Each of these at its ends and middle, by number; the middle, then all else in turns. [{}] where there is none."""
    numbers = setting_inputs(machine, of)
    rows = list(product(*(ends_and_middle(machine.inputs[number])[::-1] for number in numbers)))
    return [{number: Piece(0, "hold", place) for number, place in zip(numbers, row, strict=True)} for row in rows[:most]]


def moving_settings(machine: Machine, of: str) -> list[dict[int, Piece]]:
    """Each of these between its ends: with every sample, every 16 and every 300 samples, at random."""
    found = []
    for shape, period in (("square", 1), ("square", 16), ("square", 300), ("noise", 1), ("noise", 2)):
        found.append({number: Piece(0, shape, machine.inputs[number].count - 1, 0, period)
                      for number in setting_inputs(machine, of)})
    return found if found[0] else []


def span_of(grid: Grid, share: Fraction) -> tuple[Fraction, Fraction]:
    """(middle, reach to either side) of a sine over a share of the range."""
    middle = Fraction(0) if grid.low < 0 < grid.high else (grid.low + grid.high) / 2
    return middle, min(middle - grid.low, grid.high - middle) * share


def sine(grid: Grid, start: int, hz: Fraction, rate_hz: Fraction, share: Fraction) -> Piece:
    """A sine about the middle of the range (about 0 where the range holds both signs), over a share of it."""
    middle, reach = span_of(grid, share)
    step = round(hz / rate_hz * TURN)
    return Piece(start, "sine", grid.index_near(middle - reach), grid.index_near(middle + reach), step)


def true_hz(piece: Piece, rate_hz: Fraction) -> Fraction:
    """Frequency of a sine piece, exactly."""
    return piece.period * rate_hz / TURN


def full_drives(grid: Grid, rate_hz: Fraction) -> Iterator[tuple[Piece, int]]:
    """Full-scale drives and how long each lasts: held ends, squares and sines of many periods, noise of many lengths."""
    top = grid.count - 1
    yield Piece(0, "hold", top), 1500
    yield Piece(0, "hold", 0), 1501
    for half in (1, 2, 3, 5, 9, 24, 100, 480):
        yield Piece(0, "square", top, 0, half), 1000 + half
    for share in (400, 90, 31, 9, 4, 3):
        yield sine(grid, 0, rate_hz / share, rate_hz, Fraction(1)), 1600 + share
    for seed, length in enumerate((1, 2, 3, 7, 33, 200, 1003, 1500)):
        yield Piece(0, "noise", 0, top, seed), length


def modulations(machine: Machine, gap: int, count: int, seed: int) -> tuple[Happening, ...]:
    """Every knob jumps between its ends and middle, one event every `gap` samples, in a fixed disorder."""
    knobs = [number for number, kind in enumerate(machine.events) if kind.arguments and not kind.is_gate]
    listed = {grid: ends_and_middle(grid) for number in knobs for grid in machine.events[number].arguments}
    found, state = [], seed
    for step in range(count if knobs else 0):
        state = (state * 1103515245 + 12345) % 2**31
        number = knobs[state // 65536 % len(knobs)]
        places = []
        for grid in machine.events[number].arguments:
            state = (state * 1103515245 + 12345) % 2**31
            places.append(listed[grid][state // 65536 % len(listed[grid])])
        found.append(Happening(step * gap, number, tuple(places)))
    return tuple(found)
