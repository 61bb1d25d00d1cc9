"""The references of a machine's outputs: one function for the first output (or for several), or one for each output."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping
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
