"""Running a sheet file: whatever it raises becomes one message with file, line and the nearest right word."""

from __future__ import annotations

import inspect
import os
import re
import runpy
import sys
import traceback
from pathlib import Path

from firmware_shim.source_names import HEADERS, SOURCES
from verify.console import DEMO
from verify.errors import SheetError, SheetUnreadable, nearest_words, own_fault
from verify.local_files import is_own, loaded_before, reading_a_sheet
from verify.sheet import Sheet, check_needs

# What no sheet can bring about in code that is not its own.
NEVER_THE_SHEETS = (NameError, AssertionError, NotImplementedError)


def load(path: Path) -> Sheet:
    """Run a sheet file and return its Sheet.

    Errors: SheetUnreadable when missing, empty, not Python, or without a Sheet; SheetError from inside.
    """
    path = Path(path)
    if path.is_dir() or not path.exists():
        near = [p.name for p in path.parent.glob("*_sheet.py")] if path.parent.is_dir() else []
        todo = nearest_words(path.name, near) if near else "preflash look FILE.c:FUNCTION gives the lines of a first sheet"
        bundled = [found for part in ("good", "first_draft") if (found := DEMO / part / path.name).exists()]
        if path.is_dir():
            inside = sorted(p.name for p in path.glob("*_sheet.py"))
            todo = f"name the sheets in it: {', '.join(inside[:6])}" if inside else (
                "name a sheet; preflash check --here finds all below the current folder")
        elif bundled:
            todo = f"the demo's own sheets lie elsewhere: {' (good), '.join(map(str, bundled))} (first draft)"
        raise SheetUnreadable(f"no sheet at {path}", where=str(path),
                              why="it is a folder" if path.is_dir() else "there is no such file", todo=todo)
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as problem:
        raise SheetUnreadable(f"{path.name} cannot be read", where=str(path), why=str(problem),
                              todo="let it be read" if isinstance(problem, OSError) else "save it as UTF-8") from problem
    if path.suffix in (*SOURCES, *HEADERS):
        raise SheetUnreadable(f"{path.name} is C, not a sheet", where=str(path), why="a sheet is a Python script about it",
                              todo=f"preflash new {path} writes a first one; preflash look {path}:FUNCTION needs none")
    if not text.strip():
        raise SheetUnreadable(f"{path.name} is empty", where=str(path), why="it describes no routine",
                              todo="preflash look FILE.c:FUNCTION gives the lines of a first sheet")
    sys.path.insert(0, str(path.parent.resolve()))
    try:
        with reading_a_sheet() as reader:
            names = runpy.run_path(str(path), run_name="sheet")
    except SheetError as problem:
        if f"{path.name}:" not in problem.where:
            problem.where = f"{_place(path, problem)}, {problem.where}"
        raise
    except SyntaxError as problem:
        raise SheetUnreadable(f"{path.name} is not Python", where=f"{path.name}:{problem.lineno}",
                              why=f"{problem.msg}: {(problem.text or '').strip()}",
                              todo="mend that line; a sheet is a Python script") from problem
    except BaseException as problem:
        if isinstance(problem, KeyboardInterrupt):
            raise
        if isinstance(problem, NEVER_THE_SHEETS) and is_own(traceback.extract_tb(problem.__traceback__)[-1].filename):
            raise own_fault(problem) from problem
        raise _broken(path, problem) from problem
    finally:
        sys.path.pop(0)
    sheets = list({id(value): value for value in names.values() if isinstance(value, Sheet)}.values())
    if len(sheets) != 1:
        raise SheetUnreadable(f"{path.name} makes {len(sheets)} sheets", where=str(path),
                              why="one file describes one firmware",
                              todo="create exactly one Sheet(...) at the top level")
    sheet = sheets[0]
    if not sheet.routines and not sheet.machines:
        raise SheetUnreadable(f"{path.name} describes no routine", where=str(path), why="there is nothing to check",
                              todo="add sheet.function(...); preflash look FILE.c:FUNCTION writes the lines")
    sheet.file = path.resolve()
    sheet.local_files = reader.states(sheet.file.parent)
    if loaded_before(names, reader):
        sheet.local_files += (("a module loaded by something else", os.urandom(16).hex()),)
    _check_partners(sheet)
    check_needs(sheet)
    return sheet


def _check_partners(sheet: Sheet) -> None:
    known = [routine.name for routine in sheet.routines]
    for routine in sheet.routines:
        for claim in routine.claims:
            other = claim.partner_of(routine)
            if other and other not in known:
                raise SheetError(f"{claim.name}: the sheet has no routine {other!r}", where=routine.place,
                                 why="both routines must be described", todo=nearest_words(other, known))


def _place(path: Path, problem: BaseException) -> str:
    """The innermost line of the sheet that the problem came through."""
    lines = [f for f in traceback.extract_tb(problem.__traceback__) if f.filename == str(path)]
    return f"{path.name}:{lines[-1].lineno}" if lines else str(path)


def _broken(path: Path, problem: BaseException) -> SheetUnreadable:
    """One message for whatever else a sheet can raise: unknown names with the nearest right word."""
    where = _place(path, problem)
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
            called = str(problem).partition("()")[0].rpartition(".")[2]
            function = getattr(Sheet, called, None) or (getattr(verify, called, None) if called in verify.__all__ else None)
            if function is not None:
                words = [p for p in inspect.signature(function).parameters if p != "self"]
        if str(problem).endswith("required keyword-only argument: 'because'"):
            todo = 'give because="...": the reason for the limit, printed with each failure'
        if re.search(r"takes 0 positional arguments but \d", str(problem)):
            todo = 'name what is given, with its unit: accurate(cents=0.1, because="...")'
        if "required positional argument: 'unit'" in str(problem):
            todo = 'add the unit at the end, such as "V"; "" for a plain number'
        if isinstance(problem, ImportError):
            missing = str(problem).partition("cannot import name '")[2].split("'")[0]
            name = missing or name
        if isinstance(problem, AttributeError) and getattr(problem, "obj", None) is not None:
            words = [word for word in dir(problem.obj) if not word.startswith("_")]
        if name:
            todo = nearest_words(name, words)
    return SheetUnreadable(f"{path.name} stopped with an error", where=where,
                           why=f"{type(problem).__name__}: {problem}", todo=todo)
