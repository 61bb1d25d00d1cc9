"""Event scripts for machines, as plain data that travels to a worker and back."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from firmware_shim.job import Event, Stop


@dataclass(frozen=True)
class Count:
    """Upward crossings of `about` by one output (its place; scale: value of a raw step), each after the signal was at or
    below `armed`; noted after every `row` samples. Streams then hold `row` samples, which come again and again."""

    row: int
    output: int
    about: float
    armed: float
    scale: float = 1.0


@dataclass(frozen=True)
class Script:
    """One script. events: (sample, number of the event, raw bits of each argument), sorted by sample;
    streams: raw samples of each input; cuts: block lengths used in turn, the last one repeated; fill: byte
    that the state's memory holds before init; count: what to count instead of keeping outputs."""

    rate_hz: float
    samples: int
    events: tuple[tuple[int, int, tuple[bytes, ...]], ...] = ()
    streams: tuple[bytes, ...] = ()
    cuts: tuple[int, ...] = (64,)
    fill: int = 0
    count: Count | None = None


@dataclass(frozen=True)
class LongRun:
    """The job's one script over and over. periods: how often at most; settle_most: the period at which the wait for two equal
    ones ends; limits: per output, in its unit (0: the same bits; None: none is given), and scales: value of one raw step;
    ends: per output, what its reference lets be right from the period judged_from on (binary64 arrays sure_low, sure_high,
    out_low, out_high), or None; wall_seconds: a stop by the clock, not before `least` periods; told: file of two
    int64, samples run so far and whether to end; kept: file of states to go on from ("" for none),
    whole: periods that it is laid out for."""

    periods: int
    settle_most: int
    limits: tuple[float | None, ...]
    scales: tuple[float, ...]
    wall_seconds: float
    told: str
    ends: tuple[tuple[Any, Any, Any, Any] | None, ...] = ()
    judged_from: int = 0
    kept: str = ""
    whole: int = 0
    least: int = 0


@dataclass(frozen=True)
class LongOutcome:
    """done: periods that ran, those before taking up included; base: the period that others are compared with, -1 for none;
    repeats: per output whether it was like the one before; others, first_other: periods with other bits; period, sample,
    output: the first that is wrong, -1 for none, with what was got and wanted there; by_reference: it is off the reference;
    open_samples: (count, period and sample of the first) that the reference cannot tell; worst: largest difference within
    the limit; flags: kind -> (period, sample) of its first coming; late: (period, sample) of the first allocation;
    states: memory at the end of the base and of the last two periods; taken_up_at: periods that were not run again;
    start: a word of STARTS; why_not_kept: why no state is kept, "" where it is; seconds: of this run."""

    done: int
    base: int
    repeats: tuple[bool, ...]
    others: int
    first_other: int
    period: int
    sample: int
    output: int
    by_reference: bool
    got: float
    wanted: float
    worst: float
    open_samples: tuple[int, int, int]
    flags: dict[int, tuple[int, int]]
    late: tuple[int, int]
    states: tuple[bytes, bytes, bytes]
    taken_up_at: int
    start: str
    why_not_kept: str
    seconds: float


@dataclass(frozen=True)
class Moment:
    """`samples` samples of a script from one sample on, interrupted by an event with raw arguments."""

    script: int
    sample: int
    samples: int
    event: int
    arguments: tuple[bytes, ...] = ()


@dataclass(frozen=True)
class Interruptions:
    """Moments in the order of scripts and samples, each interrupted at every instruction (an even choice of most_points
    where there are more); following: samples compared after each; limit in the outputs' unit, scales of their raw steps."""

    moments: tuple[Moment, ...]
    following: int
    most_points: int
    limit: float
    scales: tuple[float, ...]


# struct pf_torn of engine_script.h: what came of a moment.
TORN = np.dtype([(name, "i8") for name in (
    "done", "instructions", "tried", "masked", "left_masked", "matters", "failing", "point", "address", "previous", "sample",
    "output")]
    + [(name, "f8") for name in ("got", "before", "after")])


@dataclass(frozen=True)
class ScriptJob:
    """Scripts of one machine. machine: beginning of its symbols; types: places in engine.NUMPY_TYPES; guard:
    whether state and blocks end at a guard page or begin after one; twin: a second instance runs in turns
    with the first; reinit: init and script once more on used memory; block: whether the machine takes blocks;
    trap_kinds: events, a bit for each kind, that end the script at their instruction (on x86-64);
    peripherals: (address, value) of 32-bit words that exist at the board's own addresses; on the board only: interruptions
    instead of whole scripts; keep_costs counts; bare: the loop that hands samples over, without the machine's text;
    time_rounds: how often all scripts (at most 8) are timed on this computer, not observed."""

    library: str
    machine: str
    scripts: tuple[Script, ...]
    input_types: tuple[int, ...]
    output_types: tuple[int, ...]
    flush_to_zero: bool = False
    events: bool = False
    regions: tuple[tuple[int, int], ...] = ()
    call_limit_seconds: float = 1.0
    guard: str = "end"
    twin: bool = False
    reinit: bool = False
    block: bool = False
    most_stops: int = 6
    most_hangs: int = 1
    trap_kinds: int = 0
    peripherals: tuple[tuple[int, int], ...] = ()
    longer: LongRun | None = None
    default_nan: bool = False
    interruptions: Interruptions | None = None
    keep_costs: bool = False
    bare: bool = False
    time_rounds: int = 0


@dataclass
class ScriptRun:
    """What one script did. outputs: array per output, as far as it came; again: those after reinit; flags:
    kind (engine.FLAG_KINDS) -> first sample; late_allocation: first sample after init that allocated, or -1;
    touched: (sample, byte) by which one of two instances had written into the other's state, (-1, 0) for never;
    rows: of a script that counts, per row script_running.COUNTER; heap: (kind, sample, bytes of the block) of what first went
    wrong with memory: 1 full, 2 freed twice, 3 written beside a block, 4 freed and never taken; 0 for nothing."""

    outputs: list[Any]
    done: int
    flags: dict[int, int] = field(default_factory=dict)
    stop: Stop | None = None
    again: list[Any] | None = None
    late_allocation: int = -1
    longer: LongOutcome | None = None
    touched: tuple[int, int] = (-1, 0)
    rows: Any = None
    heap: tuple[int, int, int] = (0, 0, 0)


@dataclass(frozen=True)
class ScriptCosts:
    """What a job with keep_costs counted: rows of (instructions, least and most half cycles). sample_place: per script, the
    row of its first sample (of a block machine: of each block's first sample); event_place: the row of its init, its
    events follow in turn. executed, touched: as of a Job; stack_bytes: deepest of all."""

    rows: np.ndarray
    sample_place: tuple[int, ...]
    event_place: tuple[int, ...]
    executed: bytes
    touched: bytes
    stack_bytes: int


@dataclass
class ScriptResult:
    """Runs in the order of the scripts. recorded: (script, sample, event) of the strict build's recorder."""

    runs: list[ScriptRun]
    recorded: list[tuple[int, int, Event]] = field(default_factory=list)
    printed: str = ""
    load_problem: str = ""
    mode_changed_at: tuple[int, int] | None = None
    torn: Any = None  # of a job with interruptions: TORN per moment
    costs: ScriptCosts | None = None
    times: bytes = b""  # binary64, two for each round: nanoseconds of a sample, of a step of the engine's own loop
    # Of a job with trap_kinds: where the first such event was raised.
    trap_library: str = ""
    trap_offset: int | None = None
