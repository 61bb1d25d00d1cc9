"""The sheet's calls and machines on a finished image.

Their C texts need the author's headers, so that they are compiled in the unit of the author's source, as for any
build; every function and variable of that unit which the image has too is made weak, and the linker is told the
image's. What is left of the author's own code here are inline functions of headers, as in any caller.
"""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from elftools.elf.elffile import ELFFile

from firmware_shim import build as host_build
from firmware_shim import build_cache, call_source
from firmware_shim.call_source import CallCode
from firmware_shim.compiler import Ran
from firmware_shim.debug_info import DebugInfo, Function
from firmware_shim.dwarf_reader import read
from firmware_shim.errors import SourceMissing
from firmware_shim.machine_source import MachineCode

WEAK = "image_has.h"
_NAME = re.compile(r"[A-Za-z_]\w*")


@dataclass
class Units:
    """The author's units with the texts. manifest: as of any build; weak: names that are the image's; inlined: name of a
    call or machine -> functions of headers that it names and that are compiled here; refused: name -> why."""

    manifest: build_cache.Manifest
    objects: list[str] = field(default_factory=list)
    weak: frozenset[str] = frozenset()
    inlined: dict[str, list[str]] = field(default_factory=dict)
    refused: dict[str, str] = field(default_factory=dict)


@dataclass
class _Unit:
    """What one object defines. symbols: name -> (binding, type)."""

    symbols: dict[str, tuple[str, str]]
    info: DebugInfo


def _looked_at(path: Path) -> _Unit:
    with open(path, "rb") as stream:
        table: Any = ELFFile(stream).get_section_by_name(".symtab")
        symbols = {s.name: (s["st_info"]["bind"], s["st_info"]["type"]) for s in table.iter_symbols()
                   if s["st_shndx"] != "SHN_UNDEF" and s["st_info"]["type"] in ("STT_FUNC", "STT_OBJECT")}
    try:
        return _Unit(symbols, read(path))
    except SourceMissing:
        return _Unit(symbols, DebugInfo({}, (), (), {}))


def _made(plan: host_build._Plan, work: Path, *options: str) -> tuple[build_cache.Manifest, list[str]]:
    """The units of the author's sources. Errors: CompileFailed."""
    objects: list[str] = []

    def keep(_plan: host_build._Plan, _work: Path, names: Sequence[str], _part: object) -> Ran:
        objects.extend(names)
        return Ran(0, "", "")

    return host_build._make(replace(plan, own=(*plan.own, *options)), work, keep), objects


def _reached(words: set[str], units: list[_Unit]) -> list[Function]:
    """Functions of the author's that the texts name."""
    return [f for unit in units for f in unit.info.functions.values() if call_source.own_name(f.name) in words]


def _why_not(text: CallCode | MachineCode, units: list[_Unit], image: frozenset[str],
             sources: set[str]) -> tuple[str, list[str]]:
    """(why a call or a machine cannot use the image, or nothing; functions of headers that it reaches)."""
    words, inlined = text.words(), []
    for function in _reached(words, units):
        symbol = function.linkage or function.name
        if function.static and os.path.abspath(function.file) not in sources:
            inlined.append(function.name)
        elif function.static:
            return (f"{function.name} is static: the text would call a copy of it that is compiled here, not the image's; "
                    "drop static, or call what calls it", [])
        elif symbol not in image:
            return f"{function.name} is not in the image: no code of its own is left there, or its unit is not part of it", []
    for unit in units:
        for name in sorted(words):
            if unit.symbols.get(name) == ("STB_LOCAL", "STT_OBJECT"):
                return f"the variable {name} is static: the text would use a copy of it; drop static", []
    return "", inlined


def _sizes_differ(text: CallCode | MachineCode, units: list[_Unit], finished: DebugInfo) -> str:
    """Why the state of a machine is another one in the image, or nothing."""
    state = getattr(text, "state", None) or ""
    for unit in units:
        here, there = unit.info.structs.get(state), finished.structs.get(state)
        if here is not None and there is not None and here.bytes != there.bytes:
            return (f"{state} has {there.bytes} bytes in the image and {here.bytes} with the sheet's flags: give the sheet "
                    "the defines and flags of the image")
    return ""


def units(plan: host_build._Plan, work: Path, names: set[str], info: DebugInfo, options: tuple[str, ...]) -> Units:
    """Compile the units for the calls and machines of a request.

    Shape:  ``names`` functions and variables that the image has; ``options`` of the target that go last.
    Errors: CompileFailed.
    """
    request = replace(plan.request, routines=(), chains=())
    texts: list[CallCode | MachineCode] = [*request.calls, *request.machines]
    classes = [text.name for text in request.machines if text.of_class()]
    if classes:
        why = "a C++ class is made and run by inline code, of which the image has no copy to call"
        return Units({}, refused=dict.fromkeys(classes, why))
    plan = replace(plan, request=request)
    _, objects = _made(plan, work, *options, "-fno-inline", "-fno-lto")
    looked = [_looked_at(work / name) for name in objects]
    defined = {name for unit in looked for name, (binding, _) in unit.symbols.items() if binding != "STB_LOCAL"}
    weak = frozenset(name for name in defined & names if _NAME.fullmatch(name) and not name.startswith("pf_"))
    refused: dict[str, str] = {}
    inlined: dict[str, list[str]] = {}
    for text in texts:
        why, more = _why_not(text, looked, weak, {str(path) for path in plan.sources})
        why = why or _sizes_differ(text, looked, info)
        if why:
            refused[text.name] = why
        inlined[text.name] = sorted(set(more))
    if refused:
        return Units({}, refused=refused)
    (work / WEAK).write_text("".join(f"#pragma weak {name}\n" for name in sorted(weak)))
    manifest, objects = _made(plan, work, *options, "-fno-lto", "-include", WEAK)
    return Units(manifest, objects, weak, inlined)
