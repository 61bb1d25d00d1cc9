"""The generated C: the author's file, then one loop for each routine that calls it over arrays.

The unit holds nothing that looks at a value: it is compiled with the author's flags, and those may
promise the compiler that, for example, no NaN exists.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from firmware_shim import call_source
from firmware_shim.call_proposal import advice
from firmware_shim.call_source import CallCode
from firmware_shim.debug_info import Function, Struct
from firmware_shim.errors import SourceMissing, UnsupportedPrototype
from firmware_shim.scalar_types import PREFIX, element_type

__all__ = ["PREFIX", "RENAMED_MAIN", "check_prototype", "element_type", "loop", "loop_symbol", "unit"]

RENAMED_MAIN = "pf_author_main"
# What stands between is ours or the sheet's: its conversions are not the author's.
_BEGIN = ("#if defined(__clang__)\n#pragma clang attribute push"
          '(__attribute__((no_sanitize("implicit-conversion"))), apply_to = function)\n#endif\n')
_DIRECT = "#if defined(__arm__) && !defined(__clang__)\n"
END = "#if defined(__clang__)\n#pragma clang attribute pop\n#endif\n"


def loop_symbol(routine: str) -> str:
    """Name of the loop generated for a routine."""
    return PREFIX + re.sub(r"\W", "_", routine)


def check_prototype(function: Function, structs: Mapping[str, Struct] | None = None, *, cpp: bool = False) -> None:
    """Raise UnsupportedPrototype, naming the parameter and the call to write, unless all is scalar."""
    where = f"{function.file}:{function.line}"

    def refuse(what: str, why: str, name: str) -> UnsupportedPrototype:
        return UnsupportedPrototype(
            f"{function.name}: {what} cannot be driven by itself", where, why,
            advice(function, structs or {}), parameter=name,
        )

    if function.variadic:
        raise refuse("the variable argument list '...'", "its types are not in the prototype", "...")
    for at, parameter in enumerate(function.parameters, 1):
        name = parameter.name or f"number {at}"
        kind = parameter.ctype.kind
        if element_type(parameter.ctype) is None or (cpp and kind == "enum"):
            told = f"it is a {kind} ({parameter.ctype.name}, {parameter.ctype.bytes} bytes)"
            raise refuse(f"parameter '{name}'", told, name)
    if element_type(function.result) is None or (cpp and function.result.kind == "enum"):
        if function.result.kind == "void":
            raise refuse("the result", "it returns nothing", "result")
        told = f"it is a {function.result.kind} ({function.result.name}, {function.result.bytes} bytes)"
        raise refuse("the result", told, "result")


def loop(function: Function, words: Mapping[int, int] | None = None, *, direct: bool = False) -> str:
    """C text of one loop: ``void pf_loop_NAME(inputs, output, n, progress)``.

    The call goes through a volatile pointer, so the routine is neither inlined into the loop nor
    specialised for it; ``__typeof__`` keeps the author's own prototype, old-style ones included. ``words``
    are peripheral words and their values. ``direct``: on the board it goes to the routine's symbol under a name
    of which the compiler knows nothing more: an emulator looks up where a pointer leads at every call.
    """
    begin, each = call_source.words_texts(words or {})
    name = function.name
    inputs, casts = [], []
    for at, parameter in enumerate(function.parameters):
        plain = element_type(parameter.ctype)
        inputs.append(f"    const {plain} *pf_a{at} = (const {plain} *)pf_inputs[{at}];\n")
        casts.append(f"pf_a{at}[pf_i] != 0" if parameter.ctype.kind == "bool" else f"pf_a{at}[pf_i]")
    plain = element_type(function.result)
    # A C99 inline definition alone emits no code: this declaration makes the compiler emit it.
    emit = f"extern __typeof__({name}) {name};\n" if function.inline and not function.static else ""
    unused = "" if function.parameters else "    (void)pf_inputs;\n"
    named, called = "", f"    __typeof__(&{name}) pf_call = pf_hidden;\n"
    if direct and not function.linkage and not (function.inline and not function.static):
        named = f'{_DIRECT}extern __typeof__({name}) pf_direct_{name} __asm__("{name}");\n#endif\n'
        called = f"{_DIRECT}#define pf_call pf_direct_{name}\n    (void)pf_hidden;\n#else\n{called}#endif\n"
    return (
        f"{emit}{named}"
        f'__attribute__((visibility("default"), noinline, {call_source.QUIET}))\n'
        f"void {loop_symbol(name)}(const void *const *pf_inputs, void *pf_output, long pf_n,\n"
        "    volatile long *pf_progress)\n{\n"
        f"    __typeof__(&{name}) volatile pf_hidden = &{name};\n"
        f"{called}"
        f"{''.join(inputs)}"
        f"    {plain} *pf_out = ({plain} *)pf_output;\n"
        "    long pf_i;\n"
        f"{unused}{begin}"
        "    for (pf_i = 0; pf_i < pf_n; pf_i++) {\n"
        f"        *pf_progress = pf_i;\n{each}"
        f"        pf_out[pf_i] = ({plain})pf_call({', '.join(casts)});\n"
        "    }\n"
        "    *pf_progress = pf_n;\n"
        "}\n" + ("#undef pf_call\n" if named else "")
    )


def unit(
    source: Path, functions: Sequence[Function], *, has_main: bool, cpp: bool = False,
    calls: Sequence[CallCode] = (), known: Iterable[Function] = (), words: Mapping[int, int] | None = None,
) -> str:
    """A whole generated unit but for its END: the author's file unchanged, then the loops.

    Shape:  ``calls`` that the sheet writes out, ``known`` the functions of this unit, ``words`` address -> value
            of declared peripheral words.
    Errors: SourceMissing if the path cannot be written in an #include line.
    """
    path = str(source)
    if '"' in path or "\n" in path:
        raise SourceMissing(
            "a source's path cannot be written in C",
            repr(path),
            "it holds a quote or a line end",
            "rename the file or its folder",
        )
    text = f'#include "{path}"\n'
    if has_main:
        # A firmware's entry point would clash with nothing here but must not be taken for one.
        text = f"#define main {RENAMED_MAIN}\n{text}#undef main\n"
    loops = "".join(loop(function, words, direct=not cpp) for function in functions)
    every = list(known)
    loops += "".join(call_source.generate(c, call_source.named(c, every), words or {}, cpp=cpp) for c in calls)
    if loops and (calls or words):
        loops = call_source.HELPERS + loops
    if loops and cpp:
        loops = 'extern "C" {\n' + loops + "}\n"
    return text + _BEGIN + loops
