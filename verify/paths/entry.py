"""What a sheet says about a path, checked: one message for each mistake; and the references of its stages, composed."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from verify.errors import SheetError, nearest_words
from verify.grids import Grid, exact
from verify.machines.machine import Machine, c_type_of, type_number
from verify.machines.script import raw_of
from verify.routine import Output, Routine, Stages, Voice

if TYPE_CHECKING:
    from verify.sheet import Sheet

MEASURED_CENTS = Fraction(3, 1000)
TURNS = {"turn/sample": Fraction(1), "step/sample": Fraction(1, 2**32)}


def make_stages(sheet: Sheet, name: str, stages: Sequence[Any], *, before: Mapping[str, Any] | None, event: str, of: str,
                per_turn: Any, skip_seconds: Any, measured_cents: Any, composed: bool, where: str) -> Stages:
    """The stages of a path. Errors: SheetError, naming both places where two stages do not fit."""
    found = [stage_named(sheet, stage, where) for stage in ([stages] if isinstance(stages, str) else stages)]
    machines = [stage for stage in found if isinstance(stage, Machine)]
    routines = tuple(stage for stage in found if isinstance(stage, Routine))
    if not routines or len(found) < 2:
        raise SheetError(f"{name}: a path has at least two stages, the first a function", where=where,
                         why=f"got {', '.join(stage.name for stage in found) or 'none'}",
                         todo='write for example stages=["volts_from_code", "hz_from_volts"]')
    if len(machines) > 1 or (machines and found[-1] is not machines[0]):
        raise SheetError(f"{name}: {machines[0].name} is a machine and not the last stage", where=where,
                         why="what comes out of a machine is a signal, which no function takes in",
                         todo="let the path end there")
    for one in routines:
        if one.stages is not None:
            raise SheetError(f"{name}: {one.name} is a path itself", where=where, why="stages are single routines",
                             todo=f"list its stages: {', '.join(one.stages.names())}")
        if one.reference is None and composed:
            raise SheetError(f"{name}: {one.name} has no reference", where=f"{where}; {one.place}",
                             why="what the path must give is composed from what each of its stages must give",
                             todo="give that routine reference=..., or the path a reference of its own")
    for first, second in pairwise(routines):
        if len(second.inputs) != 1:
            raise SheetError(f"{name}: {second.name} takes {len(second.inputs)} inputs", where=f"{where}; {second.place}",
                             why=f"only one comes from {first.name}",
                             todo="describe it once more with call=..., where the other inputs are constants")
        check_joint(name, first, second.name, second.inputs[0], second.place, where)
    voice = None
    if machines:
        voice = make_voice(name, routines[-1], machines[0], event, of, dict(before or {}), per_turn, skip_seconds,
                           measured_cents, where)
    elif before or event or of or per_turn is not None or skip_seconds or measured_cents is not None:
        raise SheetError(f"{name}: event, of, before, per_turn, skip_seconds and measured_cents belong to a machine",
                         where=where, why="this path ends in a function", todo="drop them")
    return Stages(routines, voice, composed)


def stage_named(sheet: Sheet, stage: Any, where: str) -> Routine | Machine:
    """A stage by its name, or as function(...) and machine(...) gave it."""
    word = stage if isinstance(stage, str) else getattr(stage, "name", repr(stage))
    every: list[Routine | Machine] = [*sheet.routines, *sheet.machines]
    for one in every:
        if one.name == word:
            return one
    raise SheetError(f"no routine {word!r} to be a stage", where=where, why="stages are described before the path",
                     todo=nearest_words(str(word), sheet.names()))


def check_joint(name: str, first: Routine, taker: str, grid: Grid, place: str, where: str) -> None:
    """Whether what a stage gives is what the next one takes: unit and scale."""
    both = f"{where}; {first.place} gives, {place} takes"
    if first.output.unit != grid.unit:
        raise SheetError(f"{name}: {first.name} gives {unit_text(first.output.unit)}, {taker} takes {unit_text(grid.unit)}",
                         where=both, why=f"its input {grid.name!r} is another quantity",
                         todo="put the routine that converts between them into the path, or correct a unit")
    if first.output.scale != grid.scale:
        raise SheetError(f"{name}: {first.name} gives steps of {step_text(first.output.scale)}, {taker} takes steps of "
                         f"{step_text(grid.scale)}", where=both, why="the same integer means another value on either side",
                         todo="correct fraction_bits=, or put the routine that converts between them into the path")


def check_entered(name: str, grids: Sequence[Grid], first: Routine, where: str) -> None:
    """Whether what enters the path is what its first stage takes. Errors: SheetError."""
    if len(grids) != len(first.inputs):
        raise SheetError(f"{name}: {len(grids)} inputs", where=f"{where}; {first.place}",
                         why=f"its first stage {first.name} takes {len(first.inputs)}", todo="give one for each")
    for grid, own in zip(grids, first.inputs, strict=True):
        if (grid.unit, grid.scale) != (own.unit, own.scale):
            told = [f"{unit_text(one.unit)} in steps of {step_text(one.scale)}" for one in (grid, own)]
            raise SheetError(f"{name}: input {grid.name!r} is {told[0]}", where=f"{where}; {first.place}",
                             why=f"its first stage {first.name} takes {told[1]}", todo="leave inputs= out, or correct it")
        if grid.low < own.low or grid.high > own.high:
            raise SheetError(f"{name}: input {grid.name!r} goes beyond the first stage's range",
                             where=f"{where}; {first.place}", why=f"{grid.text()}; {first.name} is checked for {own.text()}",
                             todo="narrow it, or widen the range of the stage's own entry")


def unit_text(unit: str) -> str:
    """A unit in words."""
    return unit or "a plain number"


def step_text(scale: Fraction) -> str:
    """One step of a fixed-point format."""
    return "1" if scale == 1 else f"2^-{scale.denominator.bit_length() - 1}"


def make_voice(name: str, last: Routine, machine: Machine, event: str, of: str, before: dict[str, Any], per_turn: Any,
               skip_seconds: Any, measured_cents: Any, where: str) -> Voice:
    """The machine at the end of a path."""
    if machine.inputs:
        raise SheetError(f"{name}: {machine.name} takes a stream ({machine.inputs[0].name})",
                         where=f"{where}; {machine.place}", why="a path ends in a machine that makes sound by itself",
                         todo="end it before that machine")
    if machine.block and (machine.interleaved or machine.pointers):
        raise SheetError(f"{name}: {machine.name} gives several channels in one array", where=f"{where}; {machine.place}",
                         why="one signal is measured", todo="describe it once more with one output")
    fitting = [k for k, kind in enumerate(machine.events) if len(kind.arguments) == 1
               and kind.arguments[0].unit == last.output.unit and (not event or kind.name == event)]
    if event and machine.event_number(event) < 0:
        raise SheetError(f"{name}: {machine.name} has no event {event!r}", where=f"{where}; {machine.place}",
                         why="it carries the value into the machine",
                         todo=nearest_words(event, [kind.name for kind in machine.events]))
    if len(fitting) != 1:
        why = f"events that take one value in {unit_text(last.output.unit)}: {len(fitting)}"
        raise SheetError(f"{name}: {last.name} gives {unit_text(last.output.unit)}, which "
                         + ("no event" if not fitting else "more than one event") + f" of {machine.name} takes",
                         where=f"{where}; {last.place} gives, {machine.place} takes", why=why,
                         todo="write event=" + ", or event=".join(repr(machine.events[k].name) for k in fitting)
                         if fitting else "put the routine that converts into the path, or correct a unit")
    grid = machine.events[fitting[0]].arguments[0]
    check_joint(name, last, machine.name, grid, machine.place, where)
    rate = machine.sample_rates_hz[0]
    if last.output.unit == "Hz":
        hz = Fraction(1)
    elif last.output.unit in TURNS:
        hz = rate * (TURNS[last.output.unit] if per_turn is None else 1 / Fraction(exact(per_turn, f"{where}, per_turn")))
    else:
        raise SheetError(f"{name}: {unit_text(last.output.unit)} is no frequency", where=f"{where}; {machine.place}",
                         why="the measured pitch is compared with what goes into the machine",
                         todo="let the last function give Hz, turn/sample or step/sample")
    doubt = MEASURED_CENTS if measured_cents is None else Fraction(exact(measured_cents, f"{where}, measured_cents"))
    skip = int(Fraction(exact(skip_seconds or 0, f"{where}, skip_seconds")) * rate)
    if doubt <= 0 or skip < 0:
        raise SheetError(f"{name}: measured_cents and skip_seconds", where=where, why="one is below zero, or zero",
                         todo="write for example measured_cents=0.01, skip_seconds=0.05")
    if of and of not in [signal.name for signal in machine.outputs]:
        raise SheetError(f"{name}: {machine.name} has no output {of!r}", where=f"{where}; {machine.place}",
                         why="its signal is measured", todo=nearest_words(of, [s.name for s in machine.outputs]))
    measured = machine.outputs.index(machine.signal_named(of))
    return Voice(machine, fitting[0], tuple(first_event(machine, key, value, where) for key, value in before.items()),
                 measured, rate, hz, skip, doubt)


def first_event(machine: Machine, name: str, value: Any, where: str) -> tuple[int, tuple[bytes, ...]]:
    """One event that is done before the value comes: {"index": 0}, or {"knobs": (0, 100)}, or {"strike": ()}."""
    number = machine.event_number(name)
    if number < 0:
        raise SheetError(f"before: {machine.name} has no event {name!r}", where=f"{where}; {machine.place}",
                         why="events set the machine up", todo=nearest_words(name, [kind.name for kind in machine.events]))
    grids = machine.events[number].arguments
    values = tuple(value) if isinstance(value, tuple | list) else (value,)
    if len(values) != len(grids):
        raise SheetError(f"before: the event {name!r} takes {len(grids)} values", where=where, why=f"{len(values)} given",
                         todo="give one for each argument, () for none")
    raws = []
    for grid, given in zip(grids, values, strict=True):
        wanted = Fraction(exact(given, f"{where}, before"))
        if not grid.low <= wanted <= grid.high:
            raise SheetError(f"before: {name} = {given} is outside its range", where=where, why=grid.text(),
                             todo="give a value within it")
        raws.append(raw_of(grid, grid.index_near(wanted)))
    if machine.events[number].takes_rate:
        raws.append(np.float32(float(machine.sample_rates_hz[0])).tobytes())
    return number, tuple(raws)


def composed(routines: Sequence[Routine], factor: Fraction = Fraction(1)) -> Callable[..., Any]:
    """What the stages must give together: each one's reference of what the one before must give, times a factor."""

    def right_answer(ctx: Any, *inputs: Any) -> Any:
        values = inputs
        for routine in routines:
            assert routine.reference is not None
            values = (routine.reference(ctx, *values, **routine.constants),)
        return values[0] if factor == 1 else values[0] * ctx.number(factor)

    if routines:
        right_answer.__wrapped__ = routines[0].reference  # type: ignore[attr-defined]  # names of what enters, for print
    right_answer.__name__ = " -> ".join(getattr(r.reference, "__name__", "reference") for r in routines) or "as it is"
    return right_answer


def output_of(stages: Stages) -> Output:
    """What the path gives: the last function's result, or the Hz of the signal."""
    return Output("Hz") if stages.voice is not None else stages.routines[-1].output


def factor_of(stages: Stages) -> Fraction:
    """Hz for one unit of what the last function gives; 1 where the path ends there."""
    return stages.voice.hz_per_unit if stages.voice is not None else Fraction(1)


def voice_argument(stages: Stages) -> Grid:
    """The event's argument that carries the value."""
    assert stages.voice is not None
    return stages.voice.machine.events[stages.voice.event].arguments[0]


def argument_type(stages: Stages) -> int:
    """The engine's number of the argument's C type."""
    return type_number(c_type_of(voice_argument(stages)))
