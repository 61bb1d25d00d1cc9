"""A job in a 32-bit process: the same engine, the same judge, the loops run in the program that was built."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, BinaryIO

import numpy as np
from elftools.elf.elffile import ELFFile

from firmware_shim.crash_words import FIRST_FIXED
from firmware_shim.engine import Engine
from firmware_shim.job import Job, JobResult, Stop
from firmware_shim.running import Library, Runner

MOST_SLOTS = 9


class NarrowProgram:
    """A 32-bit executable, driven as a library is. base and end: its own code's addresses, which are fixed."""

    def __init__(self, engine: Engine, path: str) -> None:
        self.path, self.engine = path, engine
        self.program = engine.ffi.new("struct pf_narrow *")
        self.program.path = path.encode()
        self.slots: dict[str, int] = {}
        self.base = 0
        with open(path, "rb") as stream:
            parts = [s for s in ELFFile(stream).iter_segments() if s["p_type"] == "PT_LOAD"]
            self.low = min(part["p_vaddr"] for part in parts)
            self.end = max(part["p_vaddr"] + part["p_memsz"] for part in parts)

    def carries(self, symbol: str, inputs: list[int], output: int) -> None:
        """What a loop takes and gives, in bytes."""
        slot = self.program.slot[self.slots.setdefault(symbol, len(self.slots))]
        slot.name, slot.inputs, slot.output_width = symbol.encode(), len(inputs), output
        slot.width[0 : len(inputs)] = inputs

    def symbol(self, name: str, kind: str) -> Any:
        """The engine's loop that stands for one of the program's."""
        return self.engine.lib.pf_narrow_loop(self.slots[name])

    def own(self, address: int) -> bool:
        """Whether an address lies in the program itself, not in a C library."""
        return self.low <= address < self.end


class NarrowRunner(Runner):
    """One job in a 32-bit process below the contained child."""

    starts_program = True

    def __init__(self, engine: Engine, job: Job, capture: BinaryIO) -> None:
        super().__init__(engine, job, capture)
        self.counter = 0

    def run_narrow(self, program: NarrowProgram, libraries: dict[str, Library]) -> JobResult:
        """Run all segments; ``libraries`` are those of screens and of the host's loops."""
        job, self.program = self.job, program
        program.slots.clear()
        for symbol, inputs, output in job.loop_widths():
            program.carries(symbol, inputs, output)
        self.engine.lib.pf_narrow_use(program.program)
        whole = self.run(program, libraries)  # type: ignore[arg-type]  # a program answers as a library does
        if job.trap_kinds and self.counter:
            whole.trap_library = program.path if program.own(self.counter) else "the 32-bit C library"
            whole.trap_offset = self.counter
        return whole

    def gather_facts(self, shared: Any, library: Library, whole: JobResult) -> None:
        super().gather_facts(shared, library, whole)
        if shared.signal:
            self.counter = int(shared.program_counter)

    def describe(self, shared: Any, status: int, hung: bool, segment: np.ndarray, library: Library) -> Stop:
        stop = super().describe(shared, status, hung, segment, library)
        at = int(shared.program_counter) if shared.signal else 0
        return replace(stop, code_offset=at if self.program.own(at) else None)

    @staticmethod
    def crash_text(shared: Any, number: int) -> str:
        address, stack = int(shared.fault_address), int(shared.stack_pointer)
        if number == 11 and address >= FIRST_FIXED and abs(address - stack) >= 1 << 16:
            return f"memory access outside everything mapped (SIGSEGV at 0x{address:x})"
        return Runner.crash_text(shared, number)
