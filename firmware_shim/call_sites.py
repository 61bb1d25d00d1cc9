"""Where the author's code calls a wrapper that the C library's headers put in place of strcpy, sprintf and their like."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from elftools.elf.elffile import ELFFile

from firmware_shim.dwarf_reader import Reader, Unit
from firmware_shim.dwarf_types import Die, number_of, target
from firmware_shim.file_facts import kept_facts
from firmware_shim.parts_again import with_lines


def call_site(library: Path, offset: int) -> tuple[str, int] | None:
    """(file, line) of the call of a header's wrapper whose inlined code covers an offset; None where none does.

    Shape: such wrappers are marked as artificial in debug information; where one calls another, the outermost counts.
    """
    told = with_lines(library)
    sites = kept_facts(told, "call sites of wrappers", __file__, lambda: _sites(told)) if told is not None else []
    return next(((file, line) for low, high, file, line in sites if low <= offset < high), None)


def _sites(library: Path) -> list[Any]:
    found: list[Any] = []
    with open(library, "rb") as stream:
        reader = Reader(ELFFile(stream), whole=True)
        for cu in reader.dwarf.iter_CUs():
            unit = Unit(reader, cu)
            for die in unit.top.iter_children():
                _look(unit, die, found)
    return found


def _look(unit: Unit, die: Die, found: list[Any]) -> None:
    for child in die.iter_children():
        origin = target(child, "DW_AT_abstract_origin") if child.tag == "DW_TAG_inlined_subroutine" else None
        if origin is not None and "DW_AT_artificial" in origin.attributes:
            file, line = unit.file(number_of(child, "DW_AT_call_file")), number_of(child, "DW_AT_call_line")
            found += [[low, high, file, line] for low, high in unit.spans(child)]
        else:
            _look(unit, child, found)
