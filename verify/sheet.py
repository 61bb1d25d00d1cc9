"""Sheets: Python scripts in which a firmware's author says what each routine must be. The one specification.

A sheet creates one Sheet, names its sources and flags, and describes routines with function(...).
Every mistake is one message with file, line and the nearest right word.
"""

from __future__ import annotations

import inspect
import runpy
import sys
import traceback
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from reference import precision
from verify.claims.base import Claim
from verify.claims.categories import finite
from verify.claims.protective import deterministic, no_hidden_events, no_undefined_behaviour, returns
from verify.errors import SheetError, SheetUnreadable, nearest_words
from verify.grids import Grid, exact
from verify.routine import Output, Routine
from verify.units import check_unit

PROTECTIVE_CLAIMS = ("returns", "finite", "deterministic", "no_hidden_events", "no_undefined_behaviour")
KNOWN_BUILDS = ("host", "strict")


def _caller() -> str:
    """Place in the sheet from which the public function was called: bell_sheet.py:12."""
    for frame in inspect.stack()[2:]:
        if not frame.filename.startswith(str(Path(__file__).parent)):
            return f"{Path(frame.filename).name}:{frame.lineno}"
    return "the sheet"


@dataclass
class Sheet:
    """Sources, flags and routines. Relative paths count from the sheet's folder.

    sources: C files; include: header folders; flags: the author's own compiler flags, target options
    included (they are dropped for the host by a visible table); sample_rate_hz: for the report;
    builds: which builds to check; compiler: a C compiler by name or path, else CC, gcc or clang.
    """

    sources: Sequence[str]
    flags: str | Sequence[str] = "-O2"
    include: Sequence[str] = ()
    defines: Sequence[str] = ()
    headers: Sequence[str] = ()
    sample_rate_hz: float = 48_000
    builds: Sequence[str] = KNOWN_BUILDS
    compiler: str | None = None
    title: str = ""
    note: str = ""
    routines: list[Routine] = field(default_factory=list)
    path: Path = Path()
    place: str = ""

    def __post_init__(self) -> None:
        self.place = _caller()
        if isinstance(self.sources, str):
            self.sources = [self.sources]
        if not self.sources:
            raise SheetError("the sheet names no sources", where=self.place, why="there is nothing to compile",
                             todo='write Sheet(sources=["your_file.c"], ...)')
        for build in self.builds:
            if build not in KNOWN_BUILDS:
                raise SheetError(f"unknown build {build!r}", where=self.place, why="builds are host and strict",
                                 todo=nearest_words(str(build), KNOWN_BUILDS))
        exact(self.sample_rate_hz, f"{self.place}, sample_rate_hz")

    def function(
        self,
        name: str,
        *,
        inputs: Sequence[Grid],
        output: str | Output,
        claims: Iterable[Claim],
        reference: Any = None,
        constants: Mapping[str, Any] | None = None,
        family: str = "",
        joints: Iterable[float] = (),
        without: Mapping[str, str] | None = None,
        call_limit_seconds: float = 1.0,
        flush_to_zero: bool = False,
    ) -> Routine:
        """Describe one C function of scalars. inputs stand in the order of its parameters."""
        place = _caller()
        where = f"{place}, {name}"
        grids = _checked_inputs(inputs, where)
        result = output if isinstance(output, Output) else Output(check_unit(output, f"{where}, output"))
        without = dict(without or {})
        for word, why in without.items():
            if word not in PROTECTIVE_CLAIMS:
                raise SheetError(f"without: {word!r} is not a protective claim", where=where,
                                 why="only claims that are on by default can be dropped",
                                 todo=nearest_words(word, PROTECTIVE_CLAIMS))
            if not isinstance(why, str) or not why.strip():
                raise SheetError(f"without {word!r} has no reason", where=where,
                                 why="dropping a protection needs one", todo='write {"' + word + '": "why"}')
        if reference is not None and not callable(reference):
            raise SheetError(f"{name}: the reference is not a function", where=where,
                             why=f"got {type(reference).__name__}",
                             todo="pass a function such as pitch.hz_from_volts")
        module = getattr(reference, "__module__", "") or ""
        family = family or (module.split(".")[-1] if module.startswith("reference.") else "")
        routine = Routine(name, family, grids, result, (), reference, dict(constants or {}),
                          tuple(exact(joint, f"{where}, joints") for joint in joints), without, where,
                          float(exact(call_limit_seconds, where)), bool(flush_to_zero))
        routine = replace(routine, claims=_checked_claims(routine, claims, where))
        if reference is not None:
            _check_reference(routine, where)
        if any(known.name == name for known in self.routines):
            raise SheetError(f"{name} is described twice", where=where, why="one routine, one entry",
                             todo="remove one of the two")
        self.routines.append(routine)
        return routine


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
    stated: list[Any] = list(claims)
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
    defaults = [returns(), finite(), deterministic(), no_hidden_events(), no_undefined_behaviour()]
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
        signature = inspect.signature(reference)
        keywords = {p.name for p in signature.parameters.values() if p.kind is p.KEYWORD_ONLY}
        for given in routine.constants:
            if given not in keywords:
                raise SheetError(f"{name} has no constant {given!r}", where=f"{where}, constants",
                                 why=f"its constants are: {', '.join(sorted(keywords)) or 'none'}",
                                 todo=nearest_words(given, keywords))
        for point in points:
            precision.enclose(reference, point, routine.constants, bits=100)
    except SheetError:
        raise
    except Exception as problem:
        inputs = ", ".join(f"{g.name}={float(v):g}" for g, v in zip(routine.inputs, point, strict=True))
        raise SheetError(f"the reference {name} cannot be evaluated", where=f"{where}, at {inputs}",
                         why=f"{type(problem).__name__}: {problem}",
                         todo="it is called as reference(ctx, input, ..., constant=...): check inputs and constants",
                         ) from problem


def load_sheet(path: Path) -> Sheet:
    """Run a sheet file and return its Sheet.

    Errors: SheetUnreadable when missing, empty, not Python, or without a Sheet; SheetError from inside.
    """
    path = Path(path)
    if path.is_dir() or not path.exists():
        near = [p.name for p in path.parent.glob("*_sheet.py")] if path.parent.is_dir() else []
        raise SheetUnreadable(f"no sheet at {path}", where=str(path),
                              why="it is a folder" if path.is_dir() else "there is no such file",
                              todo=nearest_words(path.name, near) if near else
                              "preflash look FILE.c:FUNCTION gives the lines of a first sheet")
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as problem:
        raise SheetUnreadable(f"{path.name} cannot be read", where=str(path), why=str(problem),
                              todo="a sheet is a Python script in UTF-8") from problem
    if not text.strip():
        raise SheetUnreadable(f"{path.name} is empty", where=str(path), why="it describes no routine",
                              todo="preflash look FILE.c:FUNCTION gives the lines of a first sheet")
    sys.path.insert(0, str(path.parent.resolve()))
    try:
        names = runpy.run_path(str(path), run_name="sheet")
    except SheetError:
        raise
    except SyntaxError as problem:
        raise SheetUnreadable(f"{path.name} is not Python", where=f"{path.name}:{problem.lineno}",
                              why=f"{problem.msg}: {(problem.text or '').strip()}",
                              todo="mend that line; a sheet is a Python script") from problem
    except BaseException as problem:
        if isinstance(problem, KeyboardInterrupt):
            raise
        raise _broken(path, problem) from problem
    finally:
        sys.path.pop(0)
    sheets = list({id(value): value for value in names.values() if isinstance(value, Sheet)}.values())
    if len(sheets) != 1:
        raise SheetUnreadable(f"{path.name} makes {len(sheets)} sheets", where=str(path),
                              why="one file describes one firmware",
                              todo="create exactly one Sheet(...) at the top level")
    sheet = sheets[0]
    if not sheet.routines:
        raise SheetUnreadable(f"{path.name} describes no routine", where=str(path), why="there is nothing to check",
                              todo="add sheet.function(...); preflash look FILE.c:FUNCTION writes the lines")
    sheet.path = path.resolve()
    _check_partners(sheet)
    return sheet


def _check_partners(sheet: Sheet) -> None:
    known = [routine.name for routine in sheet.routines]
    for routine in sheet.routines:
        for claim in routine.claims:
            other = getattr(claim, "other", None)
            if other is not None and other not in known:
                raise SheetError(f"inverse_of: the sheet has no routine {other!r}", where=routine.place,
                                 why="both ways must be described", todo=nearest_words(other, known))


def _broken(path: Path, problem: BaseException) -> SheetUnreadable:
    """One message for whatever else a sheet can raise: unknown names with the nearest right word."""
    lines = [f for f in traceback.extract_tb(problem.__traceback__) if f.filename == str(path)]
    where = f"{path.name}:{lines[-1].lineno}" if lines else str(path)
    todo = "mend that line"
    words: list[str] = []
    import verify

    if isinstance(problem, NameError | ImportError | TypeError | AttributeError):
        words = [*verify.__all__]
        name = getattr(problem, "name", None) or ""
        unexpected = str(problem).partition("unexpected keyword argument ")[2].strip("'")
        if unexpected:
            name = unexpected.split("'")[0]
            words = [p for f in (Sheet, Sheet.function) for p in inspect.signature(f).parameters if p != "self"]
            words += ["because", "cents", "bits", "strict", "slack", "nan", "fraction_bits"]
        if isinstance(problem, ImportError):
            missing = str(problem).partition("cannot import name '")[2].split("'")[0]
            name = missing or name
        if isinstance(problem, AttributeError) and getattr(problem, "obj", None) is not None:
            words = [word for word in dir(problem.obj) if not word.startswith("_")]
        if name:
            todo = nearest_words(name, words)
    return SheetUnreadable(f"{path.name} stopped with an error", where=where,
                           why=f"{type(problem).__name__}: {problem}", todo=todo)
