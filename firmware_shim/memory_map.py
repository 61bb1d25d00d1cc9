"""Where a library keeps writable memory, which symbol lies at an address, where it was loaded."""

from __future__ import annotations

import bisect
import functools
import os
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

from elftools.common.exceptions import ELFError

from firmware_shim.errors import SourceMissing
from firmware_shim.file_facts import kept_facts

if TYPE_CHECKING:
    from elftools.elf.elffile import ELFFile
    from elftools.elf.sections import SymbolTableSection

_WRITE, _ALLOCATE, _THREAD = 0x1, 0x2, 0x400
_OBJECT, _FUNCTION = 1, 2
# Written by the loader or the start-up code, never by the author's.
_NOT_AUTHORS = (
    ".got", ".dynamic", ".init_array", ".fini_array", ".preinit_array", ".ctors", ".dtors", ".jcr",
    ".data.rel.ro", ".tm_clone_table", ".eh_frame", ".relro_padding", ".pf_library",
)


@dataclass(frozen=True)
class Section:
    """A writable section: first address from the library's base, size in bytes."""

    name: str
    offset_address: int
    size: int


@dataclass(frozen=True)
class Symbol:
    """A function or object: first address from the library's base, size in bytes (0 = unknown)."""

    name: str
    offset_address: int
    size: int


@dataclass(frozen=True)
class _Map:
    sections: tuple[Section, ...]
    symbols: tuple[Symbol, ...]

    @functools.cached_property
    def names(self) -> frozenset[str]:
        """Names of the symbols as in the text of C."""
        return frozenset(symbol.name.partition(".")[0] for symbol in self.symbols)


def writable_sections(path: Path) -> tuple[Section, ...]:
    """Sections that hold the author's variables: .data, .bss and any of the author's own naming.

    Errors: SourceMissing if the file is not a readable ELF file.
    """
    return _read(path).sections


def regions_of(path: Path) -> tuple[tuple[int, int], ...]:
    """(address from the library's base, size) of each section with the author's variables. Errors: SourceMissing."""
    return tuple((s.offset_address, s.size) for s in writable_sections(path))


def symbol_at(path: Path, address: int) -> Symbol | None:
    """The function or object that covers an address counted from the library's base, or None.

    Errors: SourceMissing if the file is not a readable ELF file.
    """
    symbols = _read(path).symbols
    at = bisect.bisect_right(symbols, address, key=lambda s: s.offset_address)
    for symbol in reversed(symbols[max(0, at - 8) : at]):
        if address < symbol.offset_address + max(symbol.size, 1):
            return symbol
    return None


def functions_of(path: Path) -> tuple[tuple[str, int, int], ...]:
    """(name, first address, size) of every symbol that covers something. Errors: SourceMissing."""
    return tuple((s.name, s.offset_address, s.size) for s in _read(path).symbols if s.size)


def left_out(whole: Path, part: Path) -> frozenset[str]:
    """Names, as in the text of C, of functions and objects of a library that a part of it has not. Errors: SourceMissing."""
    if whole == part:
        return frozenset()
    return _read(whole).names - _read(part).names


def section_span(path: Path, name: str) -> tuple[int, int]:
    """(first address, size) of a section, zeros if there is none. Errors: SourceMissing."""
    try:
        status = os.stat(path)
        return _spans_once(str(path), status.st_mtime_ns, status.st_ino).get(name, (0, 0))
    except (OSError, ELFError) as error:
        raise _unreadable(path, error) from error


@functools.lru_cache(maxsize=64)
def _spans_once(path: str, time_ns: int, inode: int) -> dict[str, tuple[int, int]]:
    def read() -> dict[str, list[int]]:
        with open(path, "rb") as stream:
            return {section.name: [section["sh_addr"], section["sh_size"]] for section in _opened(stream).iter_sections()}

    return {name: (low, size) for name, (low, size) in kept_facts(Path(path), "sections", __file__, read).items()}


def _opened(stream: BinaryIO) -> ELFFile:
    from elftools.elf.elffile import ELFFile  # dear, and wanted where nothing is kept of a file

    return ELFFile(stream)


def _table(elf: ELFFile, name: str) -> SymbolTableSection | None:
    from elftools.elf.sections import SymbolTableSection

    found = elf.get_section_by_name(name)
    return found if isinstance(found, SymbolTableSection) else None


def objects_in(path: Path, section: str) -> tuple[int, tuple[tuple[str, int, int], ...]]:
    """(first address of a section, its objects as (name, address, size)). Errors: SourceMissing."""
    try:
        with open(path, "rb") as stream:
            found = _opened(stream).get_section_by_name(section)
            low, size = (found["sh_addr"], found["sh_size"]) if found is not None else (0, 0)
    except (OSError, ELFError) as error:
        raise _unreadable(path, error) from error
    inside = [s for s in _read(path).symbols if low <= s.offset_address < low + size and s.size]
    return low, tuple((s.name, s.offset_address, s.size) for s in inside)


def symbol_address(path: Path, name: str) -> int:
    """Value of one symbol of any type, 0 if there is none. Errors: SourceMissing."""
    try:
        with open(path, "rb") as stream:
            table = _table(_opened(stream), ".symtab")
            found = table.get_symbol_by_name(name) if table is not None else None
            return int(found[0]["st_value"]) if found else 0
    except (OSError, ELFError) as error:
        raise _unreadable(path, error) from error


def load_base(path: Path, maps: Path = Path("/proc/self/maps")) -> int | None:
    """Address at which this process has loaded a library; None if it has not.

    Add it to an ``offset_address``. ``maps`` may name another process's list.
    """
    wanted = os.path.realpath(path)
    for line in maps.read_text().splitlines():
        parts = line.split(maxsplit=5)
        if len(parts) == 6 and parts[5] == wanted and int(parts[2], 16) == 0:
            return int(parts[0].split("-")[0], 16)
    return None


def _read(path: Path) -> _Map:
    try:
        status = os.stat(path)
    except OSError as error:
        raise _unreadable(path, error) from error
    return _read_once(str(path), status.st_mtime_ns, status.st_ino)


def _symbols(elf: ELFFile, table: SymbolTableSection) -> list[tuple[int, int, str]]:
    """(address, size, name) of functions and objects that are there; read in one go, as libraries have many."""
    order = "<" if elf.little_endian else ">"
    wide = elf.elfclass == 64
    thumb = elf["e_machine"] == "EM_ARM"  # bit 0 of a function's address tells the instruction set
    names, found = table.stringtable.data(), []
    for entry in struct.iter_unpack(order + ("IBBHQQ" if wide else "IIIBBH"), table.data()):
        if wide:
            name, info, _, section, address, size = entry
        else:
            name, address, size, info, _, section = entry
        if info & 15 in (_OBJECT, _FUNCTION) and section != 0:
            text = names[name : names.index(b"\0", name)].decode("utf-8", "replace")
            found.append((address & ~(thumb and info & 15 == _FUNCTION), size, text))
    return found


@functools.lru_cache(maxsize=256)
def _read_once(path: str, time_ns: int, inode: int) -> _Map:
    def read() -> list[Any]:
        with open(path, "rb") as stream:
            elf = _opened(stream)
            sections = [s for s in elf.iter_sections() if _holds_variables(s.name, s["sh_flags"])]
            table = _table(elf, ".symtab") or _table(elf, ".dynsym")
            symbols = _symbols(elf, table) if table is not None else []
            return [[(s.name, s["sh_addr"], s["sh_size"]) for s in sections if s["sh_size"]], sorted(symbols)]

    try:
        sections, symbols = kept_facts(Path(path), "memory map", __file__, read)
    except (OSError, ELFError) as error:
        raise _unreadable(Path(path), error) from error
    return _Map(tuple(Section(*section) for section in sections),
                tuple(Symbol(name, address, size) for address, size, name in symbols))


def _holds_variables(name: str, flags: int) -> bool:
    wanted = flags & (_WRITE | _ALLOCATE) == _WRITE | _ALLOCATE and not flags & _THREAD
    return wanted and not name.startswith(_NOT_AUTHORS)


def _unreadable(path: Path, error: Exception) -> SourceMissing:
    return SourceMissing(
        "a library's memory map cannot be read", str(path), str(error), "build it again, or check the path"
    )


@functools.lru_cache(maxsize=64)
def imported_names(path: Path) -> frozenset[str]:
    """Names that a library takes from others: what it calls of the C library, among them.

    Errors: SourceMissing if it cannot be read.
    """
    def read() -> list[str]:
        with open(path, "rb") as stream:
            section = _table(_opened(stream), ".dynsym")
            return [] if section is None else sorted(
                {s.name for s in section.iter_symbols() if s["st_shndx"] == "SHN_UNDEF" and s.name})

    try:
        return frozenset(kept_facts(path, "imported names", __file__, read))
    except (OSError, ELFError) as error:
        raise _unreadable(path, error) from error
