"""Which members of the state and which globals go on changing from period to period: counters, sums, phases that drift."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from firmware_shim.build_cache import cached_info
from firmware_shim.debug_info import CType, DebugInfo, Struct
from firmware_shim.errors import SourceMissing
from firmware_shim.script_job import LongOutcome
from verify.machines.running import Stand
from verify.number_formats import figure

MOST_SHOWN = 4
LONGEST_ARRAY = 8
FORMATS = {("float", 4): "<f", ("float", 8): "<d"}
Place = tuple[str, CType, int]


def counters(stand: Stand, outcome: LongOutcome) -> list[str]:
    """What does not repeat, with its values before and after the period of the failure; those at a wrap come first."""
    base, before, now = outcome.states
    found = []
    for name, ctype, offset in places(stand):
        values = [value_at(state, ctype, offset) for state in (base, before, now)]
        if values[0] is None or (values[0] == values[1] and values[1] == values[2]):
            continue
        found.append((rank(ctype, values), f"{name} ({ctype.name}): {shown(ctype, values[1])} before this period, "
                                           f"{shown(ctype, values[2])} after it"))
    found.sort(key=lambda entry: entry[0])
    texts = [text for _, text in found[:MOST_SHOWN]]
    if len(found) > MOST_SHOWN:
        texts.append(f"and {len(found) - MOST_SHOWN} more members that differ from period to period")
    return texts


def places(stand: Stand) -> Iterator[Place]:
    """Every number in the remembered memory: name, type, offset."""
    try:
        info = cached_info(Path(stand.library))
    except SourceMissing:
        return
    size = 0
    state = stand.machine.state
    if state is not None:
        layout = next((info.structs[name] for name in (state, f"struct {state}", state.removeprefix("struct "))
                       if name in info.structs), None)
        if layout is None:
            return
        size = layout.bytes
        yield from inside(info, layout, 0, "")
    for variable in info.globals:
        place = size
        for start, length in stand.regions:
            if start <= variable.address < start + length and variable.writable:
                yield from numbers(info, variable.type, place + variable.address - start, variable.name)
            place += length


def inside(info: DebugInfo, layout: Struct, offset: int, name: str) -> Iterator[Place]:
    """The numbers of one struct; bit-fields are left out."""
    for member in layout.members:
        if not member.bits:
            yield from numbers(info, member.type, offset + member.offset, f"{name}.{member.name}" if name else member.name)


def numbers(info: DebugInfo, ctype: CType, offset: int, name: str) -> Iterator[Place]:
    """The numbers of one object: itself, its members, the elements of a short array."""
    if ctype.kind in ("float", "int", "uint", "enum", "bool"):
        yield name, ctype, offset
    elif ctype.kind == "struct":
        layout = info.structs.get(ctype.name)
        if layout is not None and layout.kind != "union":
            yield from inside(info, layout, offset, name)
    elif ctype.kind == "array" and ctype.to is not None and 0 < ctype.count <= LONGEST_ARRAY:
        each = ctype.bytes // ctype.count
        for k in range(ctype.count):
            yield from numbers(info, ctype.to, offset + k * each, f"{name}[{k}]")


def value_at(state: bytes, ctype: CType, offset: int) -> Any:
    """A number read from memory; None where it lies outside."""
    part = state[offset : offset + ctype.bytes]
    if len(part) != ctype.bytes or not part:
        return None
    if ctype.kind == "float":
        return struct.unpack(FORMATS[ctype.kind, ctype.bytes], part)[0] if (ctype.kind, ctype.bytes) in FORMATS else None
    return int.from_bytes(part, "little", signed=ctype.signed)


def rank(ctype: CType, values: list[Any]) -> int:
    """0: it ran one way and then jumped back, or a float stands still; 1: it moves; 2: it only moved before."""
    base, before, now = values
    if ctype.kind == "float" and before != base and abs(now) >= 2**24:
        return 0
    if (now - before) * (before - base) < 0:
        return 0
    return 1 if now != before else 2


def shown(ctype: CType, value: Any) -> str:
    """A number in print."""
    return figure(value) if ctype.kind == "float" else str(value)
