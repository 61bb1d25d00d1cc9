"""Running the scripts of one job: memory shared with the forked child, stops pinned to script and sample."""

from __future__ import annotations

import mmap
import os
from dataclasses import replace
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from firmware_shim.allocators import allocates, allocator_slots
from firmware_shim.engine import MODE_CHANGED, NUMPY_TYPES, Engine
from firmware_shim.events import EventTable
from firmware_shim.frames import held_memory
from firmware_shim.job import Stop, enough
from firmware_shim.long_running import LongMemory
from firmware_shim.running import EXTRA_MEMORY_BYTES, NOT_MAPPED, Library, Runner, library_at, present_bytes
from firmware_shim.script_job import Script, ScriptJob, ScriptResult, ScriptRun

SCRIPT_SHIFT = 40
# struct pf_counter of engine_script.h.
COUNTER = np.dtype([("samples", "i8"), ("odd", "i8"), ("crossings", "i8"), ("is_armed", "i8"), ("first", "f8"),
                    ("place", "f8"), ("before", "f8"), ("least", "f8"), ("most", "f8")])
PHASES = ("while making samples", "in an event", "in init")


def flags_of(slot: Any) -> dict[int, int]:
    """Kind of flag -> first sample; a changed mode under MODE_CHANGED."""
    found = {kind: int(slot.first_flag[kind]) for kind in range(5) if slot.first_flag[kind] >= 0}
    return {**found, MODE_CHANGED: int(slot.mode_changed_at)} if slot.mode_changed_at >= 0 else found


def heap_of(slot: Any) -> tuple[int, int, int]:
    """What went wrong with the heap: kind, sample, bytes of the block."""
    return int(slot.heap.kind), int(slot.heap.at), int(slot.heap.bytes)


def rows_of(script: Script) -> int:
    """How many rows a counting script notes."""
    assert script.count is not None
    return -(-script.samples // script.count.row)


class ScriptRunner(Runner):
    """One ScriptJob on one worker; waits, limits and descriptions of ends are those of Runner."""

    job: ScriptJob  # type: ignore[assignment]
    words_elsewhere = False  # peripherals that this process does not map at their own addresses

    def __init__(self, engine: Engine, job: ScriptJob, capture: BinaryIO) -> None:
        super().__init__(engine, job, capture)  # type: ignore[arg-type]

    def refused_scripts(self, problem: str) -> ScriptResult:
        """The result of a job whose firmware cannot be loaded."""
        stop = Stop("load", 0, 1, 0, problem)
        runs = [ScriptRun(self.empty(), 0, stop=stop) for _ in self.job.scripts]
        return ScriptResult(runs, load_problem=problem)

    def empty(self) -> list[Any]:
        """No samples of any output."""
        return [np.zeros(0, NUMPY_TYPES[number]) for number in self.job.output_types]

    def run_scripts(self, library: Library) -> ScriptResult:
        """All scripts, going on behind each stop."""
        self.events = EventTable(library) if self.job.events else None
        self.lay_out(library)
        stops: dict[int, Stop] = {}
        whole = ScriptResult([])
        first, count = 0, len(self.job.scripts)
        not_run: dict[int, Stop] = {}
        while first < count:
            stop, place = self.run_from(first, library, whole)
            if stop is None:
                break
            stops[place] = stop
            if self.job.time_rounds:
                break
            first = place + 1
            words = enough(list(stops.values()), self.job.most_stops, self.job.most_hangs)
            if words:
                not_run = {k: Stop("not run", 0, 0, 0, words) for k in range(first, count)}
                break
        for number in range(count):
            whole.runs.append(self.gather(number, stops.get(number) or not_run.get(number), number in not_run))
        if self.events is not None:
            for event in self.events.read():
                place, sample = event.ordinal >> SCRIPT_SHIFT, event.ordinal & ((1 << SCRIPT_SHIFT) - 1)
                whole.recorded.append((place, sample, replace(event, ordinal=sample)))
        whole.printed = self.printed()
        if self.job.time_rounds and not stops:
            whole.times = self.times[:]
        return whole

    def lay_out(self, library: Library) -> None:
        """Everything that the child reads and writes, in one shared mapping and in arrays kept alive."""
        ffi, job = self.ffi, self.job
        widths = [NUMPY_TYPES[number].itemsize for number in job.output_types]
        rows = 2 if job.reinit or job.longer else 1
        self.offsets: list[list[int]] = []
        end = 4096
        for script in job.scripts:
            places = []
            if script.count is not None:
                self.offsets.append([end])
                end += (rows_of(script) * COUNTER.itemsize + 63) // 64 * 64
                continue
            for _ in range(rows):
                for width in widths:
                    places.append(end)
                    end += (script.samples * width + 63) // 64 * 64
            self.offsets.append(places)
        tail = end
        end += ffi.sizeof("struct pf_script") * len(job.scripts) + 64
        self.held = held_memory(end)
        self.mapping = self.held.mapping
        base = ffi.cast("unsigned char *", ffi.from_buffer(self.mapping))
        self.shared = ffi.cast("struct pf_shared *", base)
        self.scripts = ffi.cast("struct pf_script *", base + (tail + 63) // 64 * 64)
        self.keep = [base]
        for number, script in enumerate(job.scripts):
            self.lay_script(self.scripts[number], script, base, self.offsets[number], len(widths))
        machine = self.machine = ffi.new("struct pf_machine *")
        machine.inputs, machine.outputs, machine.scripts = len(job.input_types), len(job.output_types), len(job.scripts)
        for k, number in enumerate(job.input_types):
            machine.input_type[k] = number
        for k, number in enumerate(job.output_types):
            machine.output_type[k] = number
        machine.block, machine.guard_begin = job.block, job.guard == "begin"
        machine.twin, machine.reinit, machine.script = job.twin, job.reinit, self.scripts
        watch = [number for pair in allocator_slots(library.path, library.base) for number in pair]
        numbers = ffi.new("int64_t[]", watch or 1)
        self.keep.append(numbers)
        machine.watch, machine.watches = numbers, len(watch) // 2
        machine.allocates = allocates(Path(job.library))
        self.bind(library)
        self.long_memory = LongMemory(self.engine, job, machine) if job.longer is not None else None

    def bind(self, library: Library) -> None:
        """The machine's generated functions, and the size of its state."""
        ffi, job, machine = self.ffi, self.job, self.machine
        for field, kind in (("init", "init"), ("destroy", "end"), ("event", "event"), ("run", "run")):
            setattr(machine, field, library.symbol(f"{job.machine}{field}", f"pf_machine_{kind}"))
        if job.events and hasattr(library.handle, "pf_recorder_paint"):
            machine.paint = library.symbol("pf_recorder_paint", "pf_machine_paint")
        asks = ffi.typeof("long (*)(void)")
        machine.state_size = ffi.cast(asks, ffi.cast("intptr_t", library.symbol(f"{job.machine}size", "pf_machine_end")))()
        machine.state_align = ffi.cast(asks, ffi.cast("intptr_t", library.symbol(f"{job.machine}align", "pf_machine_end")))()

    def word_places(self) -> list[int]:
        """Where each declared peripheral word lies in this process."""
        return [address for address, _ in self.job.peripherals]

    def lay_script(self, slot: Any, script: Script, base: Any, places: list[int], outputs: int) -> None:
        """One script as a C structure."""
        ffi = self.ffi
        happenings = ffi.new("struct pf_happening[]", max(1, len(script.events)))
        for entry, (sample, which, arguments) in zip(happenings, script.events, strict=False):
            entry.sample, entry.which = sample, which
            for k, raw in enumerate(arguments):
                kept = ffi.new("unsigned char[16]", raw)
                self.keep.append(kept)
                entry.argument[k] = kept
        cuts = ffi.new("int64_t[]", list(script.cuts) or [64])
        self.keep += [happenings, cuts]
        slot.rate_hz, slot.samples, slot.events = script.rate_hz, script.samples, len(script.events)
        slot.cuts, slot.cut, slot.event, slot.fill = len(script.cuts) or 1, cuts, happenings, script.fill
        for k, stream in enumerate(script.streams):
            kept = ffi.from_buffer(stream)
            self.keep.append(kept)
            slot.stream[k] = kept
        count = script.count
        if count is not None:
            slot.row, slot.counted, slot.about, slot.armed = count.row, count.output, count.about, count.armed
            slot.scale, slot.rows = count.scale, ffi.cast("struct pf_counter *", base + places[0])
        for k in range(outputs if count is None else 0):
            slot.output[k] = base + places[k]
            if len(places) > outputs:
                slot.again[k] = base + places[outputs + k]
        slot.mode_changed_at = slot.late_allocation = slot.touched_at = -1
        for kind in range(5):
            slot.first_flag[kind] = -1

    def run_from(self, first: int, library: Library, whole: ScriptResult) -> tuple[Stop | None, int]:
        """Scripts from one on, in one child. Returns how it stopped and at which script; (None, 0) at the end."""
        ffi, job, shared = self.ffi, self.job, self.shared
        ffi.memmove(shared, bytes(ffi.sizeof("struct pf_shared")), ffi.sizeof("struct pf_shared"))
        shared.mode_changed_at = shared.written_at = shared.forked_at = -1
        shared.segment = first
        self.machine.first = first
        # Words of peripherals are memory like the library's own: each script starts with their declared values.
        places = [(library.base + offset, size) for offset, size in job.regions]
        places += [(address, 4) for address in self.word_places()]
        regions = ffi.new("struct pf_region[]", max(1, len(places)))
        for slot, (address, size) in zip(regions, places, strict=False):
            slot.start, slot.size = ffi.cast("unsigned char *", address), size
        c_job = ffi.new("struct pf_job *")
        words = ffi.new("struct pf_word[]", [list(word) for word in job.peripherals] or 1)
        c_job.word, c_job.words = words, 0 if self.words_elsewhere else len(job.peripherals)
        c_job.flush_to_zero, c_job.regions, c_job.region = job.flush_to_zero, len(places), regions
        c_job.trap_kinds, c_job.code_low, c_job.code_high = job.trap_kinds, library.base, library.end
        c_job.memory_limit_bytes = present_bytes() + EXTRA_MEMORY_BYTES
        c_job.shared, c_job.machine, c_job.output_file = shared, self.machine, self.capture.fileno()
        if job.time_rounds:
            self.times = mmap.mmap(-1, 16 * job.time_rounds)
            c_job.time_rounds, c_job.times = job.time_rounds, ffi.cast("double *", ffi.from_buffer(self.times))
        status, hung, left_behind = self.child(c_job, shared)
        place = int(shared.segment)
        counter = int(shared.program_counter) if shared.signal else int(shared.library_counter)
        if job.trap_kinds and counter:
            whole.trap_library, whole.trap_offset = library_at(counter)
        if os.WIFEXITED(status) and os.WEXITSTATUS(status) == NOT_MAPPED and not shared.signal:
            why = f"this computer needs address 0x{int(shared.fault_address):x} itself"
            return Stop("not run", 0, 0, 0, why), place
        if int(shared.done) == 1 and status == 0:
            if left_behind:
                words = f"it left {left_behind} processes behind (ended); in which script is not known"
                return Stop("started another process", 0, 1, 0, words), len(job.scripts) - 1
            return None, 0
        sample = int(shared.position[0]) + (int(shared.position[1]) & ((1 << SCRIPT_SHIFT) - 1))
        segment = np.array([0, max(1, job.scripts[place].samples), 0], np.int64)
        stop = self.describe(shared, status, hung, segment, library)
        where = PHASES[int(shared.phase)] if 0 <= int(shared.phase) < len(PHASES) else ""
        return replace(stop, ordinal=sample, count=1, why=f"{stop.why}, {where}"), place

    def gather_rows(self, number: int, stop: Stop | None) -> ScriptRun:
        """One counting script's rows as far as they came."""
        script, slot = self.job.scripts[number], self.scripts[number]
        assert script.count is not None
        done, start = int(slot.done), self.offsets[number][0]
        came = -(-done // script.count.row)
        rows = np.frombuffer(self.mapping[start : start + came * COUNTER.itemsize], COUNTER)
        flags = flags_of(slot)
        return ScriptRun(self.empty(), done, flags, stop, late_allocation=int(slot.late_allocation), rows=rows,
                         heap=heap_of(slot))

    def gather(self, number: int, stop: Stop | None, nothing: bool) -> ScriptRun:
        """One script's outputs as far as they came."""
        job, script, slot = self.job, self.job.scripts[number], self.scripts[number]
        if script.count is not None:
            return self.gather_rows(number, stop)
        done = 0 if nothing else int(slot.done)
        if stop is not None and not nothing and not job.block:
            # A step machine writes each sample as it comes.
            done = max(done, min(stop.ordinal, script.samples))
        runs: list[list[Any]] = []
        outputs = len(job.output_types)
        for row in range(2 if job.reinit or job.longer else 1):
            arrays = []
            for k, kind in enumerate(job.output_types):
                start = self.offsets[number][row * outputs + k]
                arrays.append(np.frombuffer(self.mapping, NUMPY_TYPES[kind], done, start))
            runs.append(arrays)
        flags = flags_of(slot)
        return ScriptRun(runs[0], done, flags, stop, runs[1] if len(runs) > 1 else None, int(slot.late_allocation),
                         self.long_memory.outcome() if self.long_memory is not None else None,
                         touched=(int(slot.touched_at), int(slot.touched_byte)), heap=heap_of(slot))
