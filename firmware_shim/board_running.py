"""A job on the emulated board: the same engine, the same judge, the loops run in the emulator."""

from __future__ import annotations

import mmap
from dataclasses import replace
from typing import Any, BinaryIO

import numpy as np

from firmware_shim.board_code import accessed
from firmware_shim.board_emulator import DEFAULT_NAN_BIT, EXCEPTIONS, FLUSH_BIT, BoardImage, LoadProblem
from firmware_shim.board_places import STACK_BYTES, STACK_TOP
from firmware_shim.engine import Engine
from firmware_shim.events import BoardEventTable, EventTable
from firmware_shim.job import Job, JobResult, Stop
from firmware_shim.running import Library, Runner

# Status bits of the floating-point unit, in the engine's order of kinds.
FLAG_BITS = (1 << 0, 1 << 7, 1 << 1, 1 << 2, 1 << 3)
# The emulator is slower than a processor: the watch over the whole child waits longer than the one inside.
PATIENCE = 4.0
REFUSED, NO_ANSWER, UNALIGNED, LACKING = 1, 2, 3, 4
GUARD_BYTES = 1 << 20
DATA_ABORT = 4


class BoardRunner(Runner):
    """One job on the emulated board, in a forked child as on the host."""

    def __init__(self, engine: Engine, job: Job, capture: BinaryIO) -> None:
        super().__init__(engine, replace(job, trap_kinds=0, call_limit_seconds=PATIENCE * job.call_limit_seconds), capture)
        self.asked = job

    def run_board(self, image: BoardImage, libraries: dict[str, Library]) -> JobResult:
        """Run all segments; ``libraries`` are those of screens and of the host's loops."""
        self.image = image
        job, board = self.asked, image.board
        self.job = replace(self.job, regions=image.in_ram(job.regions))
        image.slots.clear()
        image.clear()
        for symbol, inputs, output in job.loop_widths():
            image.carries(symbol, inputs, output)
        board.fpscr = (FLUSH_BIT if job.flush_to_zero else 0) | (DEFAULT_NAN_BIT if job.default_nan else 0)
        board.limit_seconds = job.call_limit_seconds
        board.watch = sum(bit for kind, bit in enumerate(FLAG_BITS) if job.trap_kinds >> kind & 1)
        board.counting = job.keep_costs
        if job.keep_costs:
            last = int((np.asarray(job.segments)[:, 0] + np.asarray(job.segments)[:, 1]).max())
            costs = mmap.mmap(-1, max(1, 12 * last))
            board.counts = self.ffi.cast("uint32_t *", self.ffi.from_buffer(costs))
            image.executed[:] = bytes(len(image.executed))
            image.touched[:] = bytes(len(image.touched))
        try:
            image.map_words(job.peripherals)
        except LoadProblem as problem:
            return self.refused(str(problem))
        self.engine.lib.pf_board_use(self.machine())
        whole = self.run(self.memory(), libraries)  # an image answers as a library does
        if job.keep_costs:
            whole.costs, whole.executed, whole.touched = costs[:], image.executed[:], image.touched[:]
            whole.stack_bytes = max(0, int(image.notes.entry_stack) - int(image.notes.lowest_stack))
        if job.trap_kinds:
            self.culprit(whole)
        return whole

    def machine(self) -> Any:
        """The C side's view of what runs the loops."""
        return self.image.board

    def memory(self) -> Any:
        """Where the board's variables lie in this process."""
        return self.image

    def event_table(self, library: Any) -> EventTable:
        return BoardEventTable(self.image.events, self.engine.path)

    def culprit(self, whole: JobResult) -> None:
        """The instruction that raised the flag asked for."""
        own, other = int(self.image.notes.event_at), int(self.image.notes.library_event_at)
        if own >= 0:
            whole.trap_library, whole.trap_offset = self.image.path, own
        elif other >= 0:
            whole.trap_library, whole.trap_offset = self.image.function_at(other), other

    def make_job(self, segments: np.ndarray, library: Library, shared: Any, results: np.ndarray, opens: np.ndarray) -> Any:
        c_job = super().make_job(segments, library, shared, results, opens)
        c_job.words = 0  # the board's peripherals are the board's, not this process's
        self.image.notes.stopped = 0
        return c_job

    def gather_facts(self, shared: Any, library: Library, whole: JobResult) -> None:
        super().gather_facts(shared, library, whole)
        if shared.mode_changed_at >= 0 and self.image.notes.mode_after >= 0:
            whole.mode_before, whole.mode_after = int(self.image.notes.mode_before), int(self.image.notes.mode_after)

    def describe(self, shared: Any, status: int, hung: bool, segment: np.ndarray, library: Library) -> Stop:
        stop = super().describe(shared, status, hung, segment, library)
        notes = self.image.notes
        if hung or not notes.stopped:
            limit = f"no answer within {PATIENCE * self.asked.call_limit_seconds:g} s of emulation"
            return replace(stop, why=limit, code_offset=None) if hung else stop
        at = int(notes.program_counter)
        kind, why = self.stop_text(at)
        return replace(stop, kind=kind, why=why, code_offset=at, signal=0, fault_address=int(notes.address))

    def stop_text(self, at: int) -> tuple[str, str]:
        """Kind of stop and the reason in words."""
        notes, image = self.image.notes, self.image
        where = f" in {image.function_at(at)} at 0x{at:08x}"
        if notes.stopped == NO_ANSWER:
            return "hang", f"no answer within {self.asked.call_limit_seconds:g} s of emulation,{where}"
        if notes.stopped == UNALIGNED:
            return "crash", self.unaligned_text(int(notes.address), int(notes.size), where)
        if notes.stopped == LACKING:
            return "crash", f"{image.core.name} does not have the instruction '{image.lacking_text(at)}',{where}"
        inside = image.function_at(at)
        if notes.exception == 7 and inside == "pf_board_exit":
            return "exit", "it ended the program"
        if notes.exception == 7 and inside == "pf_board_abort":
            return "crash", "it called abort()"
        if notes.exception == DATA_ABORT and not image.core.unaligned:
            found = accessed(image.path, at, [int(value) for value in notes.registers])
            if found is not None and found % 4:
                return "crash", self.unaligned_text(found & 0xFFFFFFFF, 4, where)
        if notes.exception >= 0:
            return "crash", f"{EXCEPTIONS.get(int(notes.exception), 'an exception')}{where}"
        return "crash", self.access_text(at, where)

    def unaligned_text(self, address: int, size: int, where: str) -> str:
        """An access whose address the core does not allow."""
        if self.image.core.unaligned:
            return f"unaligned address 0x{address:08x}: this access must be a multiple of {size},{where}"
        return f"unaligned address 0x{address:08x}: every access on this core must be a multiple of its size,{where}"

    def access_text(self, at: int, where: str) -> str:
        """An access that the memory map refuses, or an instruction that the emulator does."""
        notes = self.image.notes
        error, address = int(notes.error), int(notes.address)
        if error == 10:
            return f"an instruction that {self.image.core.name} does not have, or a trap where C cannot go on,{where}"
        if error in (8, 14):
            target = int(notes.registers[15])
            caller = self.image.function_at(int(notes.registers[14]) & ~1)
            return f"jump to 0x{target:08x}, where no code is, last called from {caller}"
        told = int(notes.size) < 0  # by the emulator, at the access itself
        found = int(notes.address) if told else accessed(self.image.path, at, [int(value) for value in notes.registers])
        word = "read of" if error in (6, 13) else "write to"
        if found is None:
            return f"{word} an address outside everything mapped{where}"
        address = found & 0xFFFFFFFF
        if not STACK_TOP - STACK_BYTES <= int(notes.registers[13]) <= STACK_TOP or (
                STACK_TOP - STACK_BYTES - GUARD_BYTES <= address < STACK_TOP - STACK_BYTES):
            return f"stack exhausted ({STACK_BYTES} bytes),{where}"
        if address < 0x10000:
            return f"null pointer ({word} 0x{address:08x}){where}"
        if error == 12:
            return f"{word} 0x{address:08x}, which is read-only,{where}"
        if 0x40000000 <= address < 0x60000000 or address >= 0xE0000000:
            return (f"{word} peripheral address 0x{address:08x}, which is not declared,{where}: add "
                    f"peripherals={{0x{address & ~3:08x}: 0x00000000}} with the value that it reads to Sheet(...)")
        return f"{word} 0x{address:08x}, outside everything mapped,{where}"
