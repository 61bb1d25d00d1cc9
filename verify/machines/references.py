"""The references of a machine's outputs: one function for the first output (or for several), or one for each output."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from verify.errors import SheetError, nearest_words

if TYPE_CHECKING:
    from verify.machines.machine import Machine, Signal


@dataclass(frozen=True)
class ByOutput:
    """reference={"level": envelope.attack_decay, ...}: function and constants of each output that has one."""

    parts: Mapping[str, tuple[Callable[..., Any], Mapping[str, Any]]]

    @property
    def __name__(self) -> str:
        return ", ".join(f"{name_of(function)} ({output})" for output, (function, _) in self.parts.items())


def name_of(function: Any) -> str:
    """A reference's name in print."""
    return str(getattr(function, "__name__", "the reference"))


def parts_of(machine: Machine) -> list[tuple[str, Callable[..., Any], Mapping[str, Any]]]:
    """(output, function, constants) of each reference; of a single function the output is ""."""
    if machine.reference is None:
        return []
    if isinstance(machine.reference, ByOutput):
        return [(output, function, constants) for output, (function, constants) in machine.reference.parts.items()]
    return [("", machine.reference, machine.constants)]


def by_output(name: str, given: Mapping[Any, Any], constants: Mapping[str, Any], outputs: tuple[Signal, ...],
              where: str) -> ByOutput:
    """References as the sheet names them per output, with constants={"output": {...}}; or SheetError."""
    names = [output.name for output in outputs]
    for word, keys in (("reference", given), ("constants", constants)):
        for key in keys:
            if key not in (names if word == "reference" else given):
                raise SheetError(f"{name}: {word} of {key!r}", where=where, why="references are named by output here, and so "
                                 "are their constants" if word == "constants" else "no output has this name",
                                 todo=nearest_words(str(key), names if word == "reference" else [str(k) for k in given]))
    for output, function in given.items():
        if not callable(function):
            raise SheetError(f"{name}: the reference of {output} is not a function", where=where,
                             why=f"got {type(function).__name__}", todo="pass a function such as envelope.attack_decay")
        if not isinstance(constants.get(output, {}), Mapping):
            raise SheetError(f"{name}: the constants of {output} are not a dictionary", where=where,
                             why="references are named by output here, and so are their constants",
                             todo=f'write constants={{"{output}": {{"attack": "1/100"}}}}')
    return ByOutput({output: (function, dict(constants.get(output, {}))) for output, function in given.items()})


def followed_by(name: str, given: Any, reference: Any, outputs: tuple[Signal, ...], where: str) -> dict[str, tuple[str, ...]]:
    """Outputs that each reference follows, as the sheet names them; or SheetError."""
    if not given:
        return {}
    parts = list(reference.parts) if isinstance(reference, ByOutput) else []
    example = 'follows={"mix": ["first", "second"]}' if parts else 'follows=["first", "second"]'
    plain = isinstance(given, Sequence) and not isinstance(given, str)
    if reference is None or plain == bool(parts) or not (plain or isinstance(given, Mapping)):
        why = ("no reference is given" if reference is None else
               "references are named by output here, and so is what they follow" if parts else
               "it is a list of outputs")
        raise SheetError(f"{name}: follows={given!r} cannot be read", where=where, why=why,
                         todo=f"write for example {example}")
    found: dict[str, tuple[str, ...]] = {}
    names = [output.name for output in outputs]
    for part, listed in ({"": given} if plain else given).items():
        if part and part not in parts:
            raise SheetError(f"{name}: follows of {part!r}", where=where, why="no reference is named so",
                             todo=nearest_words(str(part), parts))
        if isinstance(listed, str) or not listed:
            raise SheetError(f"{name}: follows of {part!r} is no list", where=where, why="it is a list of outputs",
                             todo=f"write for example {example}")
        for one in listed:
            if one not in names:
                raise SheetError(f"{name}: follows {one!r}", where=where, why="no output has this name",
                                 todo=nearest_words(str(one), names))
        found[part] = tuple(dict.fromkeys(listed))
    return found


def check_followed(machine: Machine, where: str) -> None:
    """Raise SheetError where an output would be judged by itself, or a name means an input as well."""
    inputs = {grid.name for grid in machine.inputs}
    first = machine.output.name
    leads = {part or first: names for part, names in machine.follows.items()}
    for output, names in leads.items():
        for name in names:
            if name in inputs:
                raise SheetError(f"{machine.name}: {output} follows {name!r}", where=where,
                                 why="an input has this name too, and the reference has it already",
                                 todo="rename one of them")
        reached: set[str] = set()
        waiting = list(names)
        while waiting:
            name = waiting.pop()
            if name == output:
                raise SheetError(f"{machine.name}: {output} follows itself", where=where,
                                 why="whatever comes out would be what must come out",
                                 todo="let it follow outputs that have a reference or a claim of their own")
            if name not in reached:
                reached.add(name)
                waiting += leads.get(name, ())


def check_constants(function: Callable[..., Any], constants: Mapping[str, Any], where: str) -> None:
    """Raise SheetError where a constant is unknown or missing."""
    taken = [p for p in inspect.signature(function).parameters.values() if p.kind is p.KEYWORD_ONLY]
    keywords, name = {p.name for p in taken}, name_of(function)
    for given in constants:
        if given not in keywords:
            raise SheetError(f"{name} has no constant {given!r}", where=f"{where}, constants",
                             why=f"its constants are: {', '.join(sorted(keywords)) or 'none'}",
                             todo=nearest_words(given, keywords))
    missing = [p.name for p in taken if p.default is p.empty and p.name not in constants]
    if missing:
        where_told = help_with(function)
        raise SheetError(f"{name} needs {', '.join(missing)}", where=f"{where}, constants",
                         why=f"its constants are: {', '.join(sorted(keywords))}",
                         todo=f'add constants={{"{missing[0]}": ...}}; what each means: {where_told}')


def help_with(function: Any) -> str:
    """Where the constants of a reference are explained."""
    module = str(getattr(function, "__module__", ""))
    if not module.startswith("reference."):
        return f"see {name_of(function)} in the sheet"
    return f'python -c "import {module} as r; help(r.{name_of(function)})"'


def known_to(machine: Machine, output: str) -> bool:
    """Whether an output ("" is the first) may have a reference: a single function may give several outputs."""
    named = {name for name, _, _ in parts_of(machine)}
    return "" in named or machine.signal_named(output).name in named
