"""Whether two images hold the same code of a routine and of all that it calls by name, wherever it was linked."""

from __future__ import annotations

import functools
import re
from pathlib import Path
from typing import Any

from elftools.elf.elffile import ELFFile

from firmware_shim.board_code import instructions
from firmware_shim.memory_map import functions_of, symbol_at


class _Code:
    """Instructions of an image by function, with names in place of addresses."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.all: dict[int, Any] = {one.address: one for one in instructions(path)}
        self.spans = {name: (low, size) for name, low, size in functions_of(path)}
        with open(path, "rb") as stream:
            elf = ELFFile(stream)
            self.parts = [(s["p_vaddr"], s.data()) for s in elf.iter_segments() if s["p_type"] == "PT_LOAD"]

    def word(self, address: int) -> int:
        """A 32-bit word of the image, 0 outside of it."""
        for low, data in self.parts:
            if low <= address and address + 4 <= low + len(data):
                return int.from_bytes(data[address - low : address - low + 4], "little")
        return 0

    def string(self, address: int) -> bytes | None:
        """The string that stands at an address of the image, without its end; None if there is none."""
        for low, data in self.parts:
            if low <= address < low + len(data):
                text, end, _ = data[address - low :].partition(b"\0")
                return text if end and text.decode("latin-1").isprintable() else None
        return None

    def named(self, value: int, inside: tuple[int, int]) -> str:
        """A value as a place in the function, as a symbol with an offset, or as the number."""
        if inside[0] <= value < sum(inside):
            return f"here+{value - inside[0]}"
        found = symbol_at(self.path, value & ~1)
        return f"{found.name}+{value - found.offset_address}" if found is not None else f"{value:#x}"

    def text(self, name: str) -> tuple[list[str], set[str]]:
        """(a function's instructions in words that do not depend on where it lies, names of what it calls)."""
        from capstone import arm

        low, size = span = self.spans[name]
        lines: list[str] = []
        calls: set[str] = set()
        halves: dict[int, tuple[int, int]] = {}
        for at in sorted(address for address in self.all if low <= address < low + size):
            one = self.all[at]
            mnemonic, last = one.mnemonic.removesuffix(".w"), one.operands[-1] if one.operands else None
            memory = last.mem if last is not None and last.type == arm.ARM_OP_MEM else None
            if one.group(arm.ARM_GRP_JUMP) and last is not None and last.type == arm.ARM_OP_IMM:
                target = self.named(last.imm & 0xFFFFFFFF, span)
                if not target.startswith("here") and target.split("+")[0] in self.spans:
                    calls.add(target.split("+")[0])
                registers = ",".join(one.reg_name(o.reg) for o in one.operands if o.type == arm.ARM_OP_REG)
                lines.append(f"{mnemonic} {registers} {target}")
            elif memory is not None and one.reg_name(memory.base) == "pc" and not memory.index:
                place = ((at + 4) & ~3) + memory.disp
                wide = [self.named(self.word(place + k), span) for k in ((0, 4) if one.mnemonic.endswith("64") else (0,))]
                registers = ",".join(one.reg_name(o.reg) for o in one.operands[:-1] if o.type == arm.ARM_OP_REG)
                lines.append(f"{mnemonic} {registers} ={'_'.join(wide)}")
            else:
                lines.append(f"{mnemonic} {one.op_str}")
                if mnemonic == "movw" and last is not None:
                    halves[one.operands[0].reg] = (len(lines) - 1, last.imm)
                elif mnemonic == "movt" and last is not None and one.operands[0].reg in halves:
                    index, lower = halves.pop(one.operands[0].reg)
                    value = self.named(last.imm << 16 | lower, span)
                    lines[index], lines[-1] = f"movw {value}", f"movt {value}"
        while lines and lines[-1].strip() == "nop":
            lines.pop()  # fills up to the constants behind the code, as its place asks for
        return lines, calls


def _same_line(one: _Code, line: str, two: _Code, other: str) -> bool:
    """Whether two lines are the same, strings that have no name by what they say."""
    if line == other:
        return True
    places = [re.fullmatch(r"(ldr \w+ |mov[wt] )=?(0x[0-9a-f]+)", text) for text in (line, other)]
    if places[0] is None or places[1] is None or places[0][1] != places[1][1]:
        return False
    said = one.string(int(places[0][2], 16))
    return said is not None and said == two.string(int(places[1][2], 16))


@functools.lru_cache(maxsize=4)
def _code(path: Path, key: str) -> _Code:
    return _Code(path)


def other_code(first: Path, second: Path, roots: set[str], key: str = "", *, some: bool = False) -> tuple[str, ...]:
    """Functions reached from the roots by direct calls whose code differs in two images; empty if none does.

    Shape:  ``key`` tells builds of one path apart; a function that only one image has is named too;
            ``some`` the roots are words, of which only functions that both have count.
    Errors: OSError, SourceMissing when a file cannot be read.
    """
    one, two = _code(first, key), _code(second, key)
    seen = {name for name in roots if not some or (name in one.spans and name in two.spans)}
    waiting, differing = sorted(seen), []
    while waiting:
        name = waiting.pop()
        if name not in one.spans or name not in two.spans:
            differing.append(name)
            continue
        (lines, calls), (others, other_calls) = one.text(name), two.text(name)
        if len(lines) != len(others) or not all(_same_line(one, a, two, b) for a, b in zip(lines, others, strict=True)):
            differing.append(name)
        for called in sorted((calls & other_calls) - seen):
            seen.add(called)
            waiting.append(called)
    return tuple(differing)
