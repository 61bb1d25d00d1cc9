"""What the image's instructions are: which the core lacks, which need alignment, what each may cost.

Code and data are told apart by the linker's mapping symbols, so nothing is guessed.
"""

from __future__ import annotations

import contextlib
import functools
import io
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from firmware_shim.board_cycles import Seen, cost_of, may_branch, moves_several
from firmware_shim.compiler import write_whole
from firmware_shim.cores import Core

# Multiple and double transfers must be word-aligned on every core, single ones where the core says so.
_WORD_ALIGNED = {"ldrd", "strd", "ldm", "ldmdb", "stm", "stmdb", "vldr", "vstr", "vldmia", "vldmdb", "vstmia", "vstmdb"}
_WIDE_ON_V6M = {"bl", "dmb", "dsb", "isb", "mrs", "msr", "udf"}
_DSP_TOO = ("uxtab", "sxtab", "uxtb16", "sxtb16", "pkhbt", "pkhtb", "sel", "usad")
_ALWAYS_ALIGNED = {"sp", "pc", "r13", "r15"}


@dataclass(frozen=True)
class Place:
    """An access that must be aligned when it runs: base register + index << shift + offset.

    Registers are the emulator's numbers, 0 for none; ``align`` in bytes.
    """

    address: int
    base: int
    index: int
    shift: int
    offset: int
    align: int


@dataclass(frozen=True)
class CodeFacts:
    """Facts of one image.

    Shape: the text lies at [low, high); arrays have one entry per halfword of it, half cycles;
           ``lacking`` pairs (address, text) of instructions that the core does not have.
    """

    low: int
    high: int
    least: np.ndarray
    most: np.ndarray
    taken_least: np.ndarray
    taken_most: np.ndarray
    lacking: tuple[tuple[int, str], ...]
    places: tuple[Place, ...]


def text_section(elf: Any) -> Any:
    """The section of all code in an image that this package linked."""
    return elf.get_section_by_name(".text")


def all_symbols(elf: Any) -> list[Any]:
    """Every symbol of an image."""
    return list(elf.get_section_by_name(".symtab").iter_symbols())


def instructions(path: Path) -> Iterator[Any]:
    """Every instruction of an image, in order, with details."""
    import capstone

    machine = capstone.Cs(capstone.CS_ARCH_ARM, capstone.CS_MODE_THUMB | capstone.CS_MODE_MCLASS | capstone.CS_MODE_V8)
    machine.detail = True
    from elftools.elf.elffile import ELFFile  # dear, and wanted where nothing is kept of a file

    with open(path, "rb") as stream:
        elf = ELFFile(stream)
        text = text_section(elf)
        data, low = text.data(), text["sh_addr"]
        number = next(k for k, section in enumerate(elf.iter_sections()) if section.name == ".text")
        marks = sorted(
            (symbol["st_value"] & ~1, symbol.name[1] == "t")
            for symbol in all_symbols(elf)
            if symbol.name[:2] in ("$t", "$d", "$a") and symbol["st_shndx"] == number
        )
    ends = [at for at, _ in marks[1:]] + [low + len(data)]
    for (start, code), end in zip(marks, ends, strict=True):
        at = start
        while code and at < end:
            found = machine.disasm(data[at - low : end - low], at)
            for one in found:
                at = one.address + one.size
                yield one
            if at < end:  # an undefined pattern: step over one instruction of its length
                first = int.from_bytes(data[at - low : at - low + 2], "little")
                at += 4 if first >> 11 >= 0x1D else 2


def lacks(core: Core, one: Any, groups: set[str]) -> bool:
    """Whether a core does not have an instruction."""
    name = one.insn_name()
    if groups & {"neon", "crypto", "crc", "notmclass"}:
        return True
    if groups & {"vfp2", "vfp3", "vfp4", "fparmv8", "dpvfp"} and core.fpu == "none":
        return True
    if "dpvfp" in groups and core.fpu != "double":
        return True
    if "fparmv8" in groups and core.fpu_level < 5:
        return True
    if core.architecture == "v6-M":
        return name in ("it", "cbz", "cbnz") or (one.size == 4 and name not in _WIDE_ON_V6M)
    dsp = "THUMB2DSP" in groups or name.startswith(_DSP_TOO)
    return dsp and not core.dsp


def _seen(one: Any, groups: set[str]) -> Seen:
    from capstone import arm

    name = one.insn_name()
    registers = [operand for operand in one.operands if operand.type == arm.ARM_OP_REG]
    words = 0
    if moves_several(name):
        moved = registers if name in ("push", "pop", "vpush", "vpop") else registers[1:]
        words = sum(2 if one.reg_name(operand.reg).startswith("d") else 1 for operand in moved)
    to_pc = any(operand.reg == arm.ARM_REG_PC and operand.access & 2 for operand in registers)
    if name == "pop" or name.startswith("ldm"):
        to_pc = any(operand.reg == arm.ARM_REG_PC for operand in registers)
    branches = may_branch(name) or to_pc
    conditional = one.cc not in (0, arm.ARM_CC_AL) or name in ("cbz", "cbnz")
    return Seen(name, "dpvfp" in groups or ".f64" in one.mnemonic, words, branches, conditional)


def _place(core: Core, one: Any, emulator: Any) -> Place | None:
    from capstone import arm

    name = one.insn_name()
    if name not in _WORD_ALIGNED or not core.unaligned:
        return None  # where single words must be aligned too, the runner watches every access
    memory = next((operand.mem for operand in one.operands if operand.type == arm.ARM_OP_MEM), None)
    if memory is None:
        base, index, shift, offset = one.operands[0].reg, 0, 0, 0
    else:
        base, index, shift, offset = memory.base, memory.index, memory.lshift, memory.disp
        if one.post_index:
            index = shift = offset = 0
    if one.reg_name(base) in _ALWAYS_ALIGNED:
        return None

    def number(register: int) -> int:
        return int(getattr(emulator, "UC_ARM_REG_" + one.reg_name(register).upper())) if register else 0

    return Place(one.address, number(base), number(index), shift, offset, 4)


@dataclass(frozen=True)
class Call:
    """A call from one place to a named function, with the line of C and the innermost function where they are known."""

    address: int
    target: str
    place: str
    caller: str


@functools.lru_cache(maxsize=8)
def calls_in(path: Path) -> tuple[Call, ...]:
    """Every direct call of an image, in order. Errors: SourceMissing."""
    from capstone import arm

    from firmware_shim.build_cache import cached_info
    from firmware_shim.memory_map import functions_of

    names: dict[int, str] = {}
    for name, low, _ in functions_of(path):
        # One routine of arithmetic often has several names: the one of the Arm run-time interface tells most.
        if low not in names or name.startswith("__aeabi_"):
            names[low] = name
    info = cached_info(path)
    found = []
    for one in instructions(path):
        if one.insn_name() not in ("bl", "b", "blx") or not one.operands or one.operands[-1].type != arm.ARM_OP_IMM:
            continue
        target = names.get(one.operands[-1].imm & ~1)
        if target is not None:
            line = info.line_at(one.address)
            place, caller = (f"{Path(line[1]).name}:{line[2]}", line[0]) if line else ("", "")
            found.append(Call(one.address, target, place, caller))
    return tuple(found)


def accessed(path: str, address: int, registers: list[int]) -> int | None:
    """The address that the instruction at an address reads or writes, given r0 to r15; None if it is none."""
    from capstone import arm

    one = next((found for found in instructions(Path(path)) if found.address == address), None)
    if one is None:
        return None

    def value(register: int) -> int:
        names = {"sp": 13, "lr": 14, "pc": 15, "sb": 9, "sl": 10, "fp": 11, "ip": 12}
        name = one.reg_name(register)
        number = names.get(name, int(name[1:]) if name[1:].isdigit() else 15)
        return (address + 4) & ~3 if number == 15 else registers[number]

    name = one.insn_name()
    if name in ("push", "vpush"):
        words = sum(2 if one.reg_name(o.reg).startswith("d") else 1 for o in one.operands)
        return registers[13] - 4 * words
    if name in ("pop", "vpop"):
        return registers[13]
    memory = next((operand.mem for operand in one.operands if operand.type == arm.ARM_OP_MEM), None)
    if memory is None:
        return value(one.operands[0].reg) if name in _WORD_ALIGNED else None
    at = value(memory.base)
    if not one.post_index:
        at += memory.disp + (value(memory.index) << memory.lshift if memory.index else 0)
    return at


def _calm(path: Path) -> tuple[list[tuple[int, int]], list[tuple[int, int]]]:
    """Code that cannot meet an address of the author's: (functions without pointers, plain loops of our own)."""
    from firmware_shim.build_cache import cached_info
    from firmware_shim.errors import SourceMissing
    from firmware_shim.loop_source import loop_symbol
    from firmware_shim.memory_map import functions_of

    try:
        # Of the whole image, read already: its functions have the same names.
        known = cached_info(path.with_name("library.so")).functions
    except SourceMissing:
        return [], []
    loops = {loop_symbol(name) for name in known}
    there = functions_of(path)
    return [
        (low, low + size) for name, low, size in there
        if name in known and not any(p.ctype.kind in ("pointer", "struct", "array") for p in known[name].parameters)
    ], [(low, low + size) for name, low, size in there if name in loops]


def code_facts(path: Path, core: Core) -> CodeFacts:
    """Disassemble an image and classify every instruction. Errors: OSError."""
    from elftools.elf.elffile import ELFFile  # dear, and wanted where nothing is kept of a file
    from unicorn import arm_const

    with open(path, "rb") as stream:
        elf = ELFFile(stream)
        text = text_section(elf)
        low, size = text["sh_addr"], text["sh_size"]
        ends = [s["st_value"] for s in all_symbols(elf) if s.name == "__pf_own_end"]
    own_end = ends[0] if ends else low + size
    without_pointers, loops = _calm(path)
    halves = (size + 1) // 2
    least, most, taken_least, taken_most = (np.full(halves, fill, np.uint8) for fill in (2, 2, 0, 0))
    lacking: list[tuple[int, str]] = []
    places: list[Place] = []
    for one in instructions(path):
        groups = {str(one.group_name(group)) for group in one.groups}
        at = (one.address - low) // 2
        cost = cost_of(core.timing, _seen(one, groups))
        least[at], most[at], taken_least[at], taken_most[at] = cost.least, cost.most, cost.taken_least, cost.taken_most
        if lacks(core, one, groups):
            lacking.append((one.address, f"{one.mnemonic} {one.op_str}".strip()))
        place = _place(core, one, arm_const)
        calm = loops if one.address < own_end else without_pointers
        if place is not None and not any(a <= one.address < b for a, b in calm):
            places.append(place)
    return CodeFacts(low, low + size, least, most, taken_least, taken_most, tuple(lacking), tuple(places))


_ARRAYS = ("least", "most", "taken_least", "taken_most")


def _facts_file(library: Path) -> Path:
    return library.with_name(f"code_facts_of_{library.stem}.npz")


def keep_code_facts(library: Path, core: Core, earlier: str | None = None) -> None:
    """Store the facts of a finished build beside its image: workers start faster. earlier: the same image in another
    build, whose facts hold where the functions that need no look are the same."""
    if earlier is not None and _calm(Path(earlier)) == _calm(library):
        with contextlib.suppress(OSError):
            write_whole(_facts_file(library), _facts_file(Path(earlier)).read_bytes())
            return
    kept_code_facts(library, core)


def kept_code_facts(library: Path, core: Core) -> CodeFacts:
    """Facts of a build, made and stored."""
    facts = code_facts(library, core)
    places = [(p.address, p.base, p.index, p.shift, p.offset, p.align) for p in facts.places]
    body = io.BytesIO()
    np.savez(
        body, span=np.array([facts.low, facts.high]), lacking=np.array([a for a, _ in facts.lacking], np.int64),
        texts=np.array([t for _, t in facts.lacking], dtype=np.str_), places=np.array(places, np.int64).reshape(-1, 6),
        **{name: getattr(facts, name) for name in _ARRAYS},
    )
    with contextlib.suppress(OSError):
        write_whole(_facts_file(library), body.getvalue())
    return facts


def stored_code_facts(library: Path, core: Core) -> CodeFacts:
    """Facts stored beside an image; made anew where they are missing or cannot be read."""
    try:
        with np.load(_facts_file(library)) as stored:
            low, high = (int(value) for value in stored["span"])
            lacking = tuple(zip(stored["lacking"].tolist(), stored["texts"].tolist(), strict=True))
            least, most, taken_least, taken_most = (stored[name] for name in _ARRAYS)
            places = tuple(Place(*line) for line in stored["places"].tolist())
            return CodeFacts(low, high, least, most, taken_least, taken_most, lacking, places)
    except (OSError, ValueError, KeyError):
        return kept_code_facts(library, core)
