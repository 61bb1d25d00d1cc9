"""DWARF entries of structs, unions, classes and enumerations as records, under every name they have."""

from __future__ import annotations

from collections.abc import Callable

from firmware_shim.debug_info import Enum, Member, Struct
from firmware_shim.dwarf_types import (
    SCOPES,
    STRUCTS,
    Die,
    ctype,
    full_name,
    number_of,
    strip,
    target,
    text_of,
    type_name,
)

Place = Callable[[Die], tuple[str, int]]
_OP_PLUS = 0x23  # DW_OP_plus_uconst: how old units write a member's offset


class Layouts:
    """Collects the types of all units; the first definition of a name stays."""

    def __init__(self) -> None:
        self.structs: dict[str, Struct] = {}
        self.enums: dict[str, Enum] = {}

    def walk(self, die: Die, place: Place) -> None:
        """Take the types that stand directly in a unit, namespace or class, and those inside them."""
        for child in die.iter_children():
            if child.tag == "DW_TAG_typedef":
                self._named(child, type_name(child), place)
            elif child.tag in STRUCTS or child.tag == "DW_TAG_enumeration_type":
                self._named(child, type_name(child) if text_of(child) else "", place)
            if child.tag in SCOPES:
                self.walk(child, place)

    def _named(self, die: Die, name: str, place: Place) -> None:
        base = strip(die)
        if base is None or "DW_AT_declaration" in base.attributes:
            return
        if base.tag in STRUCTS and name and name not in self.structs:
            self.structs[name] = _struct(base, name, place)
        elif base.tag == "DW_TAG_enumeration_type":
            values = tuple(
                (text_of(v), number_of(v, "DW_AT_const_value")) for v in base.iter_children()
                if v.tag == "DW_TAG_enumerator"
            )
            name = name or (values[0][0] if values else "")
            if name and name not in self.enums:
                kind = ctype(base)
                self.enums[name] = Enum(name, kind.bytes, kind.signed, values, *place(base))


def _struct(die: Die, name: str, place: Place) -> Struct:
    members, bases, methods = [], [], []
    for child in die.iter_children():
        if child.tag == "DW_TAG_member" and "DW_AT_external" not in child.attributes:
            bits = number_of(child, "DW_AT_bit_size")
            members.append(Member(text_of(child), ctype(target(child)), _offset(child), bits))
        elif child.tag == "DW_TAG_inheritance":
            base = target(child)
            bases.append(full_name(base) if base is not None else "")
        elif child.tag == "DW_TAG_subprogram" and "DW_AT_artificial" not in child.attributes:
            methods.append(text_of(child))
    kind = {"DW_TAG_union_type": "union", "DW_TAG_class_type": "class"}.get(die.tag, "struct")
    size = number_of(die, "DW_AT_byte_size")
    return Struct(name, kind, size, tuple(members), *place(die), tuple(bases), tuple(dict.fromkeys(methods)))


def _offset(member: Die) -> int:
    """Bytes from the start of the struct to the member, or to the byte where a bit-field begins."""
    if "DW_AT_data_bit_offset" in member.attributes:
        return number_of(member, "DW_AT_data_bit_offset") // 8
    location = member.attributes.get("DW_AT_data_member_location")
    value = location.value if location is not None else 0
    if isinstance(value, list):
        if not value or value[0] != _OP_PLUS:
            return 0
        offset = 0
        for shift, byte in enumerate(value[1:]):
            offset |= (byte & 0x7F) << (7 * shift)
        return offset
    return int(value)
