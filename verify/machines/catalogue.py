"""Scripts that every hunt tries before generated ones: the plain cases, each end of each range, and the known hurts."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from verify.constants import rational_constants
from verify.machines.drives import resting
from verify.machines.generation import marked_places
from verify.machines.machine import Machine
from verify.machines.references import parts_of
from verify.machines.script import Happening, Piece, Script

QUIET_SECONDS = 30
PART_SAMPLES = 8192
GATE_LENGTHS = (1, 2, 63, 64, 65, 1000)
HELD_SAMPLES = 400
BEYOND_16_BITS = (1 << 16) + 400


def catalogue(machine: Machine) -> list[Script]:
    """Each script once, in a fixed order."""
    return list(dict.fromkeys(_all(machine)))


def gates_and_triggers(machine: Machine) -> tuple[list[int], list[int]]:
    """Numbers of the events that carry a gate, and of those that carry nothing."""
    return ([n for n, kind in enumerate(machine.events) if kind.is_gate],
            [n for n, kind in enumerate(machine.events) if not kind.arguments])


def settings_at(machine: Machine, place: str) -> tuple[Happening, ...]:
    """Every knob at the low end, middle, round value or high end of its range, at sample 0."""
    found = []
    for number, kind in enumerate(machine.events):
        if kind.arguments and not kind.is_gate:
            chosen = []
            for grid in kind.arguments:
                round_one = next((p for p in marked_places(grid) if grid.value(p) not in (0, grid.low, grid.high)), 0)
                where = {"low": 0, "high": grid.count - 1, "round": round_one,
                         "middle": grid.index_near((grid.low + grid.high) / 2)}
                chosen.append(where[place])
            found.append(Happening(0, number, tuple(chosen)))
    return tuple(found)


def _streams(machine: Machine, samples: int, change: int) -> list[tuple[tuple[Piece, ...], ...]]:
    """Steps up and down, ends held, noise of one step in the middle, for all inputs at once."""
    if not machine.inputs:
        return [()]
    found = []
    for shape in ("low", "high", "step up", "step down", "dither", "noise", "ramp"):
        row = []
        for grid in machine.inputs:
            top, middle = grid.count - 1, grid.index_near((grid.low + grid.high) / 2)
            row.append({
                "low": (Piece(0, "hold", 0),),
                "high": (Piece(0, "hold", top),),
                "step up": (Piece(0, "hold", 0), Piece(change, "hold", top)),
                "step down": (Piece(0, "hold", top), Piece(change, "hold", 0)),
                "dither": (Piece(0, "noise", max(0, middle - 1), min(top, middle + 1), 1),),
                "noise": (Piece(0, "noise", 0, top, 2),),
                "ramp": (Piece(0, "ramp", 0, top, max(1, samples // 2)),),
            }[shape])
        found.append(tuple(row))
    return found


def _all(machine: Machine) -> Iterator[Script]:
    gates, triggers = gates_and_triggers(machine)
    for rate, rate_hz in enumerate(machine.sample_rates_hz):
        longest = max(2048, int(machine.longest_seconds * rate_hz))
        for place in ("round", "middle", "low", "high"):
            begin = settings_at(machine, place)
            # Whole length for round values, where a person would look; a part of it for the others.
            samples = longest if place == "round" else min(longest, PART_SAMPLES)
            for streams in _streams(machine, samples, 100):
                yield Script(rate, samples, begin, streams)
            first = _streams(machine, samples, 100)[0]
            for number in gates:
                for length in (*GATE_LENGTHS, samples // 2):
                    gate = (Happening(10, number, (1,)), Happening(10 + length, number, (0,)))
                    yield Script(rate, samples, begin + gate, first)
                for gap in (0, 1, 5, 64, 500):
                    again = tuple(Happening(10 + k * (gap + 1), number, (1 - k % 2,)) for k in range(6))
                    yield Script(rate, samples, begin + again, first)
            for number in triggers:
                yield Script(rate, samples, (*begin, Happening(10, number)), first)
                for gap in (0, 1, 5, 64, 500):
                    yield Script(rate, samples, begin + tuple(Happening(10 + k * gap, number) for k in range(4)), first)
            if place in ("round", "middle"):
                for number, kind in enumerate(machine.events):
                    for position, grid in enumerate(kind.arguments):
                        for chosen in marked_places(grid):
                            middle = [g.index_near((g.low + g.high) / 2) for g in kind.arguments]
                            middle[position] = chosen
                            change = Happening(200, number, tuple(middle))
                            starts = tuple(Happening(10, n, (1,)) for n in gates) + tuple(Happening(10, n) for n in triggers)
                            yield Script(rate, min(samples, 4096), begin + starts + (change,), first)
        for samples, streams in _at_constants(machine):
            yield Script(rate, samples, settings_at(machine, "round"), streams)


def _at_constants(machine: Machine) -> Iterator[tuple[int, tuple[tuple[Piece, ...], ...]]]:
    """An input at each constant of the reference that lies in its range, and one step beside, from below and from above:
    a comparison of the C with a level decides there."""
    given = {value for _, _, constants in parts_of(machine) for value in rational_constants(constants)}
    for number, grid in enumerate(machine.inputs):
        top = grid.count - 1
        for level in sorted(value for value in given if grid.low < value < grid.high):
            at = grid.index_near(level)
            near = [max(0, at - 1), at, min(top, at + 1)]
            places = [place for one in near for place in (0, one)] + [place for one in reversed(near) for place in (top, one)]
            moving = tuple(Piece(HELD_SAMPLES * k, "hold", place) for k, place in enumerate((*places, top)))
            rest = [(Piece(0, "hold", other.index_near((other.low + other.high) / 2)),) for other in machine.inputs]
            yield HELD_SAMPLES * len(moving), (*rest[:number], moving, *rest[number + 1 :])


def counted_long(machine: Machine) -> list[Script]:
    """What a counter of 16 bits cannot count: all used again after more samples, where there are events or an output is a
    whole number, and inputs of two values that go on and off more often. Too long to be run in variants."""
    gates, triggers = gates_and_triggers(machine)
    begin = settings_at(machine, "middle")
    rest = tuple((Piece(0, "hold", 0),) for _ in machine.inputs)
    at = [10, 10 + BEYOND_16_BITS, 10 + 2 * BEYOND_16_BITS + BEYOND_16_BITS // 2]
    use = tuple(Happening(start + after, n, value) for start in at for after, kinds, value in (
        (0, gates, (1,)), (0, triggers, ()), (1900, gates, (0,))) for n in kinds)
    moves = tuple((Piece(0, "hold", 0), *(Piece(start + after, "hold", place) for start in at for after, place in (
        (0, grid.count - 1), (1900, 0)))) for grid in machine.inputs)
    counts = any(not output.is_float and not output.fraction_bits for output in machine.outputs)
    found = [Script(0, at[-1] + 4000, begin + use, moves)] if use or (moves and counts) else []
    for number, grid in enumerate(machine.inputs):
        if grid.count == 2:
            streams = (*rest[:number], (Piece(0, "square", 0, 1, 1),), *rest[number + 1 :])
            found.append(Script(0, 2 * BEYOND_16_BITS, begin, streams))
    return found


def quiet(machine: Machine) -> list[Script]:
    """A long silence after everything was used: tails, subnormals, counters. Too long to be run in variants."""
    gates, triggers = gates_and_triggers(machine)
    samples = int(QUIET_SECONDS * machine.sample_rates_hz[0])
    use = tuple(Happening(10, n, (1,)) for n in gates) + tuple(Happening(10, n) for n in triggers)
    use += tuple(Happening(2000, n, (0,)) for n in gates)
    # Silence is where an input rests: the low end of one that goes both ways is as loud as can be.
    streams = tuple((Piece(0, "hold", grid.count - 1), replace(resting(grid), start=2000)) for grid in machine.inputs)
    return [Script(0, samples, settings_at(machine, "middle") + use, streams)]
