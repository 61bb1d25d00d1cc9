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
SCOPES = STRUCTS | {"DW_TAG_namespace"}
_CPP_LANGUAGES = {0x04, 0x1A, 0x21, 0x2B, 0x3A}  # DW_LANG_C_plus_plus, _11, _14, _17, _20 (draft numbers)
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


def is_cpp(die: Die) -> bool:
    """Whether an entry comes from a C++ unit."""
    return number_of(die.cu.get_top_DIE(), "DW_AT_language") in _CPP_LANGUAGES


def scope_of(die: Die) -> str:
    """Namespaces and classes around an entry, "bell::Voice"; empty in C, where a scope names nothing."""
    names: list[str] = []
    if is_cpp(die):
        parent = die.get_parent()
        while parent is not None and parent.tag in SCOPES:
            if text_of(parent):
                names.insert(0, text_of(parent))
            parent = parent.get_parent()
    return "::".join(names)


def full_name(die: Die) -> str:
    """An entry's name with its scope, for example "bell::Voice::hz"; empty if it has none."""
    name, scope = text_of(die), scope_of(die)
    return f"{scope}::{name}" if name and scope else name


def type_name(die: Die | None) -> str:
    """A type's name as the author wrote it."""
    if die is None:
        return "void"
    if die.tag in QUALIFIERS:
        inner = type_name(target(die))
        word = {"DW_TAG_const_type": "const ", "DW_TAG_volatile_type": "volatile "}.get(die.tag, "")
        return inner + word.rstrip() if inner.endswith(("*", "&")) else word + inner
    if die.tag == "DW_TAG_array_type":
        return type_name(target(die)) + "[]"
    if die.tag == "DW_TAG_subroutine_type":
        return "function"
    if die.tag in POINTERS:
        return type_name(target(die)) + (" &" if "reference" in die.tag else " *")
    prefix = {"DW_TAG_structure_type": "struct ", "DW_TAG_union_type": "union ",
              "DW_TAG_enumeration_type": "enum "}.get(die.tag, "")
    name = full_name(die) or "(unnamed)"
    return name if prefix and is_cpp(die) else prefix + _SPELLING.get(name, name)


def ctype(die: Die | None) -> CType:
    """A type entry as a record."""
    while die is not None and die.tag in QUALIFIERS:
        die = target(die)
    name = type_name(die)
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
        return CType(name, "array", total, False, ctype(target(base)), is_constant(base), counts[0] if counts else 0)
    if base.tag in POINTERS:
        to = target(base) if base.tag != "DW_TAG_subroutine_type" else None
        inner = strip(to)
        plain = inner is None or inner.tag != "DW_TAG_subroutine_type"
        return CType(name, "pointer", size or 8, False, ctype(to) if plain else None, is_constant(to))
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
