"""What the compiler's own debug information says about the author's code.

Records only; ``dwarf_reader`` fills them from an ELF file, and they round-trip through JSON so that a
library is decoded once.
"""

from __future__ import annotations

import bisect
import json
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

FORMAT = 2


@dataclass(frozen=True)
class CType:
    """A C type seen through typedef, const and volatile.

    Shape: ``name`` as the author wrote it; ``kind`` one of float, int, uint, bool, enum, pointer,
           struct, array, void, long double, complex; ``bytes`` its size on the host; ``signed`` for
           int and for an enum whose carrier is signed; ``to`` what a pointer points to or an array
           holds (None for functions), ``to_constant`` whether that is const; ``count`` an array's
           first dimension.
    """

    name: str
    kind: str
    bytes: int
    signed: bool = False
    to: CType | None = None
    to_constant: bool = False
    count: int = 0


@dataclass(frozen=True)
class Parameter:
    """One parameter of a function; the name is empty where the author gave none."""

    name: str
    ctype: CType


@dataclass(frozen=True)
class Function:
    """A function defined in the sources or in a header they include.

    Shape: ``name`` with namespace and class in C++ (``bell::Voice::hz``); ``member_of`` the class of a
           member function, whose first parameter is ``this`` unless it is a static one; ``linkage`` the
           linker's name where it is another.
    """

    name: str
    result: CType
    parameters: tuple[Parameter, ...]
    file: str
    line: int
    static: bool
    variadic: bool
    inline: bool = False
    member_of: str = ""
    linkage: str = ""


def rank(function: Function) -> int:
    """Order among functions of one name: a real external one, an inline one, a static one."""
    return 2 if function.static else 1 if function.inline else 0


@dataclass(frozen=True)
class Array:
    """An array with static storage; ``count`` is its first dimension, in elements.

    ``element`` of an array of arrays has kind "array". ``scope`` names the function that holds it.
    """

    name: str
    count: int
    element: CType
    file: str
    line: int
    constant: bool
    scope: str = ""


@dataclass(frozen=True)
class Global:
    """A variable with static storage: size in bytes, address from the library's base."""

    name: str
    type: CType
    size: int
    address: int
    writable: bool
    file: str = ""
    line: int = 0
    scope: str = ""
    section: str = ""


@dataclass(frozen=True)
class Member:
    """One member of a struct; ``bits`` is the width of a bit-field, else 0."""

    name: str
    type: CType
    offset: int
    bits: int = 0


@dataclass(frozen=True)
class Struct:
    """A struct, union or class.

    Shape: ``name`` as a declaration needs it (``struct chain``, ``voice_t``, C++ ``bell::Voice``);
           ``kind`` struct, union or class; ``bases`` and ``methods`` (own names, no scope) in C++ only.
    """

    name: str
    kind: str
    bytes: int
    members: tuple[Member, ...]
    file: str = ""
    line: int = 0
    bases: tuple[str, ...] = ()
    methods: tuple[str, ...] = ()


@dataclass(frozen=True)
class Enum:
    """An enumeration: its names and values in order; an unnamed one is called by its first name."""

    name: str
    bytes: int
    signed: bool
    values: tuple[tuple[str, int], ...]
    file: str = ""
    line: int = 0


@dataclass(frozen=True)
class DebugInfo:
    """Everything read from one object file or library.

    Shape:  ``functions`` by name (of several with one name: the first that is not static, else the
            first; an overloaded C++ function's others as ``name(types)``); ``structs`` and ``enums`` by
            each name that a declaration may use, typedefs included; ``constant_arrays`` ALL arrays with
            static storage, see ``Array.constant``; ``width_differences`` per function the objects that are
            wider on this host than on the board; ``rows`` (address, file number, line, 1 if the code ends
            here) and ``ranges`` (low, high, depth, function), both by address; ``calls`` the functions
            each one calls or has inlined, as far as the optimised code shows them.
    """

    functions: dict[str, Function]
    constant_arrays: tuple[Array, ...]
    globals: tuple[Global, ...]
    width_differences: dict[str, tuple[str, ...]]
    files: tuple[str, ...] = ()
    rows: tuple[tuple[int, int, int, int], ...] = ()
    ranges: tuple[tuple[int, int, int, str], ...] = ()
    calls: dict[str, tuple[str, ...]] = field(default_factory=dict)
    structs: dict[str, Struct] = field(default_factory=dict)
    enums: dict[str, Enum] = field(default_factory=dict)

    def struct_of(self, ctype: CType) -> Struct | None:
        """The layout of a struct type, also behind a pointer; None if it is none or is not known."""
        seen: CType | None = ctype
        while seen is not None and seen.kind in ("pointer", "array"):
            seen = seen.to
        return self.structs.get(seen.name) if seen is not None and seen.kind == "struct" else None

    def readable(self, linkage: str) -> str:
        """The author's name for a linker's name; the linker's own where it is not known."""
        return next((f.name for f in self.functions.values() if f.linkage == linkage), linkage)

    def line_at(self, address: int) -> tuple[str, str, int] | None:
        """(function, file, line) of the code at an address counted from the library's base.

        The function is the innermost one, inlined ones included; a generated loop names itself. None
        where no compiled source is known.
        """
        at = bisect.bisect_right(self.rows, address, key=lambda row: row[0]) - 1
        if at < 0 or self.rows[at][3]:
            return None
        _, file_number, line, _ = self.rows[at]
        inside = [r for r in self.ranges if r[0] <= address < r[1]]
        if not inside:
            return None
        return max(inside, key=lambda r: r[2])[3], self.files[file_number], line

    def to_json(self) -> str:
        """The whole record as JSON text with a format number."""
        return json.dumps({"format": FORMAT, **asdict(self)}, separators=(",", ":"))


def from_json(text: str) -> DebugInfo:
    """The record that ``to_json`` wrote. Errors: ValueError or KeyError for anything else."""
    data: dict[str, Any] = json.loads(text)
    if data.get("format") != FORMAT:
        raise ValueError("another format")
    return DebugInfo(
        functions={name: _function(f) for name, f in data["functions"].items()},
        constant_arrays=tuple(Array(**{**a, "element": _ctype(a["element"])}) for a in data["constant_arrays"]),
        globals=tuple(Global(**{**g, "type": _ctype(g["type"])}) for g in data["globals"]),
        width_differences={k: tuple(v) for k, v in data["width_differences"].items()},
        files=tuple(data["files"]),
        rows=tuple((a, b, c, d) for a, b, c, d in data["rows"]),
        ranges=tuple((a, b, c, d) for a, b, c, d in data["ranges"]),
        calls={k: tuple(v) for k, v in data["calls"].items()},
        structs={name: _struct(s) for name, s in data["structs"].items()},
        enums={name: Enum(**{**e, "values": tuple((n, v) for n, v in e["values"])}) for name, e in data["enums"].items()},
    )


def _ctype(data: dict[str, Any]) -> CType:
    return CType(**{**data, "to": None if data["to"] is None else _ctype(data["to"])})


def _function(data: dict[str, Any]) -> Function:
    parameters = tuple(Parameter(p["name"], _ctype(p["ctype"])) for p in data["parameters"])
    return Function(**{**data, "result": _ctype(data["result"]), "parameters": parameters})


def _struct(data: dict[str, Any]) -> Struct:
    members = tuple(Member(**{**m, "type": _ctype(m["type"])}) for m in data["members"])
    return Struct(**{**data, "members": members, "bases": tuple(data["bases"]), "methods": tuple(data["methods"])})


def read_debug_info(path: Path) -> DebugInfo:
    """Decode the DWARF (version 4 or 5) of an ELF object or library.

    Errors: SourceMissing if the file is not there, is no ELF file or has no debug information.
    """
    from firmware_shim.dwarf_reader import read  # the reader's import costs more than a warm build

    return read(Path(path))
