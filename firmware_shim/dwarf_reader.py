"""Reads DWARF 4 and 5 from an ELF file into the records of ``debug_info``."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from elftools.common.exceptions import DWARFError, ELFError
from elftools.dwarf.ranges import BaseAddressEntry
from elftools.elf.elffile import ELFFile
from elftools.elf.relocation import RelocationHandler

from firmware_shim.debug_info import Array, CType, DebugInfo, Function, Global, Parameter, rank
from firmware_shim.dwarf_layouts import Layouts
from firmware_shim.dwarf_types import (
    SCOPES,
    STRUCTS,
    Die,
    ctype,
    dimensions,
    full_name,
    is_constant,
    number_of,
    scope_of,
    strip,
    target,
    text_of,
)
from firmware_shim.errors import SourceMissing
from firmware_shim.width_rules import struct_differences, width_difference

# pyelftools 0.33 does not know the offsets of thread-local variables (R_X86_64_DTPOFF64, DTPOFF32), which
# debug information of an object file holds: plain value plus addend, as R_X86_64_64 and R_X86_64_32.
_RECIPES: Any = RelocationHandler._RELOCATION_RECIPES_X64
_RECIPES.setdefault(17, _RECIPES[1])
_RECIPES.setdefault(21, _RECIPES[10])

# Prefix of what the build adds to the author's code.
GENERATED = "pf_loop_"
_THREAD_LOCAL = 0x400
_OP_ADDR, _OP_ADDRX = 0x03, 0xA1


class Unit:
    """One compilation unit: its files, and what its walk adds to the whole."""

    def __init__(self, reader: Reader, cu: Any) -> None:
        self.reader, self.cu, self.dwarf = reader, cu, reader.dwarf
        self.top = cu.get_top_DIE()
        self.program = self.dwarf.line_program_for_CU(cu)
        self.folder = text_of(self.top, "DW_AT_comp_dir")
        self.first_index = 0 if self.program is not None and self.program.header.version >= 5 else 1

    def file(self, index: int) -> str:
        if self.program is None:
            return ""
        header = self.program.header
        at = index - self.first_index
        if not 0 <= at < len(header.file_entry):
            return ""
        entry = header.file_entry[at]
        folders = [f.decode(errors="replace") for f in header.include_directory]
        if self.first_index:
            folders = [self.folder, *folders]
        folder = folders[entry.dir_index] if entry.dir_index < len(folders) else ""
        return os.path.normpath(os.path.join(self.folder, folder, entry.name.decode(errors="replace")))

    def place(self, die: Die) -> tuple[str, int]:
        return self.file(number_of(die, "DW_AT_decl_file")), number_of(die, "DW_AT_decl_line")

    def spans(self, die: Die) -> Iterator[tuple[int, int]]:
        if "DW_AT_ranges" in die.attributes and self.reader.range_lists is not None:
            base = number_of(self.top, "DW_AT_low_pc")
            offset = number_of(die, "DW_AT_ranges")
            for entry in self.reader.range_lists.get_range_list_at_offset(offset, self.cu):
                if isinstance(entry, BaseAddressEntry):
                    base = entry.base_address
                elif entry.begin_offset < entry.end_offset:
                    shift = 0 if entry.is_absolute else base
                    yield entry.begin_offset + shift, entry.end_offset + shift
        elif "DW_AT_low_pc" in die.attributes and "DW_AT_high_pc" in die.attributes:
            low, high = number_of(die, "DW_AT_low_pc"), number_of(die, "DW_AT_high_pc")
            yield low, high if die.attributes["DW_AT_high_pc"].form == "DW_FORM_addr" else low + high

    def lines(self) -> None:
        if self.program is None:
            return
        rows: list[tuple[int, int, int, int]] = []
        for entry in self.program.get_entries():
            state = entry.state
            if state is None or (state.line == 0 and not state.end_sequence):
                continue
            number = self.reader.file_number(self.file(state.file))
            rows.append((state.address, number, state.line, int(state.end_sequence)))
            if state.end_sequence:
                # Of code that the linker left out nothing remains but lines, from address 0 on.
                self.reader.rows += rows if self.reader.is_there(rows[0][0]) else []
                rows = []
        self.reader.rows += rows

    def walk(self, top: Die | None = None) -> None:
        if top is None:
            top = self.top
            self.reader.layouts.walk(top, self.place)
        for die in top.iter_children():
            if die.tag == "DW_TAG_subprogram" and "DW_AT_declaration" not in die.attributes:
                self.function(die)
            elif die.tag == "DW_TAG_variable":
                self.variable(die, "")
            elif die.tag in SCOPES:
                self.walk(die)

    def function(self, die: Die) -> None:
        abstract = target(die, "DW_AT_abstract_origin") or die
        described = target(abstract, "DW_AT_specification") or abstract
        name = full_name(described)
        if not name:
            return
        if abstract is die:
            name = self.reader.add_function(self.describe(die, described, name))
        else:
            name = self.known_as(abstract)
        if not self.reader.whole:
            return
        for low, high in self.spans(die):
            if self.reader.is_there(low):
                self.reader.ranges.append((low, high, 0, name))
        self.inside(die, name, name, 1, own=abstract is die)

    def describe(self, die: Die, described: Die, name: str) -> Function:
        parameters, variadic = [], False
        for child in die.iter_children():
            if child.tag == "DW_TAG_formal_parameter":
                parameters.append(Parameter(text_of(child), ctype(target(child))))
                self.reader.note_width(name, "parameter", text_of(child), target(child))
            elif child.tag == "DW_TAG_unspecified_parameters":
                variadic = True
        self.reader.note_width(name, "result", "", target(described))
        file, line = self.place(described)
        inline = number_of(die, "DW_AT_inline") in (2, 3)
        static = "DW_AT_external" not in described.attributes
        result = ctype(target(described))
        parent = described.get_parent() if "DW_AT_linkage_name" in described.attributes else None
        member_of = scope_of(described) if parent is not None and parent.tag in STRUCTS else ""
        linkage = text_of(described, "DW_AT_linkage_name")
        return Function(name, result, tuple(parameters), file, line, static, variadic, inline, member_of, linkage)

    def inside(self, die: Die, function: str, shown: str, depth: int, *, own: bool) -> None:
        for child in die.iter_children():
            tag = child.tag
            if tag == "DW_TAG_variable":
                self.variable(child, function)
                if own and shown == function:
                    self.reader.note_width(function, "local", text_of(child), target(child))
            elif tag == "DW_TAG_lexical_block":
                self.inside(child, function, shown, depth, own=own)
            elif tag == "DW_TAG_inlined_subroutine":
                origin = target(child, "DW_AT_abstract_origin")
                inner = self.known_as(origin)
                self.reader.note_call(function, inner)
                for low, high in self.spans(child):
                    if self.reader.is_there(low):
                        self.reader.ranges.append((low, high, depth, inner or shown))
                self.inside(child, function, inner or shown, depth + 1, own=own)
            elif tag in ("DW_TAG_call_site", "DW_TAG_GNU_call_site"):
                attribute = "DW_AT_call_origin" if tag == "DW_TAG_call_site" else "DW_AT_abstract_origin"
                called = target(child, attribute)
                if called is not None:
                    called = target(called, "DW_AT_abstract_origin") or called
                    self.reader.note_call(function, self.known_as(called))

    def known_as(self, die: Die | None) -> str:
        """A function that is called or inlined: its linker's name in C++, replaced by its own at the end."""
        if die is None:
            return ""
        described = target(die, "DW_AT_specification") or die
        linkage = text_of(described, "DW_AT_linkage_name")
        if not linkage.startswith("_Z"):
            return full_name(described)
        self.reader.full_names[linkage] = full_name(described)
        return linkage

    def variable(self, die: Die, scope: str) -> None:
        described = target(die, "DW_AT_specification") or die
        name, kind = full_name(described), target(described) or target(die)
        address = self.address(die)
        if not name or not self.reader.whole or "DW_AT_declaration" in die.attributes:
            return
        if scope and address is None:
            return  # an automatic variable
        file, line = self.place(described)
        base, info = strip(kind), ctype(kind)
        if base is not None and base.tag == "DW_TAG_array_type":
            counts = dimensions(base)
            element = ctype(target(base))
            if len(counts) > 1:
                element = CType(element.name + "[]", "array", info.bytes // counts[0] if counts[0] else 0)
            if counts and counts[0]:
                constant = is_constant(kind)
                self.reader.add_array(Array(name, counts[0], element, file, line, constant, scope))
        if address is not None:
            section = self.reader.section_at(address)
            writable = section in self.reader.writable and not is_constant(kind)
            self.reader.add_global(Global(name, info, info.bytes, address, writable, file, line, scope, section))

    def address(self, die: Die) -> int | None:
        location = die.attributes.get("DW_AT_location")
        block = location.value if location is not None else None
        if not isinstance(block, list) or not block:
            return None
        if block[0] == _OP_ADDR and len(block) in (5, 9):
            return int.from_bytes(bytes(block[1:]), "little")
        if block[0] == _OP_ADDRX:
            index = shift = 0
            for byte in block[1:]:
                index |= (byte & 0x7F) << shift
                shift += 7
            return int(self.dwarf.get_addr(self.cu, index))
        return None


class Reader:
    """Collects the units of one file."""

    def __init__(self, elf: Any, whole: bool) -> None:
        self.whole = whole
        self.is_board = elf.elfclass == 32
        self.dwarf = elf.get_dwarf_info()
        self.range_lists = self.dwarf.range_lists()
        sections = [s for s in elf.iter_sections() if s["sh_flags"] & 2 and not s["sh_flags"] & _THREAD_LOCAL]
        self.sections = [(s["sh_addr"], s["sh_addr"] + s["sh_size"], s.name) for s in sections]
        self.placed = any(low for low, _, _ in self.sections)
        not_authors = (".data.rel.ro", ".got", ".dynamic")
        self.writable = {s.name for s in sections if s["sh_flags"] & 1 and not s.name.startswith(not_authors)}
        self.layouts = Layouts()
        self.linkages: dict[str, str] = {}
        self.full_names: dict[str, str] = {}
        self.functions: dict[str, Function] = {}
        self.arrays: dict[tuple[str, str, int, str], Array] = {}
        self.globals: dict[int, Global] = {}
        self.widths: dict[str, dict[str, None]] = {}
        self.calls: dict[str, dict[str, None]] = {}
        self.files: dict[str, int] = {}
        self.rows: list[tuple[int, int, int, int]] = []
        self.ranges: list[tuple[int, int, int, str]] = []

    def file_number(self, name: str) -> int:
        return self.files.setdefault(name, len(self.files))

    def section_at(self, address: int) -> str:
        return next((name for low, high, name in self.sections if low <= address < high), "")

    def is_there(self, address: int) -> bool:
        """Whether code may lie there: in any loaded section, in a file that has them at addresses."""
        return not self.placed or bool(self.section_at(address))

    def add_function(self, function: Function) -> str:
        """Keep it, and tell under which name it is known: overloads beyond the first carry their types."""
        if function.name.startswith(GENERATED):
            return function.name
        known = self.functions.get(function.name)
        if known is not None and known.linkage != function.linkage:
            types = ", ".join(p.ctype.name for p in function.parameters if p.name != "this")
            function = replace(function, name=f"{function.name}({types})")
            known = self.functions.get(function.name)
        if known is None or rank(function) < rank(known):
            self.functions[function.name] = function
        if function.linkage:
            self.linkages.setdefault(function.linkage, function.name)
        return function.name

    def add_array(self, array: Array) -> None:
        self.arrays.setdefault((array.name, array.file, array.line, array.scope), array)

    def add_global(self, variable: Global) -> None:
        self.globals.setdefault(variable.address, variable)

    def note_call(self, caller: str, called: str) -> None:
        if called and called != caller:
            self.calls.setdefault(caller, {})[called] = None

    def note_width(self, function: str, role: str, name: str, kind: Die | None) -> None:
        if not self.whole or self.is_board or function.startswith(GENERATED):
            return
        found = [width_difference(role, name, kind), *struct_differences(kind)]
        for told in filter(None, found):
            self.widths.setdefault(function, {})[told] = None

    def final(self, name: str) -> str:
        return self.linkages.get(name) or self.full_names.get(name, name)

    def result(self) -> DebugInfo:
        return DebugInfo(
            functions=self.functions,
            constant_arrays=tuple(self.arrays.values()),
            globals=tuple(sorted(self.globals.values(), key=lambda g: g.address)),
            width_differences={name: tuple(told) for name, told in self.widths.items()},
            files=tuple(self.files),
            # At one address the end of the previous code comes first, else the compiler's own order.
            rows=tuple(sorted(self.rows, key=lambda row: (row[0], 1 - row[3]))),
            ranges=tuple(sorted((low, high, depth, self.final(name)) for low, high, depth, name in self.ranges)),
            calls={self.final(name): tuple(map(self.final, called)) for name, called in self.calls.items()},
            structs=self.layouts.structs,
            enums=self.layouts.enums,
        )


def read(path: Path, *, whole: bool = True) -> DebugInfo:
    """Decode a file; with whole=False only the functions. Errors: SourceMissing."""
    try:
        with open(path, "rb") as stream:
            elf = ELFFile(stream)
            if not elf.has_dwarf_info():
                raise ELFError("no debug information in it")
            reader = Reader(elf, whole)
            for cu in reader.dwarf.iter_CUs():
                unit = Unit(reader, cu)
                unit.walk()
                if whole:
                    unit.lines()
            return reader.result()
    except (OSError, ELFError, DWARFError) as error:
        raise SourceMissing(
            "debug information cannot be read", str(path), str(error), "build it with -g, or check the path"
        ) from error
