"""What is asked of a worker and what comes back: plain data that travels between processes."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from firmware_shim.engine import NUMPY_TYPES

PHASES = ("its own inputs", "a repeat of its inputs", "its partner input", "the inverse", "halving", "the host's code",
          "the second coefficient")
KINDS = {"accurate": 1, "order": 2, "octave": 3, "inverse": 4, "deterministic": 5, "range": 6, "same": 7, "pair": 8,
         "poles": 9}
# How a reason begins when what is left could have run.
NOT_TRIED = "not run: the rest, after"
LATE = f"{NOT_TRIED} the clock ran out"
METRICS = {"absolute": 0, "relative": 1, "ulp": 2}


@dataclass(frozen=True)
class Axis:
    """One input of the routine as the engine fills it.

    type_number: place in engine.NUMPY_TYPES; grid: 0 binary32 ordinals, 1 integers first + step*i,
    2 explicit raw values (raw holds their bytes); the value is raw times scale.
    """

    type_number: int
    grid: int
    first: int = 0
    step: int = 1
    count: int = 0
    scale: float = 1.0
    raw: bytes = b""


@dataclass(frozen=True)
class Test:
    """One test of the engine; see runtime/engine.h for the meaning of each field."""

    kind: str
    metric: str = "absolute"
    low: float = 0.0
    high: float = 0.0
    margin: float = 0.0
    sign: float = 1.0
    strict: bool = False
    step: float = 0.0
    second_type: int = 0
    second_low: float = 0.0
    second_high: float = 0.0
    second_scale: float = 1.0
    band: float = 0.0
    screen: tuple[str, str] | None = None
    second: str | None = None
    second_library: str = ""
    second_inputs: tuple[int, ...] = ()
    monotone: bool = False
    second_flushed: bool = False


@dataclass(frozen=True)
class Job:
    """Segments of one routine to run and judge. segments: int64 array (n, 3) of start, count, flag mask;
    peripherals: (address, value) of 32-bit words that exist at the board's own addresses; on the board only:
    default_nan, and keep_costs for counts per ordinal (uint32: instructions, least and most half cycles);
    whole_core: never by the faster user-mode emulator; time_rounds: how often calls are timed here, not judged;
    seconds: when the clock has run so long, what is left is not run."""

    library: str
    loop: str
    axes: tuple[Axis, ...]
    output_type: int
    segments: np.ndarray
    output_scale: float = 1.0
    tests: tuple[Test, ...] = ()
    zip_inputs: bool = False
    keep_outputs: bool = False
    keep_flags: bool = False
    flush_to_zero: bool = False
    trap_kinds: int = 0
    events: bool = False
    regions: tuple[tuple[int, int], ...] = ()
    open_capacity: int = 65536
    call_limit_seconds: float = 1.0
    most_stops: int = 6
    most_hangs: int = 2
    peripherals: tuple[tuple[int, int], ...] = ()
    default_nan: bool = False
    keep_costs: bool = False
    whole_core: bool = False
    time_rounds: int = 0
    seconds: float = math.inf

    def loop_widths(self) -> Iterator[tuple[str, list[int], int]]:
        """Each loop of the routine's own build: its symbol, the widths in bytes of what it takes and of what it gives."""
        output = NUMPY_TYPES[self.output_type].itemsize
        yield self.loop, [NUMPY_TYPES[axis.type_number].itemsize for axis in self.axes], output
        for test in self.tests:
            if test.second is not None and not test.second_library:
                takes = [NUMPY_TYPES[axis.type_number].itemsize for axis in self.axes] if test.kind == "poles" else [output]
                yield test.second, takes, NUMPY_TYPES[test.second_type].itemsize


@dataclass(frozen=True)
class Stop:
    """The firmware did not come back: how, at which ordinal, and where in its code."""

    kind: str
    ordinal: int
    count: int
    phase: int
    why: str
    signal: int = 0
    code_offset: int | None = None
    fault_address: int = 0


def enough(stops: Sequence[Stop], most_stops: int, most_hangs: int, of: str = "calls") -> str:
    """Why no more is run after these stops of calls (or scripts), "" while there are few. Each hang costs its time limit."""
    hangs = sum(stop.kind == "hang" for stop in stops)
    if hangs >= most_hangs:
        return f"{NOT_TRIED} {hangs} hang{'s' if hangs > 1 else ''}, each of which costs its time limit"
    return f"{NOT_TRIED} {len(stops)} {of} that did not come back" if len(stops) >= most_stops else ""


@dataclass(frozen=True)
class Event:
    """One kind of event at one place, from the strict build's recorder."""

    kind: str
    file: str
    line: int
    column: int
    count: int
    ordinal: int
    operands: tuple[int, ...] = ()
    text: str = ""


@dataclass
class JobResult:
    """What a job found. results[i] belongs to segments[i]; runs that were cut by a stop appear as two."""

    segments: np.ndarray
    results: np.ndarray
    opens: np.ndarray
    stops: list[Stop] = field(default_factory=list)
    not_run: list[tuple[int, int, str]] = field(default_factory=list)
    outputs: bytes = b""
    flags: bytes = b""
    events: list[Event] = field(default_factory=list)
    mode_changed_at: int = -1
    mode_before: int = 0
    mode_after: int = 0
    written_at: int = -1
    written_offset: int = -1
    heap: tuple[int, int, int] = (0, 0, 0)  # struct pf_heap_fault of engine_script.h
    printed: str = ""
    load_problem: str = ""
    trap_offset: int | None = None
    trap_library: str = ""
    costs: bytes = b""
    times: bytes = b""  # binary64, two for each round: nanoseconds of a call, of a step of the engine's own loop
    executed: bytes = b""
    touched: bytes = b""
    stack_bytes: int = 0

    @property
    def late(self) -> bool:
        """Whether the clock ran out before all was run."""
        return any(why == LATE for _, _, why in self.not_run)
