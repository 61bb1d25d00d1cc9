"""Objects as a linker meets them: what of an object can matter to a library that leaves some of its sections out."""

from __future__ import annotations

import hashlib
import struct
from collections import Counter
from collections.abc import Collection, Iterator
from dataclasses import dataclass

_SYMBOLS, _TEXTS, _RELA, _NOTHING, _REL = 2, 3, 4, 8, 9
_ALLOCATED, _LINK_ORDER = 0x2, 0x80
_FRAMES = ".eh_frame"
_NOT_LOADED = (".debug", ".rela.debug", ".rel.debug")
_IDENTITY = ".note.gnu.build-id"


@dataclass(frozen=True)
class Section:
    """A header of a section: its place in the list, and where its content lies in the file."""

    number: int
    name: str
    kind: int
    flags: int
    address: int
    offset: int
    size: int
    link: int
    info: int
    align: int
    entry_bytes: int


class ObjectFile:
    """An ELF file of little-endian order. Errors: ValueError, struct.error or IndexError for anything else."""

    def __init__(self, content: bytes) -> None:
        if content[:4] != b"\x7fELF" or content[4] not in (1, 2) or content[5] != 1:
            raise ValueError("no ELF file of little-endian order")
        self.content, self.wide = content, content[4] == 2
        head = struct.unpack_from("<HHIQQQIHHHHHH" if self.wide else "<HHIIIIIHHHHHH", content, 16)
        self.told = (content[4:16], head[0], head[1], head[2], head[6])  # kind, processor, version, its flags
        start, each, count, names_at = head[5], head[10], head[11], head[12]
        if not count or each != (64 if self.wide else 40):
            raise ValueError("no list of sections")
        form = "<IIQQQQIIQQ" if self.wide else "<IIIIIIIIII"
        headers = [struct.unpack_from(form, content, start + number * each) for number in range(count)]
        texts = content[headers[names_at][4] : headers[names_at][4] + headers[names_at][5]]
        self.sections = [
            Section(number, _text(texts, one[0]), *one[1:]) for number, one in enumerate(headers)]
        self.symbols = self._symbols()

    def held(self, section: Section) -> bytes:
        """Content of a section; empty where it holds zeros only."""
        return b"" if section.kind == _NOTHING else self.content[section.offset : section.offset + section.size]

    def _symbols(self) -> list[tuple[str, int, int, int, int, int]]:
        """(name, info, other, section, value, size) in order."""
        tables = [section for section in self.sections if section.kind == _SYMBOLS]
        if not tables:
            return []
        texts = self.held(self.sections[tables[0].link])
        if self.wide:
            every = struct.iter_unpack("<IBBHQQ", self.held(tables[0]))
            return [(_text(texts, name), info, other, at, value, size) for name, info, other, at, value, size in every]
        narrow = struct.iter_unpack("<IIIBBH", self.held(tables[0]))
        return [(_text(texts, name), info, other, at, value, size) for name, value, size, info, other, at in narrow]

    def relocations(self, section: Section) -> Iterator[tuple[int, int, int, int]]:
        """(offset, symbol, kind, addend) of each entry of a section of relocations."""
        form = ("<QQq" if self.wide else "<IIi") if section.kind == _RELA else ("<QQ" if self.wide else "<II")
        shift = 32 if self.wide else 8
        for offset, info, *addend in struct.iter_unpack(form, self.held(section)):
            yield offset, info >> shift, info & ((1 << shift) - 1), addend[0] if addend else 0

    def loaded(self) -> str:
        """One hash over the sections that are loaded, but for the file's own identity."""
        digest = hashlib.sha256(repr(self.told).encode())
        for section in self.sections:
            if section.flags & _ALLOCATED and section.name != _IDENTITY:
                digest.update(repr((section.name, section.kind, section.flags, section.address, section.size)).encode())
                digest.update(self.held(section))
        return digest.hexdigest()

    def without(self, gone: Collection[str]) -> str:
        """One hash over all that a link can depend on which leaves out the sections of these names.

        Shape: ``gone`` names as often as the linker told of them; where it left out some of one name and not others,
               all of them count. Headers and symbols count of those left out, too: what is reached, and from where, is
               decided by them and by the contents of what stays. Debug information does not count.
        """
        named, told = Counter(section.name for section in self.sections), Counter(gone)
        left = {section.number for section in self.sections if named[section.name] == told[section.name]}
        digest = hashlib.sha256(repr(self.told).encode())
        for section in self.sections:
            if section.name.startswith(_NOT_LOADED) or (section.name.startswith(".group") and self._of_debug(section)):
                continue
            moves = section.kind in (_RELA, _REL)
            if moves and section.info in left:
                continue
            header = (section.number, section.name, section.kind, section.flags, section.info if moves else 0, section.align,
                      section.entry_bytes, section.link if section.flags & _LINK_ORDER else 0)
            digest.update(repr(header).encode())
            if section.number in left or section.kind in (_SYMBOLS, _TEXTS):
                continue
            if section.name == _FRAMES:
                digest.update(repr(list(self._frames(section, left))).encode())
            elif not (moves and self.sections[section.info].name == _FRAMES):
                digest.update(repr(section.size).encode())
                digest.update(self.held(section))
        for name, info, other, at, value, size in self.symbols:
            inside = () if at in left or (at < len(self.sections) and self.sections[at].name.startswith(_NOT_LOADED)) else (
                value, size)
            digest.update(repr((name, info, other, at, inside)).encode())
        return digest.hexdigest()

    def _of_debug(self, group: Section) -> bool:
        words = struct.unpack(f"<{group.size // 4}I", self.held(group))
        return all(self.sections[number].name.startswith(_NOT_LOADED) for number in words[1:])

    def _frames(self, frames: Section, left: set[int]) -> Iterator[tuple[object, ...]]:
        """Records of how the stack is unwound, but for those of code that is left out: the linker drops them one by one."""
        moved: dict[int, list[tuple[int, int, int, int]]] = {}
        for section in self.sections:
            if section.kind in (_RELA, _REL) and section.info == frames.number:
                for entry in self.relocations(section):
                    moved.setdefault(entry[0], []).append(entry)
        content, at = self.held(frames), 0
        common: dict[int, int] = {}
        while at < len(content):
            (length,) = struct.unpack_from("<I", content, at)
            if length == 0xFFFFFFFF or at + 4 + length > len(content):
                raise ValueError("frames of another form")
            if not length:
                yield (at == len(content) - 4,)
                at += 4
                continue
            end = at + 4 + length
            inside = [(place - at, symbol, kind, addend) for place in range(at, end)
                      for _, symbol, kind, addend in moved.get(place, ())]
            (back,) = struct.unpack_from("<I", content, at + 4)
            if not back:
                common[at] = len(common)
                yield ("common", content[at:end], inside)
            else:
                begins = [symbol for place, symbol, _, _ in inside if place == 8]
                if len(begins) != 1:
                    raise ValueError("frames of another form")
                if self.symbols[begins[0]][3] not in left:
                    yield (common[at + 4 - back], content[at + 8 : end], inside)
            at = end


def _text(texts: bytes, at: int) -> str:
    return texts[at : texts.index(b"\0", at)].decode("utf-8", "surrogateescape")
