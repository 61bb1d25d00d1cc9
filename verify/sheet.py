"""Sheets: Python scripts in which a firmware's author says what each routine must be. The one specification.

A sheet creates one Sheet, names its sources and flags, and describes routines with function(...).
Every mistake is one message with file, line and the nearest right word.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from firmware_shim.cores import CORES
from reference import precision
from reference.context import Context
from verify.calls import check_peripherals, make_call
from verify.claims.base import Claim, stated_claims
from verify.claims.categories import finite
from verify.claims.protective import NoHiddenEvents, deterministic, no_undefined_behaviour, returns
from verify.claims.stages import stages_fit
from verify.constants import mistaken
from verify.errors import SheetError, nearest_words
from verify.grids import Grid, exact
from verify.machines.entry import make_machine
from verify.machines.machine import EventKind, Machine, Signal
from verify.machines.references import check_constants
from verify.paths.entry import check_entered, composed, factor_of, make_stages, output_of
from verify.paths.outside import Outside, checked_outside
from verify.routine import Output, Routine
from verify.units import check_unit

PROTECTIVE_CLAIMS = ("returns", "finite", "deterministic", "no_hidden_events", "no_undefined_behaviour")
KNOWN_BUILDS = ("host", "strict")
ALL_BUILDS = (*KNOWN_BUILDS, "board")
NAMED_BUILDS = (*ALL_BUILDS, "board strict", "clang strict", "narrow")  # all that a sheet may ask for
STANDARD_FLAGS = ("-O2",)  # when the sheet says nothing; a compile_commands.json says it all


def _caller() -> str:
    """Place in the sheet from which the public function was called: bell_sheet.py:12."""
    own = str(Path(__file__).parent)
    frame = sys._getframe(1).f_back
    while frame is not None:
        if not frame.f_code.co_filename.startswith((own, "<string>")):
            return f"{Path(frame.f_code.co_filename).name}:{frame.f_lineno}"
        frame = frame.f_back
    return "the sheet"


@dataclass
class Sheet:
    """Sources, flags and routines. Relative paths count from the sheet's folder.

    sources: C files; include: header folders; flags: the author's own compiler flags, target options
    included (they are dropped for the host by a visible table); sample_rate_hz: for the report;
    builds: which builds to check; compiler: a C compiler by name or path, else CC, gcc or clang;
    compile_commands: a compile_commands.json that gives each source its flags, before those of the sheet;
    peripherals: address -> value of each 32-bit word that the code reads or writes at a fixed address;
    core: the board's core, for example "cortex-m4f" (then the board's own code is checked as well, in an emulator);
    clock_hz: its clock, for shares of a sample period; board_compiler: default arm-none-eabi-gcc; default_nan: whether
    the firmware sets the default-NaN mode of the floating-point unit; image: the .elf that will be flashed (or a .o of it),
    whose own code the board build then runs; init_array: run the image's constructors first; board_libraries: archives of
    your own C or maths library (libm.a), which the board build takes before those of its compiler.
    """

    sources: Sequence[str]
    flags: str | Sequence[str] = STANDARD_FLAGS
    include: Sequence[str] = ()
    defines: Sequence[str] = ()
    headers: Sequence[str] = ()
    sample_rate_hz: float = 48_000
    builds: Sequence[str] = KNOWN_BUILDS
    compiler: str | None = None
    compile_commands: str = ""
    peripherals: Mapping[int, int] = field(default_factory=dict)
    core: str | None = None
    clock_hz: float | None = None
    board_compiler: str | None = None
    default_nan: bool = False
    image: str = ""
    init_array: bool = False
    board_libraries: Sequence[str] = ()
    title: str = ""
    note: str = ""
    routines: list[Routine] = field(default_factory=list)
    machines: list[Machine] = field(default_factory=list)
    file: Path = Path()
    place: str = ""
    local_files: tuple[tuple[str, str], ...] = ()

    def __post_init__(self) -> None:
        self.place = _caller()
        if isinstance(self.sources, str):
            self.sources = [self.sources]
        if isinstance(self.board_libraries, str):
            self.board_libraries = [self.board_libraries]
        if not self.sources:
            raise SheetError("the sheet names no sources", where=self.place, why="there is nothing to compile",
                             todo='write Sheet(sources=["your_file.c"], ...)')
        if self.compile_commands and self.flags is STANDARD_FLAGS:
            self.flags = ""
        for build in self.builds:
            if build not in NAMED_BUILDS:
                raise SheetError(f"unknown build {build!r}", where=self.place, why=f"builds: {', '.join(NAMED_BUILDS)}",
                                 todo=nearest_words(str(build), NAMED_BUILDS))
        check_core(self)
        exact(self.sample_rate_hz, f"{self.place}, sample_rate_hz")
        check_peripherals(self.peripherals, self.place)

    def names(self) -> list[str]:
        """Names of all entries so far."""
        return [*(routine.name for routine in self.routines), *(machine.name for machine in self.machines)]

    def function(
        self,
        name: str,
        *,
        inputs: Sequence[Grid],
        output: str | Output,
        claims: Iterable[Claim],
        call: str = "",
        local: str = "",
        output_type: str = "",
        input_types: Mapping[str, str] | None = None,
        globals: Sequence[str] = (),
        reference: Any = None,
        constants: Mapping[str, Any] | None = None,
        family: str = "",
        joints: Iterable[float] = (),
        without: Mapping[str, str] | None = None,
        call_limit_seconds: float = 1.0,
        flush_to_zero: bool = False,
    ) -> Routine:
        """Describe one C function of scalars; its inputs stand in the order of its parameters.

        Any other function through call: C text in which the inputs are variables and `result` is set, for
        example call="cal.gain = gain; result = hz(&cal, code)", local="calibration_t cal" (made afresh for each
        call). output_type: C type of result, default float; input_types: where the default (float, int32_t)
        does not do; globals: variables that are put back before each call, and so are no hidden memory.
        """
        place = _caller()
        where = f"{place}, {name}"
        grids = _checked_inputs(inputs, where)
        result = output if isinstance(output, Output) else Output(check_unit(output, f"{where}, output"))
        without = checked_without(without or {}, PROTECTIVE_CLAIMS, where)
        if reference is not None and not callable(reference):
            raise SheetError(f"{name}: the reference is not a function", where=where,
                             why=f"got {type(reference).__name__}",
                             todo="pass a function such as pitch.hz_from_volts")
        module = getattr(reference, "__module__", "") or ""
        family = family or (module.split(".")[-1] if module.startswith("reference.") else "")
        routine = Routine(name, family, grids, result, (), reference, dict(constants or {}),
                          tuple(exact(joint, f"{where}, joints") for joint in joints), without, where,
                          float(exact(call_limit_seconds, where)), bool(flush_to_zero),
                          make_call(name, grids, result, call, local, output_type, dict(input_types or {}), globals, where))
        return self._kept(replace(routine, claims=_checked_claims(routine, claims, where)))

    def _kept(self, routine: Routine) -> Routine:
        """The routine, now one of the sheet's. Errors: SheetError for its reference or its name."""
        if routine.reference is not None:
            _check_reference(routine, routine.place)
        self._once(routine.name, routine.place)
        self.routines.append(routine)
        return routine

    def _once(self, name: str, place: str) -> None:
        if name in self.names():
            raise SheetError(f"{name} is described twice", where=place, why="one routine, one entry",
                             todo="remove one of the two")

    def machine(
        self,
        name: str,
        *,
        state: str | None,
        init: str = "",
        outputs: Iterable[Signal],
        claims: Iterable[Claim],
        step: str = "",
        block: str = "",
        destroy: str = "",
        events: Iterable[EventKind] = (),
        inputs: Iterable[Grid] = (),
        sample_rates_hz: Sequence[float] = (),
        reference: Any = None,
        constants: Mapping[str, Any] | None = None,
        family: str = "",
        follows: Any = None,
        without: Mapping[str, str] | None = None,
        call_limit_seconds: float = 0.5,
        flush_to_zero: bool = False,
        hostile: bool = False,
        longest_seconds: float = 2,
        scripts: int | None = None,
        interleaved: Mapping[str, Sequence[str]] | None = None,
        pointers: Mapping[str, Sequence[str]] | None = None,
    ) -> Machine:
        """Describe a routine with memory: C texts in which `state` is a pointer to the state object.

        step makes one sample, block makes n; events happen between samples; hostile lets NaN and infinities in;
        longest_seconds: how long a script usually is at most; scripts: how many are tried (default 2000); follows: outputs
        that the reference takes as streams, as they came out (a list, or {"output": [...]} where references are so named).
        """
        found = make_machine(
            name, place=_caller(), default_rate_hz=self.sample_rate_hz, state=state, init=init, destroy=destroy,
            events=events, inputs=inputs, step=step, block=block, outputs=outputs, sample_rates_hz=sample_rates_hz,
            claims=claims, reference=reference, constants=constants, family=family, follows=follows, without=without,
            call_limit_seconds=call_limit_seconds, flush_to_zero=flush_to_zero, hostile=hostile,
            longest_seconds=longest_seconds, scripts=scripts, interleaved=interleaved, pointers=pointers)
        found = replace(found, peripherals=tuple(sorted(self.peripherals.items())))
        self._once(name, found.place)
        self.machines.append(found)
        return found

    def path(
        self,
        name: str,
        *,
        stages: Sequence[Any],
        claims: Iterable[Claim],
        inputs: Sequence[Grid] = (),
        reference: Any = None,
        constants: Mapping[str, Any] | None = None,
        before: Mapping[str, Any] | None = None,
        event: str = "",
        of: str = "",
        per_turn: Any = None,
        skip_seconds: float = 0,
        measured_cents: float | None = None,
        outside: Iterable[Outside] = (),
        joints: Iterable[float] = (),
        without: Mapping[str, str] | None = None,
        call_limit_seconds: float = 1.0,
    ) -> Routine:
        """Chain routines of the sheet: each one's result goes into the next; a machine may come last, its signal is measured.

        inputs: what enters, default the first stage's; reference: what the whole must give, default what the stages must give
        one after another. With a machine: event carries the value, before={"index": 0} are events done first, of is the
        output measured, per_turn the steps in one turn, skip_seconds how much is not measured, measured_cents the own error
        that the measurement may have. outside: beyond_firmware(...), shown in the budget.
        """
        place = _caller()
        where = f"{place}, {name}"
        parts = make_stages(self, name, stages, before=before, event=event, of=of, per_turn=per_turn,
                            skip_seconds=skip_seconds, measured_cents=measured_cents, composed=reference is None, where=where)
        first = parts.routines[0]
        grids = _checked_inputs(inputs or first.inputs, where)
        check_entered(name, grids, first, where)
        parts = replace(parts, outside=checked_outside(outside, grids, where))
        if reference is not None and not callable(reference):
            raise SheetError(f"{name}: the reference is not a function", where=where, why=f"got {type(reference).__name__}",
                             todo="pass a function such as pitch.hz_from_code, or leave it out")
        if constants and reference is None:
            raise SheetError(f"{name}: constants without a reference", where=where,
                             why="the stages' references have constants of their own", todo="give reference=... as well")
        wanted = reference or composed(parts.routines, factor_of(parts))
        dropped = checked_without(without or {}, (*PROTECTIVE_CLAIMS, "stages_fit"), where)
        # What goes on inside a machine, and where, its own entry says.
        quiet = {} if parts.voice is None else dict.fromkeys(PROTECTIVE_CLAIMS[1:], "the machine's own entry claims it")
        routine = Routine(name, "path", grids, output_of(parts), (), wanted, dict(constants or {}),
                          tuple(exact(joint, f"{where}, joints") for joint in joints), {**quiet, **dropped}, where,
                          float(exact(call_limit_seconds, where)), any(r.flush_to_zero for r in parts.routines), stages=parts)
        stated = stated_claims(claims)
        if "stages_fit" not in dropped and all(getattr(claim, "name", "") != "stages_fit" for claim in stated):
            stated.append(stages_fit())
        return self._kept(replace(routine, claims=_checked_claims(routine, stated, where), without=dropped))


def checked_without(without: Mapping[str, str], known: Sequence[str], where: str) -> dict[str, str]:
    """Protections that are dropped, each with its reason. Errors: SheetError."""
    for word, why in without.items():
        if word not in known:
            raise SheetError(f"without: {word!r} is not a protective claim", where=where,
                             why="only claims that are on by default can be dropped", todo=nearest_words(word, known))
        if not isinstance(why, str) or not why.strip():
            raise SheetError(f"without {word!r} has no reason", where=where,
                             why="dropping a protection needs one", todo='write {"' + word + '": "why"}')
    return dict(without)


def check_core(sheet: Sheet) -> None:
    """The core must be known; naming one asks for the board build, unless the sheet lists its builds."""
    if sheet.core is None:
        if {"board", "board strict"} & set(sheet.builds):
            raise SheetError("the build 'board' needs a core", where=sheet.place, why="the code differs from core to core",
                             todo='write core="cortex-m4f" or what is on the board')
        return
    if sheet.core not in CORES:
        raise SheetError(f"unknown core {sheet.core!r}", where=sheet.place, why=f"known: {', '.join(CORES)}",
                         todo=nearest_words(str(sheet.core), CORES))
    if sheet.clock_hz is not None and exact(sheet.clock_hz, f"{sheet.place}, clock_hz") <= 0:
        raise SheetError("clock_hz must be above zero", where=sheet.place, why=f"got {sheet.clock_hz}",
                         todo="write for example clock_hz=168_000_000")
    if sheet.builds is KNOWN_BUILDS:
        sheet.builds = ALL_BUILDS


def check_needs(sheet: Sheet) -> None:
    """Claims about the board's own code need a board. Errors: SheetError."""
    every: list[Routine | Machine] = [*sheet.routines, *sheet.machines]
    for routine in every:
        for claim in routine.claims:
            if getattr(claim, "needs_board", False) and "board" not in sheet.builds:
                raise SheetError(f"{routine.name}: {claim.name} needs the board's code", where=routine.place,
                                 why="where an interrupt can come depends on the instructions, and this sheet "
                                     + ("leaves out the build 'board'" if sheet.core else "names no core"),
                                 todo='add "board" to builds=' if sheet.core else
                                 'write Sheet(..., core="cortex-m4f") or what is on the board')


def fixed_output(unit: str, *, fraction_bits: int) -> Output:
    """A fixed-point result: raw integer times 2^-fraction_bits, in the unit."""
    check_unit(unit, "fixed_output")
    if not isinstance(fraction_bits, int) or not 0 <= fraction_bits <= 62:
        raise SheetError(f"fixed_output: {fraction_bits!r} fraction bits", where="fixed_output", why="0 to 62 fit",
                         todo="write for example fraction_bits=16")
    return Output(unit, fraction_bits)


def _checked_inputs(inputs: Any, where: str) -> tuple[Grid, ...]:
    grids = (inputs,) if isinstance(inputs, Grid) else tuple(inputs)
    if not 1 <= len(grids) <= 8:
        raise SheetError(f"{len(grids)} inputs", where=where, why="1 to 8 inputs can be driven",
                         todo='give for example inputs=[binary32("volts", 0, 5, "V")]')
    for grid in grids:
        if not isinstance(grid, Grid):
            raise SheetError(f"{grid!r} is not an input", where=where, why="an input has name, range and unit",
                             todo='write for example binary32("volts", 0, 5, "V") or codes("code", bits=12)')
    names = [grid.name for grid in grids]
    if len(set(names)) != len(names):
        raise SheetError("two inputs share a name", where=where, why=", ".join(names), todo="rename one")
    return grids


def _checked_claims(routine: Routine, claims: Iterable[Claim], where: str) -> tuple[Claim, ...]:
    stated = stated_claims(claims)
    for claim in stated:
        if not isinstance(claim, Claim):
            name = getattr(claim, "__name__", repr(claim))
            raise SheetError(f"{name} is not a claim", where=where, why="claims are made by calling them",
                             todo=f'write for example {name}(..., because="...")')
        claim.check(routine, f"{where}, {claim.label()}")
    labels = [claim.label() for claim in stated]
    for label in labels:
        if labels.count(label) > 1:
            raise SheetError(f"{label} is claimed twice", where=where, why="one is enough", todo="remove one")
    names = {claim.name for claim in stated}
    defaults = [returns(), finite(), deterministic(), NoHiddenEvents(), no_undefined_behaviour()]
    stated += [claim for claim in defaults if claim.name not in names and claim.name not in routine.without]
    return tuple(stated)


def _check_reference(routine: Routine, where: str) -> None:
    """Evaluate the reference at the middle and the ends: constants and names must fit."""
    points = [tuple(grid.value(grid.count // 2) for grid in routine.inputs)]
    points += [tuple(grid.value(0) for grid in routine.inputs)]
    points += [tuple(grid.value(grid.count - 1) for grid in routine.inputs)]
    reference: Any = routine.reference
    name = getattr(reference, "__name__", "the reference")
    try:
        # What stages give one after another has their constants in it, and shows the first one's names.
        if routine.stages is None or routine.constants or not hasattr(reference, "__wrapped__"):
            check_constants(reference, routine.constants, where)
        for point in points:
            precision.enclose(reference, point, routine.constants, bits=100)
    except SheetError:
        raise
    except Exception as problem:
        inputs = ", ".join(f"{g.name}={float(v):g}" for g, v in zip(routine.inputs, point, strict=True))
        if isinstance(problem, AttributeError) and isinstance(problem.obj, Context):
            words = [word for word in dir(Context) if not word.startswith("_")]
            raise SheetError(f"the reference {name} asks for ctx.{problem.name}, which is not there", where=where,
                             why=f"what it can use: {', '.join(words)}",
                             todo=nearest_words(problem.name or "", words)) from problem
        told = mistaken(reference, routine.constants, problem)
        if told is not None:
            raise SheetError(told[0], where=f"{where}, constants", why=told[1], todo=told[2]) from problem
        raise SheetError(f"the reference {name} cannot be evaluated", where=f"{where}, at {inputs}",
                         why=f"{type(problem).__name__}: {problem}",
                         todo="it is called as reference(ctx, input, ..., constant=...): check inputs and constants",
                         ) from problem


def load_sheet(path: Path) -> Sheet:
    """Run a sheet file and return its Sheet.

    Errors: SheetUnreadable when missing, empty, not Python, or without a Sheet; SheetError from inside.
    """
    from verify.sheet_loading import load  # it needs this module

    return load(path)
