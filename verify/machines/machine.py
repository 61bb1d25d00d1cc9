"""A machine as the sheet describes it: state, init, events, one sample (or block), outputs, claims.

Texts are C: `state` is a pointer to the state object, names of arguments, inputs and outputs are variables, and so is
`sample_rate_hz` in the texts of init and of events.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np

from firmware_shim.engine import TYPE_NUMBERS
from verify.errors import SheetError, nearest_words
from verify.grids import Grid
from verify.units import check_unit

if TYPE_CHECKING:
    from verify.claims.base import Claim

MOST_ARGUMENTS = 4  # of an event, as the engine's struct pf_happening holds them

# C type -> (kind, bytes) as firmware_shim names them.
C_TYPES: dict[str, tuple[str, int]] = {
    "float": ("float", 4), "double": ("float", 8),
    "int8_t": ("int", 1), "int16_t": ("int", 2), "int32_t": ("int", 4), "int64_t": ("int", 8),
    "uint8_t": ("uint", 1), "uint16_t": ("uint", 2), "uint32_t": ("uint", 4), "uint64_t": ("uint", 8),
    "int": ("int", 4), "unsigned": ("uint", 4), "short": ("int", 2), "bool": ("uint", 1), "_Bool": ("uint", 1),
}
_FITTING = ("int32_t", "uint32_t", "int64_t")


def type_number(c_type: str) -> int:
    """The engine's number of a C type of the table."""
    return TYPE_NUMBERS[C_TYPES[c_type]]


def c_type_of(grid: Grid) -> str:
    """C type of the variable that carries a grid's values: float, or the smallest common integer type that holds them."""
    if grid.kind == "float32" or (grid.kind == "list" and any((v / grid.scale).denominator != 1 for v in grid.values)):
        return "float"
    low, high = grid.low / grid.scale, grid.high / grid.scale
    for name in _FITTING:
        bits = 8 * C_TYPES[name][1]
        bottom, top = (0, 2**bits - 1) if name.startswith("u") else (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1)
        if bottom <= low and high <= top:
            return name
    return "uint64_t"


@dataclass(frozen=True)
class EventKind:
    """Something that can happen between two samples: a gate, a knob, a note."""

    name: str
    text: str
    arguments: tuple[Grid, ...] = ()

    @property
    def is_gate(self) -> bool:
        """Whether its one argument is on or off."""
        return len(self.arguments) == 1 and self.arguments[0].count == 2 and self.arguments[0].low == 0

    @property
    def takes_rate(self) -> bool:
        """Whether its text uses the sample rate, which is handed over behind its arguments."""
        return "sample_rate_hz" in re.findall(r"\w+", self.text) and all(g.name != "sample_rate_hz" for g in self.arguments)

    @property
    def types(self) -> tuple[str, ...]:
        """C types of its arguments."""
        return tuple(c_type_of(grid) for grid in self.arguments)


@dataclass(frozen=True)
class Signal:
    """One output per sample, with unit, C type and, for integers, fraction bits."""

    name: str
    unit: str
    ctype: str = "float"
    fraction_bits: int = 0

    @property
    def scale(self) -> Fraction:
        """Value of one raw step."""
        return Fraction(1, 2**self.fraction_bits)

    @property
    def type_number(self) -> int:
        """The engine's number of its C type."""
        return type_number(self.ctype)

    @property
    def is_float(self) -> bool:
        """Whether it is float or double."""
        return C_TYPES[self.ctype][0] == "float"


def event(name: str, text: str, *arguments: Grid) -> EventKind:
    """An event of a machine: event("gate", "strike_gate(state, gate)", integers("gate", 0, 1, ""))."""
    where = f"event({name!r}, ...)"
    if not isinstance(name, str) or not name.isidentifier():
        raise SheetError(f"event: {name!r} is not a name", where=where, why="scripts and messages use it",
                         todo='write for example event("gate", "strike_gate(state, gate)", integers("gate", 0, 1, ""))')
    if not isinstance(text, str) or not text.strip():
        raise SheetError(f"event {name!r} calls nothing", where=where, why="its C text is empty",
                         todo='write the call, for example "strike_gate(state, gate)"')
    for grid in arguments:
        if not isinstance(grid, Grid):
            raise SheetError(f"event {name!r}: {grid!r} is not an input", where=where,
                             why="arguments have name, range and unit",
                             todo='write for example binary32("attack", 0, 10, "s")')
    found = EventKind(name, text.strip(), tuple(arguments))
    if len(arguments) + found.takes_rate > MOST_ARGUMENTS:
        beside = " beside sample_rate_hz" if found.takes_rate else ""
        raise SheetError(f"event {name!r} has {len(arguments)} arguments{beside}", where=where,
                         why=f"an event hands over {MOST_ARGUMENTS} values at most",
                         todo="split it into two events, or write constants into its C text")
    return found


def signal(name: str, unit: str, *, ctype: str = "float", fraction_bits: int = 0) -> Signal:
    """An output of a machine. ctype: float, double, int16_t, ...; fraction_bits for fixed point (Q15: 15)."""
    where = f"signal({name!r}, ...)"
    check_unit(unit, where)
    if ctype not in C_TYPES:
        raise SheetError(f"signal {name!r}: unknown C type {ctype!r}", where=where, why="its values could not be read",
                         todo=nearest_words(str(ctype), C_TYPES))
    if not isinstance(fraction_bits, int) or not 0 <= fraction_bits <= 62 or (
            fraction_bits and C_TYPES[ctype][0] == "float"):
        raise SheetError(f"signal {name!r}: fraction_bits={fraction_bits!r} does not fit {ctype}", where=where,
                         why="fixed point is an integer type with 0 to 62 fraction bits", todo='write for example '
                         'ctype="int16_t", fraction_bits=15')
    return Signal(name, unit, ctype, fraction_bits)


@dataclass(frozen=True, eq=False)
class Machine:
    """One machine of the sheet. output: unit and scale of the first output, for claims made for functions."""

    name: str
    state: str | None
    init: str
    destroy: str
    events: tuple[EventKind, ...]
    inputs: tuple[Grid, ...]
    step: str
    block: str
    outputs: tuple[Signal, ...]
    sample_rates_hz: tuple[Fraction, ...]
    claims: tuple[Claim, ...] = ()
    reference: Any = None
    constants: Mapping[str, Any] = field(default_factory=dict)
    family: str = ""
    # Reference ("" is the only one) -> outputs that it takes as streams, as the firmware made them.
    follows: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    without: Mapping[str, str] = field(default_factory=dict)
    place: str = ""
    call_limit_seconds: float = 1.0
    flush_to_zero: bool = False
    hostile: bool = False
    longest_seconds: Fraction = Fraction(2)
    interleaved: Mapping[str, Sequence[str]] = field(default_factory=dict)
    pointers: Mapping[str, Sequence[str]] = field(default_factory=dict)
    scripts: int | None = None
    peripherals: tuple[tuple[int, int], ...] = ()

    @property
    def output(self) -> Signal:
        """The first output."""
        return self.outputs[0]

    def event_number(self, name: str) -> int:
        """Place of an event by name, -1 when there is none."""
        return next((i for i, kind in enumerate(self.events) if kind.name == name), -1)

    def signal_named(self, name: str) -> Signal:
        """An output by name; the first one for an empty name."""
        return next((s for s in self.outputs if s.name == name), self.outputs[0])


def as_doubles(raw: np.ndarray, of: Signal) -> np.ndarray:
    """Raw outputs in the signal's unit (exact up to 53 bits)."""
    values = raw.astype(np.float64)
    return values * float(of.scale) if of.scale != 1 else values
