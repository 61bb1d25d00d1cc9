"""DWARF type entries: their names, sizes and kinds, seen through typedef and qualifiers."""

from __future__ import annotations

from typing import Any

from firmware_shim.debug_info import CType

QUALIFIERS = {"DW_TAG_const_type", "DW_TAG_volatile_type", "DW_TAG_restrict_type", "DW_TAG_atomic_type"}
POINTERS = {
    "DW_TAG_pointer_type", "DW_TAG_reference_type", "DW_TAG_rvalue_reference_type",
    "DW_TAG_ptr_to_member_type", "DW_TAG_subroutine_type",
}
STRUCTS = {"DW_TAG_structure_type", "DW_TAG_union_type", "DW_TAG_class_type"}
_FLOAT, _SIGNED = 0x04, {0x05, 0x06, 0x0D}
_OTHER_ENCODINGS = {0x02: "bool", 0x03: "complex", 0x09: "complex"}

# The usual C spelling of what gcc writes in the order long, unsigned, int.
_SPELLING = {
    "short int": "short",
    "short unsigned int": "unsigned short",
    "long int": "long",
    "long unsigned int": "unsigned long",
    "long long int": "long long",
    "long long unsigned int": "unsigned long long",
}

Die = Any  # the library's own type brings nothing here: all access goes through tag and attributes


def text_of(die: Die, name: str = "DW_AT_name") -> str:
    """A text attribute, decoded; empty if absent."""
    attribute = die.attributes.get(name)
    return attribute.value.decode(errors="replace") if attribute else ""


def number_of(die: Die, name: str, default: int = 0) -> int:
    """An integer attribute; the default if absent or not a plain number."""
    attribute = die.attributes.get(name)
    return attribute.value if attribute and isinstance(attribute.value, int) else default


def target(die: Die, name: str = "DW_AT_type") -> Die | None:
    """The entry that an attribute refers to, or None."""
    return die.get_DIE_from_attribute(name) if name in die.attributes else None


def strip(die: Die | None) -> Die | None:
    """A type without typedef, const, volatile, restrict, atomic."""
    while die is not None and (die.tag in QUALIFIERS or die.tag == "DW_TAG_typedef"):
        die = target(die)
    return die


def type_name(die: Die | None) -> str:
    """A type's name as the author wrote it."""
    if die is None:
        return "void"
    if die.tag in QUALIFIERS:
        inner = type_name(target(die))
        word = {"DW_TAG_const_type": "const ", "DW_TAG_volatile_type": "volatile "}.get(die.tag, "")
        return word + inner
    if die.tag == "DW_TAG_array_type":
        return type_name(target(die)) + "[]"
    if die.tag == "DW_TAG_subroutine_type":
        return "function"
    if die.tag in POINTERS:
        return type_name(target(die)) + " *"
    prefix = {"DW_TAG_structure_type": "struct ", "DW_TAG_union_type": "union ",
              "DW_TAG_enumeration_type": "enum "}.get(die.tag, "")
    name = text_of(die) or "(unnamed)"
    return prefix + _SPELLING.get(name, name)


def ctype(die: Die | None) -> CType:
    """A type entry as a record."""
    name = type_name(die)
    for word in ("const ", "volatile "):
        name = name.removeprefix(word)
    base = strip(die)
    if base is None or base.tag == "DW_TAG_unspecified_type":
        return CType(name, "void", 0)
    size = number_of(base, "DW_AT_byte_size")
    if base.tag == "DW_TAG_base_type":
        encoding = number_of(base, "DW_AT_encoding")
        if encoding == _FLOAT:
            return CType(name, "float" if size <= 8 else "long double", size)
        if encoding in _OTHER_ENCODINGS:
            return CType(name, _OTHER_ENCODINGS[encoding], size)
        return CType(name, "int" if encoding in _SIGNED else "uint", size, encoding in _SIGNED)
    if base.tag == "DW_TAG_enumeration_type":
        return CType(name, "enum", size, _enum_is_signed(base))
    if base.tag == "DW_TAG_array_type":
        counts = dimensions(base)
        total = ctype(target(base)).bytes
        for count in counts:
            total *= count
        return CType(name, "array", total)
    if base.tag in POINTERS:
        return CType(name, "pointer", size or 8)
    return CType(name, "struct", size)


def _enum_is_signed(die: Die) -> bool:
    carrier = strip(target(die))
    if carrier is not None:
        return number_of(carrier, "DW_AT_encoding") in _SIGNED
    if "DW_AT_encoding" in die.attributes:
        return number_of(die, "DW_AT_encoding") in _SIGNED
    return any(number_of(child, "DW_AT_const_value") < 0 for child in die.iter_children())


def dimensions(die: Die) -> list[int]:
    """Element counts of an array type, outermost first; 0 where the size is not known."""
    counts = []
    for child in die.iter_children():
        if child.tag != "DW_TAG_subrange_type":
            continue
        if "DW_AT_upper_bound" in child.attributes:
            counts.append(number_of(child, "DW_AT_upper_bound", -1) + 1)
        else:
            counts.append(number_of(child, "DW_AT_count"))
    return counts


def is_constant(die: Die | None) -> bool:
    """Whether const stands anywhere between the variable and its element type."""
    while die is not None and (die.tag in QUALIFIERS or die.tag in ("DW_TAG_typedef", "DW_TAG_array_type")):
        if die.tag == "DW_TAG_const_type":
            return True
        die = target(die)
    return False
