"""Entries for functions that take more than numbers: structs, output parameters, arrays; by a call written out."""

from __future__ import annotations

import inspect
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from firmware_shim.debug_info import CType, DebugInfo, Function, Struct
from verify.binding import prototype_text, type_number
from verify.new_entries import Entry, arguments, called_quantities, inside, renamed
from verify.new_machines import C_NAMES, IN_PLACE, is_count
from verify.new_macros import first_values, values_by_member
from verify.new_quantities import InputGuess, guess_input, quantity
from verify.new_references import propose
from verify.sheet import Sheet

MOST_INPUTS = 8
OUT_WORDS = {"out", "output", "dst", "dest", "destination", "result", "y", "pout", "pdst", "presult"}


@dataclass
class _Call:
    """What is gathered on the way through the parameters. results: C expressions that hold an output."""

    given: list[str] = field(default_factory=list)
    local: list[str] = field(default_factory=list)
    before: list[str] = field(default_factory=list)
    inputs: list[InputGuess] = field(default_factory=list)
    types: dict[str, str] = field(default_factory=dict)
    results: list[tuple[str, CType]] = field(default_factory=list)
    members: dict[str, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    refused: str = ""


def call_entries(
    function: Function, info: DebugInfo, macros: Mapping[str, str], files: Sequence[Path], *, cpp: bool
) -> list[Entry]:
    """Entries of a function that cannot be driven as one of numbers, one for each result; none when a call cannot help."""
    if function.variadic or not function.parameters or "call" not in inspect.signature(Sheet.function).parameters:
        return []
    made = _Call()
    names = [p.name or f"input{i + 1}" for i, p in enumerate(function.parameters)]
    counted = any(p.ctype.kind == "pointer" and _number(p.ctype.to) for p in function.parameters) and any(
        is_count(n) and p.ctype.kind in ("int", "uint") for n, p in zip(names, function.parameters, strict=True))
    arrays = [(n, p.ctype) for n, p in zip(names, function.parameters, strict=True)
              if p.ctype.kind == "pointer" and _number(p.ctype.to)]
    called = called_quantities(function)
    for name, parameter, said in zip(names, function.parameters, called, strict=True):
        kind = parameter.ctype
        if counted and is_count(name) and type_number(kind) is not None:
            made.given.append("1")
            made.notes.append("one sample of its block is driven")
        elif kind.kind == "enum" and kind.name in info.enums:
            numbers = [value for _, value in info.enums[kind.name].values]
            text = f'integers("{name}", {min(numbers)}, {max(numbers)}, "")'
            made.inputs.append(InputGuess(text, "", "", f"from the first to the last of {kind.name}"))
            made.given.append(f"({kind.name}){name}")
        elif type_number(kind) is not None:
            guess = guess_input(name, kind, macros, function.name)
            if said and not quantity(name):
                guess = renamed(guess_input(said, kind, macros, function.name), name)
            _input(made, guess, name, kind)
            made.given.append(name)
        elif kind.kind == "pointer" and _number(kind.to):
            _array(made, name, kind, arrays, macros)
        else:
            _struct(made, name, kind, info, files, macros, cpp, function)
        if made.refused:
            return []
    written = made.results if function.result.kind in ("void", "enum", "bool") or len(made.results) == 1 else []
    found = [_entry(function, made, macros, written[at : at + 1]) for at in range(max(1, len(written)))]
    for entry, (said, _) in zip(found if len(written) > 1 else [], written, strict=False):
        if entry is not None:
            entry.name = f"{entry.name}_{said}"
    return [entry for entry in found if entry is not None]


def _number(ctype: CType | None) -> bool:
    return ctype is not None and (ctype.kind, ctype.bytes) in C_NAMES


def _input(made: _Call, guess: InputGuess, name: str, ctype: CType) -> None:
    made.inputs.append(guess)
    kind = C_NAMES.get((ctype.kind, ctype.bytes))
    if kind and kind != ("float" if ctype.kind == "float" else "int32_t"):
        made.types[name] = kind


def _array(made: _Call, name: str, ctype: CType, arrays: Sequence[tuple[str, CType]], macros: Mapping[str, str]) -> None:
    """A pointer to numbers: const ones are read, others are written, alone or by their names in place."""
    assert ctype.to is not None
    words = set(name.lower().split("_"))
    others = [n for n, t in arrays if n != name and t.to_constant]
    in_place = not ctype.to_constant and not (words & OUT_WORDS) and not others and bool(words & IN_PLACE)
    made.given.append(name if ctype.name.endswith("&") else f"&{name}")
    if ctype.to_constant or in_place:
        _input(made, guess_input(name, ctype.to, macros), name, ctype.to)
    else:
        made.local.append(f"{C_NAMES[(ctype.to.kind, ctype.to.bytes)]} {name} = 0")
    if not ctype.to_constant:
        made.results.append((name, ctype.to))


def _struct(
    made: _Call, name: str, kind: CType, info: DebugInfo, files: Sequence[Path], macros: Mapping[str, str],
    cpp: bool, function: Function,
) -> None:
    """A struct by value or behind a pointer: filled as the author fills one, else member by member."""
    layout = info.struct_of(kind)
    pointer = kind.kind == "pointer"
    direct = kind.kind == "struct" or (pointer and kind.to is not None and kind.to.kind == "struct")
    if layout is None or not direct:
        made.refused = "no layout"
        return
    if name == "this":
        if layout.kind == "class" or not kind.to_constant:
            made.refused = "a class with a state of its own"
            return
        name = "object"
    made.given.append(f"&{name}" if pointer and not kind.name.endswith("&") else name)
    bare = layout.name.replace("(anonymous namespace)::", "")
    braces = first_values(files, bare)
    if braces:
        made.local.append(f"{bare} {name} = {braces}")
        made.members |= values_by_member(braces, [m.name for m in layout.members])
        made.notes.append(f"{name} holds the values that the sources give one {bare}")
    elif not pointer or kind.to_constant:
        _members(made, layout, name, bare, macros, cpp)
    else:
        made.refused = "a state that nobody fills"


def _members(made: _Call, layout: Struct, name: str, bare: str, macros: Mapping[str, str], cpp: bool) -> None:
    members = [m for m in layout.members if _number(m.type)]
    if not members or len(members) != len(layout.members):
        made.refused = "members that are no numbers"
        return
    made.local.append(f"{bare} {name} = {{}}" if cpp else f"{bare} {name} = {{0}}")
    for member in members:
        variable = f"{name}_{member.name}"
        guess = renamed(guess_input(member.name, member.type, macros), variable)
        if member.bits:
            low, high = (-(1 << member.bits - 1), (1 << member.bits - 1) - 1) if member.type.kind == "int" else (
                0, (1 << member.bits) - 1)
            guess = InputGuess(f'integers("{variable}", {low}, {high}, "")', "", "", f"a bit-field of {member.bits}")
        _input(made, guess, variable, member.type)
        made.before.append(f"{name}.{member.name} = {variable}")


def _entry(function: Function, made: _Call, macros: Mapping[str, str], written: Sequence[tuple[str, CType]]) -> Entry | None:
    name = function.name.partition("(")[0]
    plain = name.split("::")[-1]
    method = bool(function.member_of) and made.given[:1] == ["&object"]
    call = f"object.{plain}({', '.join(made.given[1:])})" if method else f"{name}({', '.join(made.given)})"
    returns = (function.result.kind, function.result.bytes) in C_NAMES and function.result.kind != "bool"
    if written:
        said, result = written[0]
        text = f"{call}; result = {said}"
    elif returns:
        result, text = function.result, f"result = {call}"
    else:
        return None
    if not 1 <= len(made.inputs) <= MOST_INPUTS:
        return None
    head = f"{prototype_text(function)}, {Path(function.file).name}:{function.line}"
    integer = result.kind != "float"
    varying = [(g.text.split('"')[1], g.quantity) for g in made.inputs]
    proposal = propose(name, varying, integer, macros, made.members)
    guesses = [inside(g, proposal) for g in made.inputs]
    extra = [f'call="{"; ".join([*made.before, text])}",']
    if made.local:
        extra.append(f'local="{"; ".join(made.local)}",')
    kind = C_NAMES[(result.kind, result.bytes)]
    if kind != "float":
        extra.append(f'output_type="{kind}",')
    if made.types:
        inside_braces = ", ".join(f'"{key}": "{value}"' for key, value in made.types.items())
        extra.append(f"input_types={{{inside_braces}}},")
    entry = Entry(plain if "::" in name else name, head, arguments(name, result, guesses, proposal, macros, extra),
                  proposal=proposal)
    entry.notes = [f"guess: {note}" for note in dict.fromkeys(made.notes)]
    return entry
