"""What of a library reaches the processor: one hash over the sections that are loaded, debug information left out.

An edit of a comment moves lines and changes debug information only. The checks of the strict build keep
file, line and column of each place in loaded data: those numbers are left out of the hash where a pointer
to the text of a source's path stands before them, and are listed apart.
"""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Iterable
from dataclasses import astuple, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from elftools.common.exceptions import ELFError

from firmware_shim.file_facts import kept_facts

if TYPE_CHECKING:
    from elftools.elf.elffile import ELFFile
    from elftools.elf.sections import Section

_ALLOCATED, _EXECUTED = 0x2, 0x4
# Differs between two builds of one text, or names the file only.
_NOT_CODE = (".note.gnu.build-id", ".gnu_debuglink")
# x86-64 and AArch64: pointer = base + addend.
_RELATIVE = {8, 1027}
_SIZE = 16


@dataclass(frozen=True)
class Place:
    """File, line and column that the compiler keeps at an address of the library."""

    address: int
    file: str
    line: int
    column: int


@dataclass(frozen=True)
class Loaded:
    """key: hash of what is loaded but for the numbers of places; places: sorted by address."""

    key: str
    places: tuple[Place, ...]


def loaded(path: Path, sources: Iterable[str] = ()) -> Loaded | None:
    """The loaded part of a library. sources: paths whose places are left out of the key (strict build).

    None when the file cannot be read as such: then nothing is known, and nothing may be reused.
    """
    wanted = sorted(sources)

    def read() -> list[Any]:
        from elftools.elf.elffile import ELFFile  # dear, and wanted for a new library only

        with open(path, "rb") as stream:
            found = _read(ELFFile(stream), frozenset(wanted))
        return [found.key, [astuple(place) for place in found.places]]

    try:
        key, places = kept_facts(path, repr(["loaded", wanted]), __file__, read)
        return Loaded(key, tuple(Place(*place) for place in places))
    except (OSError, ELFError, struct.error, KeyError, ValueError, TypeError):
        return None


def _read(elf: ELFFile, sources: frozenset[str]) -> Loaded:
    every = list(elf.iter_sections())
    sections = [s for s in every if s["sh_flags"] & _ALLOCATED and s.name not in _NOT_CODE]
    held = [(s["sh_addr"], s.name, s["sh_flags"], s["sh_type"], s["sh_size"],
             bytearray() if s["sh_type"] == "SHT_NOBITS" else bytearray(s.data())) for s in sections]
    places = _places(every, held, sources) if sources else []
    for place in places:
        for address, _, _, _, _, content in held:
            if address <= place.address and place.address + _SIZE <= address + len(content):
                content[place.address - address + 8 : place.address - address + _SIZE] = bytes(8)
    digest = hashlib.sha256()
    head = [(s["p_type"], s["p_flags"], s["p_vaddr"], s["p_memsz"], s["p_filesz"], s["p_align"])
            for s in elf.iter_segments() if s["p_type"] != "PT_NOTE"]
    digest.update(repr((elf["e_machine"], elf["e_flags"], elf["e_type"], head)).encode())
    for address, name, flags, kind, size, content in sorted(held, key=lambda h: (h[0], h[1])):
        digest.update(repr((address, name, flags, kind, size, len(content))).encode())
        digest.update(content)
    return Loaded(digest.hexdigest(), tuple(places))


def _places(
    sections: Iterable[Section], held: list[tuple[int, str, int, str, int, bytearray]], sources: frozenset[str],
) -> list[Place]:
    """Every relocated pointer to a source's path that stands before two 32-bit numbers, in data."""

    def text_at(address: int) -> str:
        for start, _, _, _, _, content in held:
            if start <= address < start + len(content):
                at = address - start
                end = content.find(b"\0", at)
                return content[at:end].decode("utf-8", "replace") if end >= 0 else ""
        return ""

    from elftools.elf.relocation import RelocationSection

    found = []
    for section in sections:
        if not isinstance(section, RelocationSection):
            continue
        for entry in section.iter_relocations():
            if entry["r_info_type"] not in _RELATIVE or not section.is_RELA():
                continue
            address, file = entry["r_offset"], text_at(entry["r_addend"])
            if file not in sources:
                continue
            for start, _, flags, _, _, content in held:
                if start <= address and address + _SIZE <= start + len(content) and not flags & _EXECUTED:
                    line, column = struct.unpack_from("<II", content, address - start + 8)
                    if line > 0 and column > 0:  # the list of variables names files as well, beside a zero
                        found.append(Place(address, file, line, column))
    return sorted(found, key=lambda place: place.address)
