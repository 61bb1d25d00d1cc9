"""Whether two compilations of a program are the same but for one function, and whether that function stands alone.

Read from the objects, before the linker moves anything: each function and variable has a section of its own
(sections_apart.py), constants are compared by what they hold. A function that others took in (inlined) has changed them,
so that they differ. What debuggers and unwinders read is left out: C only.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from firmware_shim.object_files import ObjectFile

_WRITE, _ALLOCATED, _THREAD = 0x1, 0x2, 0x400
_RELA, _REL = 4, 9
_KIND, _OF_SECTION = 0xF, 3
_NO_OBJECT = (OSError, ValueError, struct.error, IndexError, KeyError)
_NOT_CODE = (".eh_frame", ".note.")
# Named after a number of the compiler's own, which another constant before it moves.
_NUMBERED = re.compile(r"\.LC(?:PI)?\d+(?:_\d+)?$")
# Of the C library: the result hangs on nothing but the arguments and the mode of floating point.
_PURE = re.compile(r"(?:rint|nearbyint|floor|ceil|trunc|round|fabs|fmin|fmax|copysign|sqrt|exp|exp2|log|log2|log10|pow|sin|"
                   r"cos|tan|sinh|cosh|tanh|asin|acos|atan|atan2|fmod|ldexp|scalbn|fma)[fl]?$")
# They see what a function leaves beside its result: errno, the flags of floating point.
_LOOKERS = re.compile(r"__errno_location|fetestexcept|fegetexceptflag|fegetenv|feholdexcept|feupdateenv")


@dataclass
class Section:
    """A loaded section. points: (offset, kind, name or section of what it points to, addend)."""

    flags: int
    content: bytes
    points: list[tuple[int, int, str, int]] = field(default_factory=list)


@dataclass
class Object:
    """Loaded sections and defined names (name -> section, value, size, info) of one object."""

    sections: dict[str, Section]
    names: dict[str, tuple[str, int, int, int]]
    undefined: frozenset[str]

    def shown(self, name: str, seen: tuple[str, ...] = ()) -> Any:
        """A section as far as it can be told apart from another: a constant by what it holds, all else by name."""
        section = self.sections.get(name)
        if section is None or not _NUMBERED.search(name):
            return name
        if name in seen:
            return "itself"
        points = [(at, kind, self.shown(to, (*seen, name)), more) for at, kind, to, more in section.points]
        return section.flags, section.content, points

    def text(self, name: str) -> Any:
        """Flags, bytes and what a section points to."""
        section = self.sections[name]
        return section.flags, section.content, [(at, kind, self.shown(to), more) for at, kind, to, more in section.points]

    def home(self, to: str) -> str:
        """The section of a name, or the section itself; "" for what another object or the C library defines."""
        return to if to in self.sections else self.names[to][0] if to in self.names else ""


def read(path: Path) -> Object:
    """An object as the compiler made it. Errors: OSError; those of ObjectFile for what is none."""
    file = ObjectFile(path.read_bytes())
    every = file.sections
    sections: dict[str, Section] = {}
    for section in every:
        if section.flags & _ALLOCATED and not section.name.startswith(_NOT_CODE):
            if section.name in sections and section.size:
                raise ValueError(f"two sections {section.name}")
            sections[section.name] = Section(section.flags, file.held(section) or bytes(section.size))
    names: dict[str, tuple[str, int, int, int]] = {}
    for name, info, _, at, value, size in file.symbols:
        if name and 0 < at < len(every) and info & _KIND != _OF_SECTION and every[at].name in sections:
            names[name] = every[at].name, value, size, info
    for section in every:
        target = sections.get(every[section.info].name) if section.kind in (_RELA, _REL) else None
        for offset, number, kind, addend in file.relocations(section) if target is not None else ():
            name, info, _, at, value, _ = file.symbols[number]
            if 0 < at < len(every) and (info & _KIND == _OF_SECTION or name.startswith(".L")):
                name, addend = every[at].name, addend + value
            assert target is not None
            target.points.append((offset, kind, name, addend))
    return Object(sections, names, frozenset(name for name, _, _, at, _, _ in file.symbols if name and not at))


def without_inlining(family: str) -> str:
    """Flags with which a compiler keeps each function a function of its own, of whose inside its callers know nothing."""
    knows = ("cp", "sra", "icf", "ra", "pure-const", "modref", "reference", "vrp", "bit-cp")
    return " ".join(["-fno-inline", *(f"-fno-ipa-{word}" for word in knows if family != "clang")])


def same_function(function: str, one: Sequence[Path], other: Sequence[Path]) -> bool:
    """Whether a function is the same code in two builds."""
    try:
        parts = [[part for part in map(read, paths) if f".text.{function}" in part.sections] for paths in (one, other)]
        (first,), (second,) = parts
        return bool(first.text(f".text.{function}") == second.text(f".text.{function}"))
    except _NO_OBJECT:
        return False


def only_differ_in(function: str, old: Sequence[Path], new: Sequence[Path]) -> bool:
    """Whether the objects of two builds are the same but for one function, which reaches nothing that changes.

    Then a program with the one does what it does with the other if both functions give the same for whatever their
    parameters can hold. Within what C defines: code that reads beside its variables may see what moved.
    """
    try:
        pairs = [(read(before), read(now)) for before, now in zip(old, new, strict=True)]
    except _NO_OBJECT:
        return False
    place = f".text.{function}"
    every = [one for pair in pairs for one in pair]
    if sum(place in before.sections and place in now.sections for before, now in pairs) != 1:
        return False
    if any(_LOOKERS.match(name) for one in every for name in one.undefined):
        return False
    return all(_rest(before, place) == _rest(now, place) for before, now in pairs) and all(
        _stands_alone(one, [place]) for one in every if place in one.sections)


def _rest(one: Object, place: str) -> Any:
    """All but one section, and but for constants, which count where something points to them."""
    texts = {name: one.text(name) for name in one.sections if name != place and not _NUMBERED.search(name)}
    names = {name: home for name, home in one.names.items() if home[0] != place and not _NUMBERED.search(home[0])}
    return texts, names


def _stands_alone(one: Object, waiting: Iterable[str]) -> bool:
    """Whether sections of code reach nothing but constants, each other, and functions of the C library that keep nothing."""
    left, reached = list(waiting), set()
    while left:
        name = left.pop()
        if name in reached:
            continue
        reached.add(name)
        section = one.sections[name]
        if section.flags & (_WRITE | _THREAD):
            return False
        for _, _, to, _ in section.points:
            home = one.home(to)
            if not home and not _PURE.match(to):
                return False
            left += [home] if home else []
    return True
