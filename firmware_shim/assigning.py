"""Which generated unit carries which routine and which call; names that no source defines."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from firmware_shim import call_source, debug_info, loop_source
from firmware_shim.call_proposal import advice
from firmware_shim.call_source import CallCode
from firmware_shim.debug_info import DebugInfo, Function
from firmware_shim.errors import CompileFailed, SymbolMissing, UnsupportedPrototype
from firmware_shim.scalar_types import SCALARS, scalar


def nearest(name: str, known: list[str], likeness: float = 0.5) -> list[str]:
    """Up to three names that resemble one; a C++ name also resembles its last part."""
    import difflib  # only needed when something has gone wrong

    own = [k for k in known if "::" in k and call_source.own_name(k) == name]
    return own[:3] or difflib.get_close_matches(name, known, n=3, cutoff=likeness)


def assign(
    names: Sequence[str], sources: Sequence[Path], infos: Sequence[DebugInfo], cpp: Sequence[bool]
) -> dict[int, list[Function]]:
    """The functions to drive, by the number of their unit. Errors: SymbolMissing, UnsupportedPrototype."""
    chosen: dict[int, list[Function]] = {}
    for name in dict.fromkeys(names):
        holders = [(at, info.functions[name]) for at, info in enumerate(infos) if name in info.functions]
        if not holders:
            raise symbol_missing(name, sources, infos)
        # The same choice as in the library's own debug information: a real definition before a static one.
        at, function = min(holders, key=lambda pair: debug_info.rank(pair[1]))
        where = f"{function.file}:{function.line}"
        if name == "main":
            raise UnsupportedPrototype(
                "main cannot be driven", where, "it is the program's entry",
                "name the routines that it calls", parameter="main",
            )
        loop_source.check_prototype(function, infos[at].structs, cpp=cpp[at])
        if "(" in name or any(other.startswith(f"{name}(") for other in infos[at].functions):
            raise UnsupportedPrototype(
                f"{name.partition('(')[0]} is overloaded", where, "several functions share this name",
                advice(function, infos[at].structs), parameter=name,
            )
        chosen.setdefault(at, []).append(function)
    return chosen


def assign_calls(
    calls: Sequence[CallCode], sources: Sequence[Path], infos: Sequence[DebugInfo], cpp: Sequence[bool]
) -> dict[int, list[CallCode]]:
    """The calls, by the number of the unit that carries them. Errors: SymbolMissing, UnsupportedPrototype."""
    chosen: dict[int, list[CallCode]] = {}
    for call in calls:
        for name, ctype in [*call.inputs, ("result", call.output)]:
            if scalar(ctype) is None:
                raise UnsupportedPrototype(
                    f"{call.name}: {name} cannot be a '{ctype}'", call.place,
                    "inputs and result are numbers whose width is the same on the board",
                    f"known: {', '.join(SCALARS)}", parameter=name,
                )
        at = call_source.home(call, infos, cpp)
        if at is None:
            named = re.findall(r"([A-Za-z_]\w*)\s*\(", call.text) or sorted(call.words()) or [call.name]
            raise symbol_missing(named[0], sources, infos, call)
        chosen.setdefault(at, []).append(call)
    return chosen


def symbol_missing(
    name: str, sources: Sequence[Path], infos: Sequence[DebugInfo], call: CallCode | None = None
) -> SymbolMissing:
    """The error for a function that nothing defines, with names that resemble it."""
    known = sorted({f for info in infos for f in info.functions})
    near = tuple(nearest(name, known))
    shown = [f"{n} ({Path(i.functions[n].file).name}:{i.functions[n].line})"
             for n in near for i in [next(i for i in infos if n in i.functions)]]
    todo = f"did you mean {', '.join(shown)}?" if near else "name the source that defines it"
    place = ", ".join(s.name for s in sources)
    return SymbolMissing(
        f"the routine '{name}' is not there",
        f"{call.place}, the call of {call.name}: {call.text}" if call else place,
        "none of the sources, nor a header they include, defines a function of that name",
        todo,
        name=name,
        nearest=near,
    )


def failed_call(failure: CompileFailed, calls: Sequence[CallCode]) -> CompileFailed:
    """A failed compile, told in the sheet's words when the text at fault is that of a call."""
    here = [call for call in calls if call.spot() == (failure.file, failure.line)]
    if failure.file == call_source.OWN_FILE:  # a bracket too many, or one too few, shows behind the text
        here = list(calls)
    if not here:
        return failure
    # Several entries of one place come from one loop in the sheet: gcc names the function at fault.
    first = failure.log.partition("error:")[0]
    call = next((c for c in here if f"{call_source.symbol(c.name)}_call'" in first.replace("(", "'")), here[0])
    text = "; ".join(part.strip() for part in (call.local, call.text) if part.strip())
    todo = "correct the call in the sheet"
    if "implicit declaration" in failure.text or "not declared" in failure.text or "undeclared" in failure.text:
        todo += "; a name that another source defines needs the header that declares it: headers=[...]"
    return CompileFailed(
        f"the call of {call.name} does not compile", f"{call.place}: {text}", failure.text, todo,
        file=failure.file, line=failure.line, column=0, text=failure.text, log=failure.log,
    )
