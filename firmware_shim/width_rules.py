"""Which objects are wider on a 64-bit host (LP64) than on a 32-bit Arm board (ILP32)."""

from __future__ import annotations

from typing import Any

from firmware_shim import dwarf_types as dwarf

# The board's size in bytes of what the host makes 8 or 16 bytes wide.
_LONGS = {
    "long int": 4, "long unsigned int": 4, "long": 4, "unsigned long": 4, "long double": 8,
}
# 64 bits wide on both sides, though the host spells them with long.
_FIXED = {
    "int64_t", "uint64_t", "__int64_t", "__uint64_t", "int_least64_t", "uint_least64_t",
    "__int_least64_t", "__uint_least64_t", "int_fast64_t", "uint_fast64_t", "intmax_t", "uintmax_t",
    "__intmax_t", "__uintmax_t",
}
_DEPTH = 8


def board_bytes(kind: Any) -> int | None:
    """The size on the board where it differs from the host's, else None; looks at arrays' elements."""
    while kind is not None:
        if kind.tag == "DW_TAG_typedef" and dwarf.text_of(kind) in _FIXED:
            return None
        if kind.tag == "DW_TAG_pointer_type":
            return 4
        if kind.tag == "DW_TAG_base_type":
            return _LONGS.get(dwarf.text_of(kind))
        if kind.tag not in dwarf.QUALIFIERS | {"DW_TAG_typedef", "DW_TAG_array_type"}:
            return None
        kind = dwarf.target(kind)
    return None


def _element(kind: Any) -> Any:
    kind = dwarf.strip(kind)
    while kind is not None and kind.tag == "DW_TAG_array_type":
        kind = dwarf.strip(dwarf.target(kind))
    return kind


def width_difference(role: str, name: str, kind: Any) -> str:
    """One line about one object, for example "local 'sum' (unsigned long): 8 bytes here, 4 on the board".

    Empty where the width is the same.
    """
    board = board_bytes(kind)
    if board is None:
        return ""
    host = dwarf.ctype(_element(kind)).bytes
    shown = f"{role} '{name}'" if name else role
    return f"{shown} ({dwarf.type_name(kind)}): {host} bytes here, {board} on the board"


def struct_differences(kind: Any, seen: set[int] | None = None, depth: int = 0) -> list[str]:
    """Lines about the members of a struct or union, also behind pointers and inside arrays."""
    seen = set() if seen is None else seen
    base = _element(kind)
    while base is not None and base.tag in ("DW_TAG_pointer_type", "DW_TAG_reference_type"):
        base = _element(dwarf.target(base))
    if base is None or base.tag not in dwarf.STRUCTS or base.offset in seen or depth > _DEPTH:
        return []
    seen.add(base.offset)
    owner = dwarf.type_name(kind).replace(" *", "").replace("[]", "").replace("const ", "")
    told = []
    for member in base.iter_children():
        if member.tag != "DW_TAG_member":
            continue
        name, inner = dwarf.text_of(member), dwarf.target(member)
        line = width_difference(f"member of {owner}", name, inner)
        if line:
            told.append(line)
        told.extend(struct_differences(inner, seen, depth + 1))
    return told
