"""Scripts of a machine on the emulated board: the engine of scripts as on the host, each call into the image."""

from __future__ import annotations

import mmap
from dataclasses import replace
from typing import Any

import numpy as np

from firmware_shim.board_emulator import (
    ALLOCATORS,
    DEFAULT_NAN_BIT,
    FLUSH_BIT,
    PAGE,
    BoardImage,
    LoadProblem,
    pages,
)
from firmware_shim.board_running import BoardRunner
from firmware_shim.engine import NUMPY_TYPES
from firmware_shim.script_job import TORN, ScriptCosts, ScriptResult
from firmware_shim.script_running import ScriptRunner

# Between areas of these lies at least a page that does not exist.
STATES_AT, STATES_END = 0xA0000000, 0xB0000000
BUFFERS_AT, BUFFER_BYTES = 0x98000000, 4096 * 8


class Areas:
    """Memory for states and buffers in one image, mapped once for each size."""

    def __init__(self, image: BoardImage) -> None:
        self.image, self.next = image, STATES_AT
        self.states: dict[tuple[int, int], tuple[int, mmap.mmap]] = {}
        self.buffers: dict[int, tuple[int, mmap.mmap]] = {}

    def mapped(self, address: int, size: int) -> tuple[int, mmap.mmap]:
        kinds = self.image.unicorn
        return address, self.image.memory(address, size, kinds.UC_PROT_READ | kinds.UC_PROT_WRITE)

    def state(self, instance: int, size: int) -> tuple[int, mmap.mmap]:
        """Whole pages for one instance's state: its address on the board, and the memory. Errors: LoadProblem."""
        room = max(PAGE, pages(size))
        if (instance, room) not in self.states:
            if self.next + room + PAGE > STATES_END:
                raise LoadProblem(f"no room for a state of {size} bytes")
            self.states[instance, room] = self.mapped(self.next, room)
            self.next += room + PAGE
        return self.states[instance, room]

    def buffer(self, number: int) -> tuple[int, mmap.mmap]:
        """One input's or output's buffer."""
        if number not in self.buffers:
            self.buffers[number] = self.mapped(BUFFERS_AT + number * (BUFFER_BYTES + PAGE), BUFFER_BYTES)
        return self.buffers[number]


class BoardScriptRunner(ScriptRunner, BoardRunner):
    """One ScriptJob on the emulated board. Not there: hours of one script, the strict build's recorder."""

    words_elsewhere = True

    def play_on(self, image: BoardImage, areas: Areas) -> ScriptResult:
        """Run all scripts; ``areas`` are those of this image. Errors: LoadProblem."""
        self.image, self.areas = image, areas
        if self.job.longer is not None:
            return self.refused_scripts("hours of one script do not run on the board")
        self.job = replace(self.job, regions=image.in_ram(self.job.regions))
        image.clear()
        board = image.board
        board.fpscr = (FLUSH_BIT if self.job.flush_to_zero else 0) | (DEFAULT_NAN_BIT if self.job.default_nan else 0)
        board.limit_seconds = self.asked.call_limit_seconds
        board.watch = board.counting = 0
        if self.job.keep_costs:
            self.make_room(board)
        image.map_words(self.job.peripherals)
        if self.job.interruptions is not None:
            board.clear_exclusive = image.clear_exclusive
        whole = self.run_scripts(image)  # type: ignore[arg-type]  # an image answers as a library does
        if self.job.interruptions is not None:
            whole.torn = np.frombuffer(self.torn_memory, TORN, len(self.job.interruptions.moments)).copy()
        if self.job.keep_costs:
            rows = np.frombuffer(self.counts, np.uint32).reshape(-1, 3).copy()
            stack = max(0, int(image.notes.entry_stack) - int(image.notes.lowest_stack))
            whole.costs = ScriptCosts(rows, self.sample_place, self.event_place, image.executed[:], image.touched[:], stack)
            board.counting = 0
        return whole

    def make_room(self, board: Any) -> None:
        """Memory for the counts of all samples and events."""
        image, ffi, scripts = self.image, self.ffi, self.job.scripts
        ends = np.cumsum([0, *(script.samples for script in scripts)])
        self.sample_place = tuple(int(at) for at in ends[:-1])
        more = int(ends[-1]) + np.cumsum([0, *(1 + len(script.events) for script in scripts)])
        self.event_place = tuple(int(at) for at in more[:-1])
        self.counts = mmap.mmap(-1, 12 * (int(more[-1]) + 1))
        board.last_place, board.counting = int(more[-1]), 1
        board.counts = ffi.cast("uint32_t *", ffi.from_buffer(self.counts))
        places = [ffi.new("int64_t[]", list(row) or [0]) for row in (self.sample_place, self.event_place)]
        self.place_rows = places
        board.sample_place, board.event_place = places
        image.executed[:] = bytes(len(image.executed))
        image.touched[:] = bytes(len(image.touched))

    def lay_out(self, library: Any) -> None:
        super().lay_out(library)
        asked, ffi = self.job.interruptions, self.ffi
        if asked is None:
            return
        self.torn_memory = mmap.mmap(-1, max(1, len(asked.moments)) * TORN.itemsize)
        moments = ffi.new("struct pf_moment[]", max(1, len(asked.moments)))
        for slot, one in zip(moments, asked.moments, strict=False):
            slot.script, slot.sample, slot.samples, slot.which = one.script, one.sample, one.samples, one.event
            for place, raw in enumerate(one.arguments):
                held = ffi.new("unsigned char[16]", raw)
                self.keep.append(held)
                slot.argument[place] = held
        slot = self.interruption = ffi.new("struct pf_interruption *")
        slot.moments, slot.following, slot.most_points = len(asked.moments), asked.following, asked.most_points
        slot.limit, slot.moment = asked.limit, moments
        for place, scale in enumerate(asked.scales):
            slot.scale[place] = scale
        slot.torn = ffi.cast("struct pf_torn *", ffi.from_buffer(self.torn_memory))
        self.keep.append(moments)
        self.machine.interruption = slot

    def bind(self, library: Any) -> None:
        image, job, machine = self.image, self.job, self.machine
        areas = self.areas
        played = self.played = self.ffi.new("struct pf_board_machine *")
        for field in ("init", "destroy", "event", "run"):
            word = {"run": "bare", "event": "bare_event"}.get(field, field) if job.bare else field
            setattr(played, field, image.address(f"{job.machine}{word}"))
        machine.state_size, machine.state_align = (self.ask(f"{job.machine}{word}") for word in ("size", "align"))
        size, align = int(machine.state_size), max(8, int(machine.state_align))
        for instance in range(2):
            address, area = areas.state(instance, size)
            skipped = 0 if machine.guard_begin else (len(area) - size) // align * align
            played.state_address[instance] = address + skipped
            played.state[instance] = self.ffi.cast("unsigned char *", image.host(area) + skipped)
        types = (*job.input_types, *job.output_types)
        for number, kind in enumerate(types):
            address, area = areas.buffer(number)
            played.buffer_address[number] = address
            played.buffer[number] = self.ffi.cast("unsigned char *", image.host(area))
            played.width[number] = NUMPY_TYPES[kind].itemsize
        played.state_size, played.buffer_bytes = size, BUFFER_BYTES
        played.inputs, played.outputs = len(job.input_types), len(job.output_types)
        played.guard_begin, played.double_register = machine.guard_begin, image.names.UC_ARM_REG_D0
        machine.every_allocation_told = 1
        if job.keep_costs:  # nothing is run twice to find a flag's sample
            machine.allocates, machine.every_allocation_told = 1, 0
        self.engine.lib.pf_board_play(image.board, played, machine, self.shared.position)

    def ask(self, name: str) -> int:
        """What a generated function without arguments gives. Errors: LoadProblem."""
        found = int(self.engine.lib.pf_board_ask(self.image.board, self.image.address(name)))
        if found < 0:
            raise LoadProblem(f"{name} did not come back")
        return found

    def allocates(self) -> bool:
        return any(name in self.image.symbols for name in ALLOCATORS)

    def word_places(self) -> list[int]:
        return [self.image.host(self.image.words[address // PAGE * PAGE]) + address % PAGE
                for address, _ in self.job.peripherals]

    def run_from(self, first: int, library: Any, whole: ScriptResult) -> Any:
        self.image.clear()
        return super().run_from(first, library, whole)
