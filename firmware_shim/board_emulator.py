"""An image for the board, loaded into the emulator with its memory map, its hooks and its limits.

One machine per image and purpose: for running (time limit, alignment, lacking instructions), for
tracing (every instruction: counts, costs, the one that raised a flag) or for interrupting (before any instruction).
Forked children inherit it; what they change is theirs alone.
"""

from __future__ import annotations

import ctypes
import json
import mmap
from pathlib import Path
from typing import Any

import numpy as np
from elftools.elf.elffile import ELFFile

from firmware_shim.board_code import CodeFacts, all_symbols, stored_code_facts
from firmware_shim.board_places import (
    BLOCK_AT,
    BLOCK_BYTES,
    EVENTS_AT,
    EVENTS_BYTES,
    LOOPS,
    PAGE,
    PROGRESS_AT,
    STACK_BYTES,
    STACK_TOP,
)
from firmware_shim.cores import Core, core_named
from firmware_shim.engine import Engine

MOST_SLOTS = 9
ALLOCATORS = ("malloc", "calloc", "realloc", "_malloc_r", "_calloc_r", "_realloc_r")
START_SECONDS = 3.0
STACK_PATTERN = b"\xa5"
FLUSH_BIT, DEFAULT_NAN_BIT = 1 << 24, 1 << 25
# Exception numbers of the emulator.
EXCEPTIONS = {1: "an undefined instruction", 2: "a supervisor call (svc)", 3: "a fetch that is refused",
              4: "an access that is refused", 7: "a breakpoint (bkpt)", 8: "an exception return"}


class LoadProblem(Exception):
    """The image cannot be made ready; the text says why."""


def pages(size: int) -> int:
    """Size rounded up to whole pages."""
    return (size + PAGE - 1) // PAGE * PAGE


def exclusive_loads(code: bytes) -> bool:
    """Whether bytes may hold LDREX, LDREXB or LDREXH."""
    words = np.frombuffer(code[: len(code) // 2 * 2], "<u2")
    first, second = words[:-1] & 0xFFF0, words[1:] & 0x0FE0
    return bool(((first == 0xE850) | ((first == 0xE8D0) & (second == 0x0F40))).any())


class BoardImage:
    """An image in the emulator, ready to be driven as a library is.

    Shape: ``base`` + an address of the board's variables = where they lie in this process; ``notes`` what
           the C side tells, in memory shared with children.
    """

    def __init__(self, engine: Engine, path: str, way: str = "") -> None:
        self.path, self.engine, self.way = path, engine, way
        self.core: Core = core_named(json.loads(Path(path).with_name("manifest.json").read_text())["core"])
        self.facts: CodeFacts = stored_code_facts(Path(path), self.core)
        self.kept: list[Any] = []
        self.slots: dict[str, int] = {}
        self.mapped: list[tuple[int, int]] = []
        self.words: dict[int, mmap.mmap] = {}
        self.read_image()
        self.make_machine()
        self.load()
        self.make_board()
        self.add_hooks()
        self.start()

    def read_image(self) -> None:
        """Segments, symbols and sizes from the file."""
        self.segments: list[tuple[int, int, bytes, bool]] = []
        self.symbols: dict[str, tuple[int, int]] = {}
        self.read_file(self.path)
        beside = Path(self.path).with_name(LOOPS)
        self.ready = beside.exists()
        if self.ready:
            self.read_file(str(beside))

    def read_file(self, path: str) -> None:
        """Add what one file holds."""
        with open(path, "rb") as stream:
            elf = ELFFile(stream)
            self.segments += [(s["p_vaddr"], s["p_memsz"], s.data(), s["p_flags"] & 2 != 0)
                             for s in elf.iter_segments() if s["p_type"] == "PT_LOAD" and s["p_memsz"]]
            constants = elf.get_section_by_name(".rodata")
            if path == self.path:
                self.tables = (constants["sh_addr"], constants["sh_size"]) if constants is not None else (0, 0)
            table = [s for s in all_symbols(elf) if s.name and s["st_shndx"] != "SHN_UNDEF"]
        self.symbols |= {s.name: (s["st_value"] & ~1 if s["st_info"]["type"] == "STT_FUNC" else s["st_value"], s["st_size"])
                         for s in table}

    def address(self, name: str) -> int:
        """Address of a symbol, bit 0 clear for functions."""
        return int(self.symbols[name][0])

    def make_machine(self) -> None:
        """The emulator with the core's model."""
        import unicorn
        from unicorn import arm_const
        from unicorn.unicorn_py3 import unicorn as binding

        self.unicorn, self.names, self.library = unicorn, arm_const, binding.uclib
        # With UC_MODE_MCLASS the model asked for is silently ignored (2.1.4): every core would be a Cortex-M33.
        self.machine = unicorn.Uc(unicorn.UC_ARCH_ARM, unicorn.UC_MODE_THUMB)
        self.machine.ctl_set_cpu_model(getattr(arm_const, self.core.model))

    def memory(self, address: int, size: int, permissions: int, *, shared: bool = False) -> mmap.mmap:
        """Map fresh zeroed memory of this process at an address of the board."""
        for low, length in self.mapped:
            if address < low + length and low < address + size:
                raise LoadProblem(f"two memory areas overlap at 0x{max(low, address):08x}")
        flags = mmap.MAP_ANONYMOUS | (mmap.MAP_SHARED if shared else mmap.MAP_PRIVATE | 0x4000)
        area = mmap.mmap(-1, size, flags)
        self.machine.mem_map_ptr(address, size, permissions, self.host(area))
        self.mapped.append((address, size))
        self.kept.append(area)
        return area

    def in_ram(self, regions: tuple[tuple[int, int], ...]) -> tuple[tuple[int, int], ...]:
        """Those of the sections with variables, (address, size in bytes), that ``base`` leads to.

        A finished image may have variables in several memories, of which one is compared; a linker calls a section
        writable that holds nothing but room up to the next boundary, and puts it beside constants.
        """
        low, high = self.ram
        return tuple((at, size) for at, size in regions if low <= at and at + size <= high)

    @staticmethod
    def host(area: mmap.mmap) -> int:
        """Where mapped memory lies in this process."""
        return ctypes.addressof(ctypes.c_char.from_buffer(area))

    def load(self) -> None:
        """Code read-only, variables, heap only where it is used, stack with nothing below it."""
        read, write, execute = self.unicorn.UC_PROT_READ, self.unicorn.UC_PROT_WRITE, self.unicorn.UC_PROT_EXEC
        fixed = [part for part in self.segments if not part[3]]
        varying = [part for part in self.segments if part[3]]
        for parts, permissions in ((fixed, read | execute), (varying, read | write | execute)):
            spans = sorted((at // PAGE * PAGE, pages(at % PAGE + size)) for at, size, _, _ in parts)
            merged: list[list[int]] = []
            for low, size in spans:
                if merged and low <= merged[-1][0] + merged[-1][1]:
                    merged[-1][1] = max(merged[-1][1], low + size - merged[-1][0])
                else:
                    merged.append([low, size])
            if parts is varying and {"_malloc_r", "malloc"} & set(self.symbols) and merged:
                merged[-1][1] = pages(self.address("__pf_heap_end")) - merged[-1][0]
            if parts is varying and not merged:
                merged = [[0x20000000, PAGE]]
            for low, size in merged:
                area = self.memory(low, size, permissions)
                if parts is varying and getattr(self, "ram", (0, 0))[0] < 0x20000000:
                    self.base, self.end = self.host(area) - low, self.host(area) + size
                    self.ram = (low, low + size)
                for at, _, data, _ in parts:
                    if low <= at < low + size:
                        area[at - low : at - low + len(data)] = data
        self.stack = self.memory(STACK_TOP - STACK_BYTES, STACK_BYTES, read | write)
        self.stack[:] = STACK_PATTERN * STACK_BYTES
        self.block = self.memory(BLOCK_AT, pages(BLOCK_BYTES), read | write)
        self.progress = self.memory(PROGRESS_AT, PAGE, read | write)
        if "__ubsan_handle_add_overflow" in self.symbols:
            self.events = self.memory(EVENTS_AT, EVENTS_BYTES, read | write, shared=True)

    def make_board(self) -> None:
        """The C side's view."""
        ffi, library = self.engine.ffi, self.library
        self.notes_memory = mmap.mmap(-1, PAGE)
        self.notes = ffi.cast("struct pf_board_notes *", ffi.from_buffer(self.notes_memory))
        board = self.board = ffi.new("struct pf_board *")

        def pointer(function: Any) -> Any:
            return ffi.cast("void *", ctypes.cast(function, ctypes.c_void_p).value)

        board.uc = ffi.cast("void *", getattr(self.machine._uch, "value", None))
        board.emu_start, board.emu_stop = pointer(library.uc_emu_start), pointer(library.uc_emu_stop)
        board.reg_read, board.reg_write = pointer(library.uc_reg_read), pointer(library.uc_reg_write)
        self.make_interruptible(board, pointer)
        board.block = ffi.cast("unsigned char *", self.host(self.block))
        board.stack = ffi.cast("unsigned char *", self.host(self.stack))
        board.progress = ffi.cast("uint32_t *", self.host(self.progress))
        board.block_address, board.progress_address = BLOCK_AT, PROGRESS_AT
        board.stack_low, board.stack_top = STACK_TOP - STACK_BYTES, STACK_TOP
        board.return_address = self.address("pf_board_return")
        board.own_low, board.own_high = self.address("__pf_own_start"), self.address("__pf_own_end")
        board.text_low, board.text_high = self.facts.low, self.facts.high
        board.fpu = self.core.fpu != "none"
        board.notes = self.notes
        board.limit_seconds = 1.0
        self.places = ffi.new("struct pf_board_place[]", max(1, len(self.facts.places)))
        for slot, place in zip(self.places, self.facts.places, strict=False):
            slot.address, slot.base, slot.index = place.address, place.base, place.index
            slot.shift, slot.offset, slot.align = place.shift, place.offset, place.align
        board.place, board.places = self.places, len(self.facts.places)
        for name in ("least", "most", "taken_least", "taken_most"):
            array = np.ascontiguousarray(getattr(self.facts, name))
            self.kept.append(array)
            setattr(board, name, ffi.cast("unsigned char *", ffi.from_buffer(array)))
        board.tables_low, board.tables_high = self.tables[0], sum(self.tables)
        self.touched = mmap.mmap(-1, max(1, self.tables[1] // 4 + 1))
        board.touched = ffi.cast("unsigned char *", ffi.from_buffer(self.touched))
        self.executed = mmap.mmap(-1, max(1, len(self.facts.least)))
        board.executed = ffi.cast("unsigned char *", ffi.from_buffer(self.executed))
        self.clear()

    def make_interruptible(self, board: Any, pointer: Any) -> None:
        """What stopping before an instruction and going on needs."""
        library, names = self.library, self.names
        board.context_alloc, board.context_save = pointer(library.uc_context_alloc), pointer(library.uc_context_save)
        board.context_restore = pointer(library.uc_context_restore)
        registers = [names.UC_ARM_REG_PRIMASK]
        if self.core.architecture != "v6-M":
            registers += [names.UC_ARM_REG_BASEPRI, names.UC_ARM_REG_FAULTMASK]
        for place, number in enumerate(registers):
            board.mask_register[place] = number
        board.status_register = names.UC_ARM_REG_CPSR
        # Only code with exclusive loads can tell whether the monitor was opened.
        self.clear_exclusive = 0
        if "pf_board_clear_exclusive" in self.symbols and any(exclusive_loads(data) for _, _, data, writes in self.segments
                                                              if not writes):
            self.clear_exclusive = self.address("pf_board_clear_exclusive")

    def clear(self) -> None:
        """Forget what the last run noted."""
        self.notes_memory[: self.engine.ffi.sizeof("struct pf_board_notes")] = bytes(
            self.engine.ffi.sizeof("struct pf_board_notes"))
        notes = self.notes
        notes.mode_after = notes.event_at = notes.library_event_at = notes.exception = -1
        notes.lowest_stack = notes.entry_stack = STACK_TOP

    def hook(self, kind: int, number: int, low: int = 1, high: int = 0, user: int = 0) -> None:
        """Let the emulator call one of the C side's functions."""
        handle = ctypes.c_size_t()
        function = int(self.engine.ffi.cast("intptr_t", self.engine.lib.pf_board_hook(number)))
        status = self.library.uc_hook_add(self.machine._uch, ctypes.byref(handle), kind, ctypes.c_void_p(function),
                                          ctypes.c_void_p(user), ctypes.c_uint64(low), ctypes.c_uint64(high))
        if status:
            raise LoadProblem(f"the emulator refuses a hook (error {status})")

    def add_hooks(self) -> None:
        """Before any code has run: hooks that come later are not called for code that was seen before."""
        kinds = self.unicorn
        self.hook(kinds.UC_HOOK_BLOCK, 0)
        self.hook(kinds.UC_HOOK_INTR, 2)
        if self.way == "interrupting":
            self.hook(kinds.UC_HOOK_CODE, 9)
        if self.way == "tracing":
            self.hook(kinds.UC_HOOK_CODE, 1)
            if self.tables[1]:
                self.hook(kinds.UC_HOOK_MEM_READ, 6, self.tables[0], self.tables[0] + self.tables[1] - 1)
        for number, place in enumerate(self.facts.places):
            self.hook(kinds.UC_HOOK_CODE, 3, place.address, place.address, number)
        for address, _ in self.facts.lacking:
            self.hook(kinds.UC_HOOK_CODE, 4, address, address)
        if not self.core.unaligned:
            self.hook(kinds.UC_HOOK_MEM_READ | kinds.UC_HOOK_MEM_WRITE, 5)
        self.hook(kinds.UC_HOOK_MEM_READ_INVALID | kinds.UC_HOOK_MEM_WRITE_INVALID, 8)
        for name in ALLOCATORS:
            if name in self.symbols:
                self.hook(kinds.UC_HOOK_CODE, 7, self.address(name), self.address(name))

    def start(self) -> None:
        """Run constructors of static objects, with a limit. Errors: LoadProblem."""
        self.engine.lib.pf_board_use(self.board)
        self.board.limit_seconds = START_SECONDS
        machine, names = self.machine, self.names
        machine.reg_write(names.UC_ARM_REG_SP, STACK_TOP)
        machine.reg_write(names.UC_ARM_REG_LR, self.address("pf_board_return") | 1)
        problem = ""
        try:
            machine.emu_start(self.address("pf_board_start") | 1, self.address("pf_board_return"))
        except self.unicorn.UcError as error:
            problem = str(error)
        if problem or self.notes.stopped or machine.reg_read(names.UC_ARM_REG_PC) != self.address("pf_board_return"):
            at = int(self.notes.program_counter) or machine.reg_read(names.UC_ARM_REG_PC)
            why = problem or (f"no end within {START_SECONDS:g} s" if self.notes.stopped == 2 else "it stopped")
            raise LoadProblem(f"a constructor of a static object did not come back: {why}, in {self.function_at(at)}")
        self.stack[:] = STACK_PATTERN * STACK_BYTES
        self.clear()

    def function_at(self, address: int) -> str:
        """Name of the function that covers an address, or the address."""
        for name, (low, size) in self.symbols.items():
            if low <= address < low + size and not name.startswith("$"):
                return name
        return f"0x{address:08x}"

    def lacking_text(self, address: int) -> str:
        """The instruction at an address that the core does not have."""
        return next((text for at, text in self.facts.lacking if at == address), "")

    def symbol(self, name: str, kind: str) -> Any:
        """Pointer to a C function that runs one of the image's loops; ``kind`` must be pf_loop."""
        if kind != "pf_loop":
            raise LoadProblem(f"{name} cannot run on the board: it is no block loop")
        if name not in self.slots:
            if len(self.slots) == MOST_SLOTS:
                self.slots.clear()
            number = self.slots[name] = len(self.slots)
            low, size = self.symbols[name]
            slot = self.board.slot[number]
            slot.entry, slot.end = low, low + size
        return self.engine.lib.pf_board_loop(self.slots[name])

    def carries(self, name: str, inputs: list[int], output: int) -> None:
        """Tell the widths in bytes of what a loop takes and gives."""
        self.symbol(name, "pf_loop")
        slot = self.board.slot[self.slots[name]]
        slot.inputs, slot.output_width = len(inputs), output
        for place, width in enumerate(inputs):
            slot.width[place] = width

    def map_words(self, words: tuple[tuple[int, int], ...]) -> None:
        """Pages of declared peripheral words, once each. Errors: LoadProblem."""
        read, write = self.unicorn.UC_PROT_READ, self.unicorn.UC_PROT_WRITE
        areas = self.words
        for address, value in words:
            page = address // PAGE * PAGE
            if page not in areas:
                areas[page] = self.memory(page, PAGE, read | write)
            areas[page][address - page : address - page + 4] = (value & 0xFFFFFFFF).to_bytes(4, "little")
