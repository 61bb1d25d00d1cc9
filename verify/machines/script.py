"""Event scripts: what happens to a machine, sample by sample; as data, as text, and as raw bits.

Values are places on the grids of the sheet, so that a script is exact and shrinks to round numbers.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache

import numpy as np

from firmware_shim import script_job
from firmware_shim.engine import NUMPY_TYPES
from reference.kernels import sin_turns
from verify.errors import UsageError
from verify.grids import SMALLEST_SIZE, Grid
from verify.machines.machine import Machine, c_type_of, type_number
from verify.number_formats import bits_from_ordinal, bits_text, counted, decimal_text

# Values that no grid holds: only where the sheet lets them in (hostile=True).
SPECIALS = {-1: float("nan"), -2: float("inf"), -3: float("-inf")}
FEW_STEPS = 64
SHAPES = ("hold", "ramp", "noise", "square", "sine")
# So many held values, which a person can type, are as simple as one stretch of random ones.
HELD_FOR_RANDOM = 4
TURN = 2**32


@dataclass(frozen=True, order=True)
class Happening:
    """One event: at which sample, which kind, and the place of each argument on its grid."""

    sample: int
    kind: int
    places: tuple[int, ...] = ()


@dataclass(frozen=True, order=True)
class Piece:
    """A stretch of an input stream: hold a; ramp a to b in `period` samples; noise between a and b (seed
    `period`); square between a and b with `period` samples each; sine from their middle up, `period` 2**-32 turns per
    sample. a, b are places on the grid."""

    start: int
    shape: str
    a: int
    b: int = 0
    period: int = 1


@dataclass(frozen=True)
class Script:
    """A whole script. rate: number of the sample rate; cuts: block lengths for block routines, in turn; times: how often it
    runs, one time after the other (long runs only)."""

    rate: int
    samples: int
    events: tuple[Happening, ...] = ()
    streams: tuple[tuple[Piece, ...], ...] = ()
    cuts: tuple[int, ...] = (64,)
    times: int = 1

    @property
    def shape(self) -> tuple[object, ...]:
        """What counts before any value in how simple a script is."""
        pieces = tuple(piece for stream in self.streams for piece in stream)
        count = len(self.events) + sum(HELD_FOR_RANDOM if piece.shape == "noise" else 1 for piece in pieces)
        return (count, self.samples, sum(e.sample for e in self.events), self.rate,
                len(self.cuts), tuple(p.shape != "hold" for p in pieces))

    def cut_to(self, samples: int) -> Script:
        """The same, ending earlier."""
        return replace(self, samples=samples, events=tuple(e for e in self.events if e.sample < samples),
                       streams=tuple(tuple(p for p in stream if p.start < samples) for stream in self.streams))

    def is_hostile(self) -> bool:
        """Whether a NaN or infinity goes in."""
        return any(place < 0 for e in self.events for place in e.places) or any(
            p.a < 0 or p.b < 0 for stream in self.streams for p in stream)


def value_of(grid: Grid, place: int) -> Fraction | None:
    """Exact value of one place, None for NaN and infinities."""
    return grid.value(place) if place >= 0 else None


def raw_of(grid: Grid, place: int) -> bytes:
    """Raw bits of one argument."""
    kind = type_number(c_type_of(grid))
    if place < 0:
        return NUMPY_TYPES[kind].type(SPECIALS[place]).tobytes()
    if grid.kind == "float32" and NUMPY_TYPES[kind] == np.float32:
        return bits_from_ordinal(grid.first + place).to_bytes(4, sys.byteorder)
    return grid.raw(np.array([place]), kind)


def stream_places(pieces: tuple[Piece, ...], grid: Grid, samples: int) -> np.ndarray:
    """Places on the grid, one per sample (negative: see SPECIALS)."""
    places = np.zeros(samples, np.int64)
    for number, piece in enumerate(pieces):
        end = pieces[number + 1].start if number + 1 < len(pieces) else samples
        count = min(end, samples) - piece.start
        if count <= 0:
            continue
        at = np.arange(count)
        if piece.shape == "hold" or piece.a < 0 or piece.b < 0:
            part = np.full(count, piece.a)
        elif piece.shape == "ramp":
            share = np.minimum(at / max(1, piece.period), 1.0)
            low, high = grid.doubles(np.array([piece.a, piece.b]))
            part = grid.nearest_indices(low + (high - low) * share)
        elif piece.shape == "square":
            part = np.where(at // max(1, piece.period) % 2 == 0, piece.a, piece.b)
        elif piece.shape == "sine":
            low, high = grid.doubles(np.array([piece.a, piece.b]))
            turns = (at * piece.period % TURN) / TURN
            part = grid.nearest_indices((low + high) / 2 + (high - low) / 2 * sin_turns(turns))
        else:
            part = _noise(grid, min(piece.a, piece.b), max(piece.a, piece.b), piece.period, count)
        places[piece.start : piece.start + count] = part
    return places


def _noise(grid: Grid, low: int, high: int, seed: int, count: int) -> np.ndarray:
    """Random places: each as likely over a few steps, each value as likely over a wide span (and none next to zero)."""
    source = np.random.default_rng(seed)
    if grid.kind != "float32" or high - low < FEW_STEPS:
        return source.integers(low, high + 1, count)
    ends = grid.doubles(np.array([low, high]))
    values = source.uniform(ends[0], ends[1], count)
    values[np.abs(values) < SMALLEST_SIZE] = 0.0
    return np.clip(grid.nearest_indices(values), low, high)


@lru_cache(maxsize=768)
def stream_raw(pieces: tuple[Piece, ...], grid: Grid, samples: int) -> np.ndarray:
    """Raw values of one input stream, in its C type."""
    kind = NUMPY_TYPES[type_number(c_type_of(grid))]
    places = stream_places(pieces, grid, samples)
    raw = np.frombuffer(grid.raw(np.maximum(places, 0), type_number(c_type_of(grid))), kind).copy()
    if kind.kind == "f" and any(p.a < 0 or p.b < 0 for p in pieces):
        for place, value in SPECIALS.items():
            raw[places == place] = value
    return raw


def for_shim(script: Script, machine: Machine) -> script_job.Script:
    """The script as the shim runs it."""
    rate = np.float32(float(machine.sample_rates_hz[script.rate])).tobytes()
    events = tuple((e.sample, e.kind, (*(raw_of(grid, place) for grid, place in zip(kind.arguments, e.places, strict=True)),
                                       *([rate] if kind.takes_rate else [])))
                   for e in script.events for kind in [machine.events[e.kind]])
    streams = tuple(stream_raw(pieces, grid, script.samples).tobytes()
                    for pieces, grid in zip(script.streams, machine.inputs, strict=True))
    return script_job.Script(float(machine.sample_rates_hz[script.rate]), script.samples, events, streams, script.cuts)


def table(script: Script, machine: Machine, most_lines: int = 24) -> list[str]:
    """The script as a small time table."""
    rate = machine.sample_rates_hz[script.rate]
    lines = [f"{counted(script.samples, 'sample')} at {float(rate):g} Hz"
             + (f", {script.times} times one after the other" if script.times > 1 else "")
             + (f", blocks of {', '.join(map(str, script.cuts))}" if machine.block else "")]
    rows: list[tuple[int, str]] = []
    for e in script.events:
        rows.append((e.sample, event_text(e, machine)))
    for grid, pieces in zip(machine.inputs, script.streams, strict=True):
        for p in pieces:
            a, b = shown(grid, p.a), shown(grid, p.b)
            words = {"hold": f"stays at {a}", "ramp": f"goes from {a} to {b} in {counted(p.period, 'sample')}",
                     "noise": f"random between {a} and {b} (seed {p.period})",
                     "square": f"alternates {a}, {b} every {counted(p.period, 'sample')}",
                     "sine": f"a sine between {a} and {b} of {float(p.period * rate / TURN):.9g} Hz"}
            rows.append((p.start, f"{grid.name} {words[p.shape]}"))
    rows.sort(key=lambda row: row[0])
    for sample, text in rows[:most_lines]:
        lines.append(f"{sample:>8}  {float(sample / rate) * 1000:>10.3f} ms  {text}")
    if len(rows) > most_lines:
        lines.append(f"          ... and {len(rows) - most_lines} more")
    return lines


def event_text(happening: Happening, machine: Machine) -> str:
    """One event with its arguments, in their units."""
    kind = machine.events[happening.kind]
    parts = [f"{grid.name} = {shown(grid, place)}" for grid, place in zip(kind.arguments, happening.places, strict=True)]
    same = len(parts) == 1 and kind.arguments[0].name == kind.name
    return parts[0] if same else f"{kind.name}: {', '.join(parts)}" if parts else kind.name


def shown(grid: Grid, place: int) -> str:
    """One value in its unit."""
    if place < 0:
        return {-1: "NaN", -2: "+inf", -3: "-inf"}[place]
    value = grid.value(place)
    text = decimal_text(float(value)) if grid.kind == "float32" else f"{float(value):.12g}"
    return f"{text} {grid.unit}".strip()


def format_script(script: Script, machine: Machine) -> str:
    """One line that reads back to the same bits: RATE/SAMPLES/CUTS; SAMPLE EVENT BITS...; INPUT@SAMPLE SHAPE ... (of a long
    run RATE/SAMPLESxTIMES/CUTS)."""
    samples = f"{script.samples}x{script.times}" if script.times > 1 else str(script.samples)
    parts = [f"{float(machine.sample_rates_hz[script.rate]):g}/{samples}/{','.join(map(str, script.cuts))}"]
    for e in script.events:
        bits = [bits_text(raw_of(g, p)) for g, p in zip(machine.events[e.kind].arguments, e.places, strict=True)]
        parts.append(" ".join([str(e.sample), machine.events[e.kind].name, *bits]))
    for grid, pieces in zip(machine.inputs, script.streams, strict=True):
        for p in pieces:
            ends = [bits_text(raw_of(grid, p.a))]
            ends += [bits_text(raw_of(grid, p.b)), str(p.period)] if p.shape != "hold" else []
            parts.append(" ".join([f"{grid.name}@{p.start}", p.shape, *ends]))
    return "; ".join(parts)


def parse_script(text: str, machine: Machine) -> Script:
    """Inverse of format_script. Errors: UsageError when a part does not fit the machine."""

    def wrong(part: str, why: str) -> UsageError:
        return UsageError("the script cannot be read", where=f"{machine.name}: {part!r}", why=why,
                          todo="copy the whole line that preflash printed, in quotes")

    head, *rest = [part.strip() for part in text.split(";")]
    try:
        rate_text, samples_text, cuts_text = head.split("/")
        rates = [float(f"{float(r):g}") for r in machine.sample_rates_hz]
        rate = rates.index(float(rate_text))
        samples_text, _, times_text = samples_text.partition("x")
        samples, times = int(samples_text), int(times_text or 1)
        cuts = tuple(int(c) for c in cuts_text.split(","))
    except ValueError as problem:
        raise wrong(head, "it must begin with RATE/SAMPLES/BLOCKS, with a sample rate of the sheet") from problem
    events: list[Happening] = []
    streams: dict[str, list[Piece]] = {grid.name: [] for grid in machine.inputs}
    for part in rest:
        words = part.split()
        try:
            if "@" in words[0]:
                name, _, start = words[0].partition("@")
                grid = next(g for g in machine.inputs if g.name == name)
                if words[1] not in SHAPES:
                    raise ValueError(words[1])
                a = place_of(grid, words[2])
                b, period = (place_of(grid, words[3]), int(words[4])) if words[1] != "hold" else (0, 1)
                streams[name].append(Piece(int(start), words[1], a, b, period))
            else:
                number = machine.event_number(words[1])
                kind = machine.events[number] if number >= 0 else None
                if kind is None or len(words) != 2 + len(kind.arguments):
                    raise ValueError(words[1])
                places = tuple(place_of(g, w) for g, w in zip(kind.arguments, words[2:], strict=True))
                events.append(Happening(int(words[0]), number, places))
        except (ValueError, IndexError, StopIteration) as problem:
            raise wrong(part, "no such event or input on the present sheet, or a value off its grid") from problem
    events.sort(key=lambda e: e.sample)
    return Script(rate, samples, tuple(events), tuple(tuple(streams[g.name]) for g in machine.inputs), cuts, times)


def place_of(grid: Grid, bits: str) -> int:
    """Place of raw bits on a grid; negative for NaN and infinities. Errors: ValueError off the grid."""
    kind = NUMPY_TYPES[type_number(c_type_of(grid))]
    raw = bytes.fromhex(bits.removeprefix("0x"))[::-1]
    if len(raw) != kind.itemsize:
        raise ValueError(bits)
    number = np.frombuffer(raw, kind)[0]
    if kind.kind == "f" and not np.isfinite(number):
        return -1 if np.isnan(number) else -2 if number > 0 else -3
    value = Fraction(float(number)) if kind.kind == "f" else int(number) * grid.scale
    near = grid.index_near(value)
    # Two places hold zero: -0 stands beside +0.
    for place in (near, near - 1, near + 1):
        if 0 <= place < grid.count and raw_of(grid, place) == raw:
            return place
    raise ValueError(bits)
