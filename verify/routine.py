"""A routine as the sheet describes it, and the same bound to one build of the C."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from verify.domain import Domain
from verify.grids import Grid

if TYPE_CHECKING:
    from verify.claims.base import Claim
    from verify.machines.machine import Machine
    from verify.paths.outside import Outside

Reference = Callable[..., Any]


@dataclass(frozen=True)
class Output:
    """What the routine returns: unit, and for fixed point the number of fraction bits."""

    unit: str
    fraction_bits: int = 0

    @property
    def scale(self) -> Fraction:
        """Value of one raw step, for integer results."""
        return Fraction(1, 2**self.fraction_bits)


@dataclass(frozen=True)
class Call:
    """The C text with which a routine is called. input_types: C types of the inputs, in order."""

    text: str
    local: str
    input_types: tuple[str, ...]
    output_type: str
    globals: tuple[str, ...] = ()


@dataclass(frozen=True)
class Voice:
    """The machine at the end of a path. event: the one that carries the value, whose unit is hz_per_unit Hz; before: events
    done first; measured_cents: own error allowed to the measurement of its signal."""

    machine: Machine
    event: int
    before: tuple[tuple[int, tuple[bytes, ...]], ...]
    measured: int
    rate_hz: Fraction
    hz_per_unit: Fraction
    skip: int
    measured_cents: Fraction


@dataclass(frozen=True)
class Stages:
    """What a path is made of: routines of the sheet in order, and a machine behind them. composed:
    whether the path's reference is made of the stages' own; outside: what acts before the firmware."""

    routines: tuple[Routine, ...]
    voice: Voice | None = None
    composed: bool = True
    outside: tuple[Outside, ...] = ()

    def names(self) -> list[str]:
        """Names of the stages."""
        return [routine.name for routine in self.routines] + ([self.voice.machine.name] if self.voice else [])


@dataclass(frozen=True)
class Routine:
    """One function of the sheet; with a call, name is that of the entry; with stages, it is a path."""

    name: str
    family: str
    inputs: tuple[Grid, ...]
    output: Output
    claims: tuple[Claim, ...]
    reference: Reference | None = None
    constants: Mapping[str, Any] = field(default_factory=dict)
    joints: tuple[Fraction, ...] = ()
    without: Mapping[str, str] = field(default_factory=dict)
    place: str = ""
    call_limit_seconds: float = 1.0
    flush_to_zero: bool = False
    call: Call | None = None
    stages: Stages | None = None


@dataclass(frozen=True)
class Board:
    """What a bound routine of the board build stands on; rebuilt gives it again with one more compiler flag."""

    core: str
    sample_rate_hz: float
    clock_hz: float | None = None
    default_nan: bool = False
    rebuilt: Callable[[str], Bound | None] = field(default=lambda flag: None, compare=False, repr=False)
    c_library: str = ""


@dataclass(frozen=True)
class Bound:
    """A routine bound to one build: domain with C types, loops, screen, facts from debug information."""

    routine: Routine
    build: str
    library: str
    loop: str
    domain: Domain
    output_kind: str
    output_type: int
    prototype: str
    definition: str
    screen: Any = None
    screen_at: tuple[str, str] | None = None
    screen_missing: str = ""
    array_lengths: tuple[int, ...] = ()
    regions: tuple[tuple[int, int], ...] = ()
    partners: Mapping[str, Bound] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    identity: str = ""
    peripherals: tuple[tuple[int, int], ...] = ()
    board: Board | None = None
    host: Bound | None = None
    levels: Mapping[str, Bound] = field(default_factory=dict)
    stages: tuple[Bound, ...] = ()

    @property
    def default_nan(self) -> bool:
        """Whether the board's floating-point unit gives the default NaN."""
        return self.board is not None and self.board.default_nan

    @property
    def float_output(self) -> bool:
        """Whether the result is float or double."""
        return self.output_kind == "float"

    @property
    def output_scale(self) -> float:
        """Value of one raw step of the result."""
        return 1.0 if self.float_output else float(self.routine.output.scale)
