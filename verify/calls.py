"""The parts of a sheet that speak C: calls written out, and words at fixed addresses."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path

from firmware_shim.call_source import CallCode, named, symbol
from firmware_shim.debug_info import DebugInfo, Function, Parameter
from firmware_shim.scalar_types import SCALARS, scalar
from verify.errors import BindingError, SheetError, nearest_words
from verify.grids import Grid
from verify.routine import Call, Output, Routine

FIRST_ADDRESS, LAST_ADDRESS = 0x10000, 0xFFFFFFFC


def make_call(
    name: str, grids: Sequence[Grid], output: Output, text: str, local: str, output_type: str,
    input_types: Mapping[str, str], variables: Sequence[str], where: str,
) -> Call | None:
    """The call of a routine, None for a plain function. Errors: SheetError."""
    names = [grid.name for grid in grids]
    if not text.strip():
        extra = {"local": local, "output_type": output_type, "input_types": input_types, "globals": variables}
        for word, value in extra.items():
            if value:
                raise SheetError(f"{name}: {word} needs a call", where=f"{where}, {word}",
                                 why="a plain function is called with its inputs as they are",
                                 todo=f'write call="result = {name}({", ".join(names)})" as well')
        return None
    if isinstance(variables, str):
        variables = [variables]
    code = f"{local}; {text}"
    for pattern, what, todo in _MISTAKES:
        if re.search(pattern, code):
            raise SheetError(f"{name}: call and local cannot hold {what}", where=f"{where}, call", why=code, todo=todo)
    if not re.search(r"\bresult\b", text):
        raise SheetError(f"{name}: the call sets no result", where=f"{where}, call", why=text,
                         todo="set it, for example: result = " + text.rstrip("; "))
    for given in names:
        if not given.isidentifier() or given == "result" or given.startswith("pf_"):
            raise SheetError(f"{name}: input {given!r} cannot be a C variable", where=where,
                             why="the call names inputs as variables", todo="rename the input")
        if not re.search(rf"\b{given}\b", code):
            raise SheetError(f"{name}: the call does not use {given}", where=f"{where}, call", why=text,
                             todo="use it, or remove the input")
    for given in input_types:
        if given not in names:
            raise SheetError(f"{name}: input_types names no input {given!r}", where=f"{where}, input_types",
                             why="inputs are " + ", ".join(names), todo=nearest_words(given, names))
    types = tuple(input_types.get(grid.name) or default_type(grid) for grid in grids)
    result = output_type or ("int32_t" if output.fraction_bits else "float")
    for kind in (*types, result):
        if scalar(kind) is None:
            raise SheetError(f"{name}: {kind!r} is no type of an input or result", where=where,
                             why="they are numbers whose width is the same on the board; the call may convert them",
                             todo=nearest_words(kind, SCALARS))
    for variable in variables:
        if not re.fullmatch(r"[A-Za-z_]\w*(::\w+)*", variable):
            raise SheetError(f"{name}: {variable!r} is no global", where=f"{where}, globals",
                             why="a variable's name is needed, its members go with it", todo="write the variable's name")
    if not re.fullmatch(r"[A-Za-z_]\w*(::\w+)*", name):
        raise SheetError(f"{name!r} is no name for an entry", where=where, why="it stands in witness lines and commands",
                         todo="use letters, digits and _")
    return Call(text, local, types, result, tuple(variables))


_MISTAKES = (
    (r"(?m)^\s*#", "lines that begin with #", "put macros and includes into a header: headers=[...]"),
    (r"\bpf_\w+", "names that begin with pf_", "rename: preflash uses that beginning"),
    (r"\breturn\b", "return", "set result instead"),
)


def default_type(grid: Grid) -> str:
    """The smallest of int32_t, uint32_t, int64_t, uint64_t that holds every point; float for others."""
    if grid.kind == "float32" or (grid.kind == "list" and any((v / grid.scale).denominator != 1 for v in grid.values)):
        return "float"
    low, high = grid.low / grid.scale, grid.high / grid.scale
    for bits in (32, 64):
        if -(2 ** (bits - 1)) <= low and high < 2 ** (bits - 1):
            return f"int{bits}_t"
        if low >= 0 and high < 2**bits:
            return f"uint{bits}_t"
    return "uint64_t"


def call_code(routine: Routine) -> CallCode:
    """The call as firmware_shim compiles it."""
    call = routine.call
    assert call is not None
    inputs = tuple(zip((grid.name for grid in routine.inputs), call.input_types, strict=True))
    place = routine.place.split(",")[0]
    return CallCode(routine.name, call.text, inputs, call.output_type, call.local, call.globals, place)


def prototype_text(function: Function) -> str:
    """A prototype as C would write it."""
    inside = ", ".join(f"{p.ctype.name} {p.name}".strip() for p in function.parameters) or "void"
    return f"{function.result.name} {function.name}({inside})"


def reachable(info: DebugInfo, name: str) -> set[str]:
    """Functions that the routine calls, directly or not, as far as debug information tells."""
    found, waiting = set(), [name]
    while waiting:
        current = waiting.pop()
        if current not in found:
            found.add(current)
            waiting += info.calls.get(current, ())
    return found


def target_of(routine: Routine, info: DebugInfo) -> tuple[Function, str, str, set[str]]:
    """The function as the routine's loop sees it, its prototype in print, where it is defined, what it reaches.

    Errors: BindingError when a call reaches nothing of the author's, or declares what cannot be put back.
    """
    call = routine.call
    if call is None:
        function = info.functions[routine.name]
        place = f"{Path(function.file).name}:{function.line}"
        return function, prototype_text(function), place, reachable(info, routine.name)
    code = call_code(routine)
    inputs, output = code.types()
    parts = named(code, info.functions.values())
    wrapper = f"{symbol(routine.name)}_call"
    reached = set().union(*(reachable(info, function.name) for function in parts), reachable(info, wrapper)) - {wrapper}
    parts = parts or [info.functions[name] for name in sorted(reached) if name in info.functions]
    shown = f"{call.output_type} result: {'; '.join(part for part in (call.local, call.text) if part)}"
    if not parts:
        raise BindingError(f"{routine.name}: the call runs nothing of the firmware", where=f"{routine.place}: {call.text}",
                           why="none of its words is a function that the sources define",
                           todo="call a function; " + nearest_words(max(code.words(), key=len, default=""), info.functions))
    check_globals(routine, info)
    first = parts[0]
    parameters = tuple(Parameter(grid.name, ctype) for grid, ctype in zip(routine.inputs, inputs, strict=True))
    function = Function(routine.name, output, parameters, first.file, first.line, True, False)
    return function, shown, f"{Path(first.file).name}:{first.line}", reached


def check_globals(routine: Routine, info: DebugInfo) -> None:
    """Errors: BindingError for a variable that is not there, or that cannot be written."""
    assert routine.call is not None
    known = {variable.name: variable for variable in info.globals if not variable.scope}
    for name in routine.call.globals:
        found = known.get(name) or next((v for n, v in known.items() if n.endswith(f"::{name}")), None)
        if found is None:
            raise BindingError(f"{routine.name}: there is no global {name}", where=f"{routine.place}, globals",
                               why="the sources define no variable of that name", todo=nearest_words(name, known))
        if not found.writable:
            raise BindingError(f"{routine.name}: {name} is a constant", where=f"{routine.place}, globals",
                               why=f"it cannot be written: {Path(found.file).name}:{found.line}",
                               todo="remove it from globals: a constant needs no putting back")


def check_peripherals(words: Mapping[int, int], where: str) -> None:
    """Errors: SheetError for what is no 32-bit word at an address of a board."""
    for address, value in words.items():
        if not isinstance(address, int) or not FIRST_ADDRESS <= address <= LAST_ADDRESS or address % 4:
            raise SheetError(f"peripherals: {address!r} is no address of a word", where=f"{where}, peripherals",
                             why="words lie at multiples of 4, from 0x10000 to 0xfffffffc",
                             todo="write for example peripherals={0x40012450: 0x0fff}")
        if not isinstance(value, int) or not 0 <= value < 2**32:
            raise SheetError(f"peripherals: {value!r} is no value of a word", where=f"{where}, peripherals",
                             why="a word holds 0 to 0xffffffff", todo="write the value that the firmware reads there")
