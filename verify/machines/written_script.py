"""Event scripts as a person writes them: a line for each thing that happens, with time, name and values."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

import numpy as np

from verify.errors import UsageError, nearest_words
from verify.grids import Grid
from verify.machines.machine import Machine
from verify.machines.running import LONGEST_KEPT
from verify.machines.script import SHAPES, TURN, Happening, Piece, Script

TIME = re.compile(r"([0-9.eE+-]+)(s|ms)?")
SPECIAL_WORDS = {"nan": -1, "inf": -2, "+inf": -2, "-inf": -3}
SHAPED = tuple(shape for shape in SHAPES if shape != "hold")


@dataclass
class Lines:
    """A written script without its machine yet: (line number, words) of each line that says something."""

    path: Path
    rows: list[tuple[int, list[str]]] = field(default_factory=list)

    @classmethod
    def load(cls, path: Path) -> Lines:
        """Read the file. Errors: UsageError when it cannot be read or says nothing."""
        try:
            text = path.read_text(encoding="utf-8-sig")
        except (OSError, UnicodeDecodeError) as problem:
            raise UsageError("the script cannot be read", where=str(path), why=str(problem),
                             todo="name a text file with one event a line: preflash render --help") from problem
        rows = [(number, line.partition("#")[0].split()) for number, line in enumerate(text.splitlines(), 1)]
        found = cls(path, [(number, words) for number, words in rows if words])
        if not found.rows:
            raise UsageError("the script is empty", where=str(path), why="nothing happens in it",
                             todo="write one event a line; preflash render --help shows the form")
        return found

    def wrong(self, number: int, what: str, why: str, todo: str) -> UsageError:
        """A mistake in one line."""
        return UsageError(what, where=f"{self.path.name}:{number}", why=why, todo=todo)

    def setting(self, name: str) -> tuple[int, list[str]] | None:
        """The line of machine, rate or length, with its words."""
        found = [(number, words) for number, words in self.rows if words[0] == name]
        if not found:
            return None
        number, words = found[-1]
        if len(found) > 1:
            raise self.wrong(number, f"a second line {name!r}", f"the first is line {found[0][0]}", "remove one of the two")
        if len(words) != 2:
            example = {"machine": "machine strike", "rate": "rate 48000", "length": "length 2s"}[name]
            raise self.wrong(number, f"{name} needs one word", f"the line says {' '.join(words)!r}",
                             f"write for example {example}")
        return number, words

    @property
    def machine(self) -> str | None:
        """The machine it names, if any."""
        found = self.setting("machine")
        return found[1][1] if found else None


def script_from_lines(lines: Lines, machine: Machine) -> Script:
    """The exact script. Errors: UsageError with file and line."""
    rate = _rate(lines, machine)
    rate_hz = machine.sample_rates_hz[rate]
    names = [grid.name for grid in machine.inputs]
    events: list[Happening] = []
    streams: dict[str, list[Piece]] = {name: [] for name in names}
    last = 0
    for number, words in lines.rows:
        if words[0] in ("machine", "rate", "length"):
            continue
        if len(words) < 2:
            raise lines.wrong(number, f"{words[0]!r} is not a line of a script", "a line has a time and a name",
                              "write for example 250ms strike")
        sample = _samples(lines, number, words[0], rate_hz)
        kind, name = machine.event_number(words[1]), words[1]
        if kind >= 0:
            grids = machine.events[kind].arguments
            if len(words) - 2 != len(grids):
                wanted = ", ".join(grid.text() for grid in grids) or "no value"
                raise lines.wrong(number, f"{name} takes {len(grids)} values, the line has {len(words) - 2}",
                                  f"it takes: {wanted}",
                                  "write " + " ".join(["TIME", name, *(grid.name.upper() for grid in grids)]))
            events.append(Happening(sample, kind, tuple(
                _place(lines, number, grid, word, machine.hostile) for grid, word in zip(grids, words[2:], strict=True))))
            last = max(last, sample)
        elif name in names:
            piece = _piece(lines, number, machine.inputs[names.index(name)], sample, words[2:], rate_hz, machine.hostile)
            streams[name].append(piece)
            last = max(last, sample + (piece.period if piece.shape == "ramp" else 0))
        else:
            known = [k.name for k in machine.events] + names
            raise lines.wrong(number, f"{machine.name} has no event or input {name!r}",
                              "it has: " + (", ".join(known) or "none"), nearest_words(name, known))
    length = lines.setting("length")
    samples = (_samples(lines, length[0], length[1][1], rate_hz) if length
               else last + max(1, int(machine.longest_seconds * rate_hz)))
    where = length[0] if length else lines.rows[-1][0]
    if not 1 <= samples <= LONGEST_KEPT:
        raise lines.wrong(where, f"a script of {samples} samples", f"1 to {LONGEST_KEPT} can be kept",
                          f"write a length of at most {float(LONGEST_KEPT / rate_hz):.0f}s")
    return Script(rate, samples, tuple(sorted(events, key=lambda e: e.sample)), tuple(
        _pieces(machine.inputs[place], streams[name]) for place, name in enumerate(names))).cut_to(samples)


def _rate(lines: Lines, machine: Machine) -> int:
    found = lines.setting("rate")
    if found is None:
        return 0
    number, words = found
    known = [f"{float(rate):g}" for rate in machine.sample_rates_hz]
    text = words[1].removesuffix("Hz")
    if text not in known:
        raise lines.wrong(number, f"{machine.name} does not run at {words[1]}", f"its sample rates in Hz: {', '.join(known)}",
                          f"write rate {known[0]}, or add the rate to sample_rates_hz of the sheet")
    return known.index(text)


def _samples(lines: Lines, number: int, text: str, rate_hz: Fraction) -> int:
    """A time as the number of a sample, to the nearest one."""
    found, value = TIME.fullmatch(text), None
    if found:
        try:
            value = Fraction(found[1])
        except (ValueError, ZeroDivisionError):
            value = None
    if found is None or value is None or value < 0:
        raise lines.wrong(number, f"{text!r} is not a time", "a line begins with a time, at 0 or later",
                          "write the number of a sample (480), or 10ms, or 0.01s")
    if found[2] is None:
        if value.denominator != 1:
            raise lines.wrong(number, f"{text!r} is no whole number of samples", "a bare number counts samples",
                              f"write {text}s or {text}ms if it is a time")
        return int(value)
    return round(value * rate_hz / (1 if found[2] == "s" else 1000))


def _place(lines: Lines, number: int, grid: Grid, word: str, hostile: bool) -> int:
    """Place of a written value on its grid: the nearest binary32, or exactly a step of anything else."""
    if word.lower() in SPECIAL_WORDS:
        if not hostile or grid.kind != "float32":
            raise lines.wrong(number, f"{grid.name} cannot be {word}", "the sheet does not let NaN and infinities in",
                              "write a number, or hostile=True in the sheet")
        return SPECIAL_WORDS[word.lower()]
    text = word.removesuffix(grid.unit) if grid.unit and word != grid.unit else word
    try:
        value = Fraction(float.fromhex(text)) if "0x" in text.lower() else Fraction(text)
    except (ValueError, ZeroDivisionError, OverflowError) as problem:
        raise lines.wrong(number, f"{word!r} is not a value of {grid.name}", f"a number is needed: {grid.text()}",
                          f"write for example {float(grid.low):g}") from problem
    place = int(grid.nearest_indices(np.array([float(value)]))[0])
    exactly = grid.value(place) == value
    # Beyond a float's ends by its rounding only: 0.1 as it is written, 0.1f in the sheet.
    rounds = grid.kind in ("float32", "list") and math.isclose(float(grid.value(place)), float(value), rel_tol=2.0**-23)
    if not (exactly or rounds or (grid.kind == "float32" and grid.low <= value <= grid.high)):
        inside = grid.low <= value <= grid.high
        raise lines.wrong(number, f"{grid.name} = {word} {'is no step of its grid' if inside else 'is out of range'}",
                          f"the sheet says: {grid.text()}", "write a value that can occur, or change the sheet")
    return place


def _piece(lines: Lines, number: int, grid: Grid, sample: int, words: Sequence[str], rate_hz: Fraction,
           hostile: bool) -> Piece:
    if len(words) == 1 or (len(words) == 2 and words[0] == "hold"):
        return Piece(sample, "hold", _place(lines, number, grid, words[-1], hostile))
    if len(words) != 4 or words[0] not in SHAPED:
        raise lines.wrong(number, f"{grid.name}: {' '.join(words)!r} is no movement",
                          f"an input has a value, or moves: {', '.join(SHAPED)}, two values and how long",
                          f"write for example {grid.name} {float(grid.low):g}, or {grid.name} ramp "
                          f"{float(grid.low):g} {float(grid.high):g} 500ms")
    shape, low, high, pace = words
    a, b = (_place(lines, number, grid, word, hostile) for word in (low, high))
    if shape == "noise":
        if not pace.isdigit() or int(pace) >= 2**63:
            raise lines.wrong(number, f"{pace!r} is no seed", "noise ends with a seed, a whole number", "write for example 7")
        return Piece(sample, shape, a, b, int(pace))
    if shape == "ramp":
        return Piece(sample, shape, a, b, max(1, _samples(lines, number, pace, rate_hz)))
    try:
        hz = Fraction(pace.removesuffix("Hz"))
    except (ValueError, ZeroDivisionError) as problem:
        raise lines.wrong(number, f"{pace!r} is no frequency", f"a {shape} ends with one",
                          "write for example 440Hz") from problem
    if not 0 < hz <= rate_hz / 2:
        raise lines.wrong(number, f"a {shape} of {pace}", f"it must lie above 0 and up to {float(rate_hz / 2):g} Hz",
                          "write for example 440Hz")
    # A square alternates every half period, to the nearest sample.
    period = max(1, round(rate_hz / (2 * hz))) if shape == "square" else max(1, round(hz * TURN / rate_hz))
    return Piece(sample, shape, a, b, period)


def _pieces(grid: Grid, pieces: Sequence[Piece]) -> tuple[Piece, ...]:
    """In order, from sample 0 on: before the first one the input rests at zero, or at its low end."""
    ordered = {piece.start: piece for piece in sorted(pieces, key=lambda p: p.start)}
    if 0 not in ordered:
        rest = grid.index_near(0) if grid.low <= 0 <= grid.high else 0
        ordered = {0: Piece(0, "hold", rest), **ordered}
    return tuple(ordered.values())
