"""The strict build's event table: attached before a run, read after it."""

from __future__ import annotations

import functools
import mmap
import struct
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from firmware_shim.build_cache import cached_info
from firmware_shim.declared import declared
from firmware_shim.job import Event

if TYPE_CHECKING:
    from firmware_shim.running import Library

# Kinds that tell of a variable instead of a place; see recorder_globals.h.
BEYOND = ("read outside", "write outside", "read of the ended local", "write of the ended local",
          "copy between overlapping stretches", "read of freed memory", "write of freed memory")
SIGN = "implicit conversion changes the sign"
# Where it is compared the result is another; anywhere else every bit is kept, as where a phase wraps.
SIGN_COMPARED = "negative number compared as unsigned"
HEADER = Path(__file__).parent / "runtime" / "recorder.h"


@functools.cache
def read_ahead(folder: Path) -> None:
    """What every table needs of the declarations, for a process that forks others. folder: that of the engine."""
    for name in ("struct pf_events", "struct pf_events *", "long *"):
        declared((HEADER,), folder).typeof(name)


def operand_text(operand: Any) -> str:
    """One operand in words: 2147483647 (32-bit signed)."""
    bits, width, form = int(operand.bits), int(operand.width_bits), int(operand.form)
    if form == 1:
        signed = bits - (1 << 64) if bits >= 1 << 63 else bits
        return f"{signed}"
    if form == 2:
        return f"{bits}"
    if form == 3 and width == 32:
        return f"{struct.unpack('<f', struct.pack('<I', bits & 0xFFFFFFFF))[0]:.9g}"
    if form == 3 and width == 64:
        return f"{struct.unpack('<d', struct.pack('<Q', bits))[0]:.17g}"
    return f"0x{bits:x}" if form == 4 else ""


class EventTable:
    """Shared memory that the recorder in a strict library writes to."""

    def __init__(self, library: Library) -> None:
        self.ffi = declared((HEADER,), library.engine.path.parent)
        self.path, self.base = library.path, library.base
        self.lib: Any = self.ffi.dlopen(library.path)
        self.memory = mmap.mmap(-1, self.ffi.sizeof("struct pf_events"))
        self.table: Any = self.ffi.cast("struct pf_events *", self.ffi.from_buffer(self.memory))

    def attach(self, position: Any, other: Any) -> None:
        """Point the recorder at the table and at the run's position (a pointer of another cffi instance)."""
        address = int(other.cast("intptr_t", position))
        self.lib.pf_recorder_attach(self.table, self.ffi.cast("long *", address))

    def text(self, field: Any) -> str:
        """A C text of the table."""
        value: Any = self.ffi.string(field)
        return str(value, "utf-8", "replace")

    def read(self) -> list[Event]:
        """The events so far."""
        found = []
        for entry in self.table.event[0 : min(64, int(self.table.used))]:
            operands = [operand_text(entry.operand[k]) for k in range(min(2, int(entry.operands)))]
            kind = self.text(entry.kind)
            if kind == SIGN and self.compared(entry):
                kind = SIGN_COMPARED
            shown = f"{kind} ({', '.join(filter(None, operands))})" if any(operands) else kind
            bits = tuple(int(entry.operand[k].bits) for k in range(int(entry.operands)))
            if kind in BEYOND:
                found.append(self.beyond(kind, entry))
                continue
            found.append(Event(kind, self.text(entry.file), int(entry.line), int(entry.column), int(entry.count),
                               int(entry.position), bits, shown))
        return found

    def called_at(self, offset: int) -> tuple[str, int] | None:
        """Where the author's code calls a wrapper of a header's, for code inside one."""
        from firmware_shim.call_sites import call_site  # its import costs more than a warm build

        return call_site(Path(self.path), offset)

    def compared(self, entry: Any) -> bool:
        """Whether a signed integer is compared with an unsigned one in an entry's line; its file may be a path's end only."""
        from firmware_shim.clang_strict import mixed_comparisons  # with it comes all of the build, which workers do without

        file, line = self.text(entry.file), int(entry.line)
        return any(place == line and path.endswith(file) for path, place in mixed_comparisons(Path(self.path)))

    def beyond(self, kind: str, entry: Any) -> Event:
        """An access next to a variable of the firmware: its code address becomes a line."""
        name, size = self.text(entry.file), int(entry.column)
        apart, length = (int(entry.operand[k].bits) for k in range(2))
        apart -= (1 << 64) if apart >= 1 << 63 else 0
        where = f"{-apart} bytes before '{name}'" if apart < 0 else f"at byte {apart} of '{name}', which has {length}"
        offset = (int(entry.line) - self.base) & 0xFFFFFFFF
        line = cached_info(Path(self.path)).line_at(offset)
        _, file, number = line or ("", self.path, 0)
        file, number = self.called_at(offset) or (file, number)
        said = f"{kind} '{name}'" if name else kind
        told = f"{kind} a variable ({size} bytes {where})"
        if kind.startswith("copy"):
            told = f"{size} bytes copied by memcpy or strcpy between stretches that overlap ({apart} bytes apart)"
        if "freed" in kind:
            told = f"{kind} ({size} bytes)"
        if "ended" in kind:
            told = f"{said} ({size} bytes, after its block had ended)"
        return Event(said, file, number, 0, int(entry.count), int(entry.position), (apart & (2**64 - 1), length), told)


class BoardEventTable(EventTable):
    """The same in memory of the emulated board; its recorder knows where. Positions have 32 bits there."""

    def __init__(self, memory: mmap.mmap, engine: Path) -> None:
        self.ffi = declared((HEADER,), engine.parent)
        self.memory = memory
        size = self.ffi.sizeof("struct pf_events")
        memory[:size] = bytes(size)
        self.table: Any = self.ffi.cast("struct pf_events *", self.ffi.from_buffer(memory))

    def attach(self, position: Any, other: Any) -> None:
        """Nothing to do: both places are fixed."""

    def read(self) -> list[Event]:
        return [replace(event, ordinal=event.ordinal & 0xFFFFFFFF) for event in super().read()]
