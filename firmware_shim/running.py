"""Running one job: shared memory, the forked child, its time and memory limits, and what is left of it."""

from __future__ import annotations

import ctypes
import math
import mmap
import os
import select
import signal
import time
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from firmware_shim import engine as engine_module
from firmware_shim.allocators import allocator_slots, hands_memory_on, names_allocators
from firmware_shim.crash_words import crash_words
from firmware_shim.engine import RESULT, Engine, fresh_results
from firmware_shim.events import EventTable
from firmware_shim.job import KINDS, LATE, METRICS, Job, JobResult, Stop, enough
from firmware_shim.processes import asleep, end_descendants, processor_seconds

BLOCK = 1024
EXTRA_MEMORY_BYTES = 256 << 20
OWN, REPEAT = 0, 1
NOT_MAPPED = 97
# As in refusals.h.
STARTED_SOMEWHERE, SIGNALLED = 2, 3


class Library:
    """A shared library loaded in this process, with its base address."""

    def __init__(self, engine: Engine, path: str) -> None:
        self.path = path
        self.engine = engine
        self.handle = ctypes.CDLL(path, mode=os.RTLD_NOW | os.RTLD_LOCAL)
        self.base, self.end = mapped_range(path)
        self.symbols: dict[str, Any] = {}

    def symbol(self, name: str, kind: str) -> Any:
        """Function pointer of the given typedef for a symbol known to exist in the build."""
        if name not in self.symbols:
            address = ctypes.cast(getattr(self.handle, name), ctypes.c_void_p).value
            self.symbols[name] = self.engine.ffi.cast(kind, address)
        return self.symbols[name]


def load_base(path: str) -> int:
    """Lowest address at which the file is mapped in this process."""
    return mapped_range(path)[0]


def mapped_range(path: str) -> tuple[int, int]:
    """Lowest and highest address at which the file is mapped in this process, (0, 0) if it is not."""
    real = os.path.realpath(path)
    lowest = highest = 0
    for line in Path("/proc/self/maps").read_text(encoding="utf-8").splitlines():
        parts = line.split(None, 5) if line.endswith(real) else ()
        if len(parts) == 6 and parts[5] == real:
            start, end = (int(text, 16) for text in parts[0].split("-"))
            lowest, highest = min(lowest or start, start), max(highest, end)
    return lowest, highest


def library_at(address: int) -> tuple[str, int]:
    """Path of the mapped file that holds an address, and the offset from its base; ("", 0) if none."""
    for line in Path("/proc/self/maps").read_text(encoding="utf-8").splitlines():
        parts = line.split(None, 5)
        low, high = (int(text, 16) for text in parts[0].split("-"))
        if low <= address < high and len(parts) == 6 and parts[5].startswith("/"):
            return parts[5], address - load_base(parts[5])
    return "", 0


def present_bytes() -> int:
    """Size of this process's address space."""
    return int(Path("/proc/self/statm").read_text(encoding="utf-8").split()[0]) * mmap.PAGESIZE


class Runner:
    """One job on one worker. starts_program: the job's loop runs in a program beside the engine."""

    starts_program = False
    until, late = math.inf, False

    def __init__(self, engine: Engine, job: Job, capture: BinaryIO) -> None:
        self.engine, self.job, self.capture = engine, job, capture
        self.ffi = engine.ffi
        self.keep: list[Any] = []
        self.parent = os.getppid()

    def refused(self, problem: str, is_its_own: bool = False) -> JobResult:
        """The result of a job whose firmware cannot be loaded. is_its_own: the firmware's fault, seen at the first input."""
        nothing = np.zeros((0, 3), np.int64)
        result = JobResult(nothing, fresh_results(0), np.zeros((0, 2), np.int64), load_problem=problem)
        result.stops = [Stop("load", int(self.job.segments[0][0]), 1, 0, problem)] if is_its_own else []
        result.not_run = [(int(start), int(count), f"not run: {problem}") for start, count, _ in self.job.segments]
        return result

    def run(self, library: Library, screens: dict[str, Library]) -> JobResult:
        """Run all segments, going on behind each stop."""
        job = self.job
        self.loop = library.symbol(job.loop, "pf_loop")
        self.tests = self.make_tests(library, screens)
        self.watch_heap(library, screens)
        self.events = self.event_table(library) if job.events else None
        waiting = np.asarray(job.segments, np.int64)
        self.until, self.late = time.monotonic() + job.seconds, False
        whole = JobResult(np.zeros((0, 3), np.int64), fresh_results(0), np.zeros((0, 2), np.int64))
        if job.keep_outputs:
            width = engine_module.NUMPY_TYPES[job.output_type].itemsize
            self.outputs = mmap.mmap(-1, max(1, int((waiting[:, 0] + waiting[:, 1]).max()) * width))
        if job.keep_flags:
            self.flags = mmap.mmap(-1, max(1, int((waiting[:, 0] + waiting[:, 1]).max())))
        if job.time_rounds:
            self.times = mmap.mmap(-1, 16 * job.time_rounds)
        while len(waiting):
            waiting = self.run_once(waiting, library, whole)
            reason = LATE if self.late else enough(whole.stops, job.most_stops, job.most_hangs)
            if reason and len(waiting):
                whole.not_run += [(int(start), int(count), reason) for start, count, _ in waiting]
                break
        if job.keep_outputs:
            whole.outputs = self.outputs[:]
        if job.keep_flags:
            whole.flags = self.flags[:]
        if job.time_rounds and not whole.stops:
            whole.times = self.times[:]
        if self.events is not None:
            whole.events = self.events.read()
        whole.printed = self.printed()
        return whole

    def watch_heap(self, library: Library, others: dict[str, Library]) -> None:
        """Which pointers to allocators, of the routine's own build and of others, lead to a heap that is looked at."""
        self.watch: list[int] = []
        self.paint = None
        if not isinstance(library, Library) or not names_allocators(library.path) or hands_memory_on(Path(library.path)):
            return
        for one in (library, *others.values()):
            self.watch += [number for pair in allocator_slots(one.path, one.base) for number in pair]
        if self.watch and self.job.events and hasattr(library.handle, "pf_recorder_paint"):
            self.paint = library.symbol("pf_recorder_paint", "pf_machine_paint")

    def event_table(self, library: Library) -> EventTable:
        """Where the recorder of a strict build writes to."""
        return EventTable(library)

    def printed(self) -> str:
        """The start of what the firmware printed; the file is empty afterwards."""
        self.capture.seek(0)
        text = self.capture.read(400).decode("utf-8", "replace")
        self.capture.seek(0)
        self.capture.truncate()
        return text

    def child(self, c_job: Any, shared: Any) -> tuple[int, bool, int]:
        """One forked child from start to end: its status, whether it hung, how many processes it left behind."""
        if self.events is not None:
            self.events.attach(shared.position, self.ffi)
        child = self.engine.lib.pf_start(c_job)
        if child < 0:
            raise OSError("fork failed")
        status, hung = self.wait(child, shared)
        return status, hung, end_descendants()

    def run_once(self, segments: np.ndarray, library: Library, whole: JobResult) -> np.ndarray:
        """Run the segments in one child; returns those still to run after a stop."""
        ffi, job = self.ffi, self.job
        count = len(segments)
        fresh = fresh_results(count)
        shared_bytes = ffi.sizeof("struct pf_shared")
        memory = mmap.mmap(-1, shared_bytes + 64 + fresh.nbytes + 16 * job.open_capacity)
        view = np.frombuffer(memory, np.uint8)
        base = shared_bytes + 64 - shared_bytes % 64
        results = view[base : base + fresh.nbytes].view(RESULT)
        results[:] = fresh
        opens = view[base + fresh.nbytes :][: 16 * job.open_capacity].view(np.int64).reshape(-1, 2)
        shared = ffi.cast("struct pf_shared *", ffi.from_buffer(memory))
        shared.mode_changed_at = shared.written_at = shared.forked_at = -1
        c_job = self.make_job(segments, library, shared, results, opens)
        status, hung, left_behind = self.child(c_job, shared)
        if os.WIFEXITED(status) and os.WEXITSTATUS(status) == NOT_MAPPED and not shared.signal:
            reason = f"not run: this computer needs address 0x{int(shared.fault_address):x} itself"
            whole.load_problem = reason
            whole.not_run += [(int(start), int(count), reason) for start, count, _ in segments]
            return segments[:0]
        finished = int(shared.done) == 1 and status == 0
        self.gather_facts(shared, library, whole)
        keep = count if finished else int(shared.segment)
        opens_used = np.array(opens[: int(shared.opens)])
        if finished and left_behind:
            words = f"it left {left_behind} processes behind (ended); at which of these inputs is not known"
            whole.stops.append(Stop("started another process", int(segments[0][0]), 0, 0, words))
        if finished or job.trap_kinds:
            self.add(whole, segments, np.array(results), opens_used)
            counter = int(shared.program_counter) if not finished and shared.signal else int(shared.library_counter)
            if job.trap_kinds and counter:
                whole.trap_library, whole.trap_offset = library_at(counter)
            return segments[:0]
        complete = segments[:keep]
        inside = np.zeros(len(opens_used), bool)
        for start, length, _ in complete:
            inside |= (opens_used[:, 1] >= start) & (opens_used[:, 1] < start + length)
        self.add(whole, complete, np.array(results[:keep]), opens_used[inside])
        if self.late:
            return segments[keep:]
        stop = self.describe(shared, status, hung, segments[keep], library)
        whole.stops.append(stop)
        return self.after(segments[keep:], stop)

    @staticmethod
    def add(whole: JobResult, segments: np.ndarray, results: np.ndarray, opens: np.ndarray) -> None:
        """Append finished segments."""
        whole.segments = np.concatenate([whole.segments, segments])
        whole.results = np.concatenate([whole.results, results])
        whole.opens = np.concatenate([whole.opens, opens])

    @staticmethod
    def after(segments: np.ndarray, stop: Stop) -> np.ndarray:
        """What is left to run: the segment of the stop without the hole, and all behind it."""
        start, count, mask = (int(value) for value in segments[0])
        left = [(start, stop.ordinal - start, mask)] if stop.ordinal > start else []
        end = stop.ordinal + stop.count
        if end < start + count:
            left.append((end, start + count - end, mask))
        return np.concatenate([np.array(left, np.int64).reshape(-1, 3), segments[1:]])

    def gather_facts(self, shared: Any, library: Library, whole: JobResult) -> None:
        """Facts about the whole child: mode changed, memory written."""
        if whole.mode_changed_at < 0 <= shared.mode_changed_at:
            whole.mode_changed_at = int(shared.mode_changed_at)
            whole.mode_before, whole.mode_after = int(shared.mode_before), int(shared.mode_after)
        if shared.heap.kind and not whole.heap[0]:
            whole.heap = int(shared.heap.kind), int(shared.heap.at), int(shared.heap.bytes)
        if whole.written_at < 0 <= shared.written_at:
            whole.written_at = int(shared.written_at)
            whole.written_offset = int(shared.written_address) - library.base

    def describe(self, shared: Any, status: int, hung: bool, segment: np.ndarray, library: Library) -> Stop:
        """How the child ended, and at which input."""
        start, count, _ = (int(value) for value in segment)
        phase, base = int(shared.phase), int(shared.position[1])
        offset = int(shared.position[0])
        length = min(BLOCK - (base - start) % BLOCK, start + count - base)
        if phase == REPEAT:
            ordinal, hole = base + length - 1 - min(offset, length - 1), 1
        elif phase in (OWN, 4):
            ordinal, hole = base + offset, 1
        else:
            ordinal, hole = base, length
        ordinal = min(max(ordinal, start), start + count - 1)
        hole = max(1, min(hole, start + count - ordinal))
        # Refused while every signal was blocked, as the C library does around a start: the kernel ends the process.
        refused = os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGSYS
        if shared.forked_at == SIGNALLED:
            return Stop("reached for another process", ordinal, hole, phase,
                        "it called kill() or its like on a process that is not its own (refused)")
        if shared.forked_at >= 0 or refused:
            place, part = (base, length) if shared.forked_at == STARTED_SOMEWHERE else (ordinal, hole)
            why = "it called fork() or its like" + (", or, with signals off, kill()" if refused else "")
            return Stop("started another process", place, part, phase, why)
        number = int(shared.signal)
        code_offset = int(shared.program_counter) - library.base if number else None
        if code_offset is not None and library_at(int(shared.program_counter))[0] != os.path.realpath(library.path):
            code_offset = None
        if hung:
            limit = f"no answer within {self.job.call_limit_seconds:g} s"
            return Stop("hang", ordinal, hole, phase, limit)
        if number:
            return Stop("crash", ordinal, hole, phase, self.crash_text(shared, number), number, code_offset,
                        int(shared.fault_address))
        if os.WIFSIGNALED(status):
            name = signal.Signals(os.WTERMSIG(status)).name
            return Stop("crash", ordinal, hole, phase, f"killed by {name}", os.WTERMSIG(status))
        return Stop("exit", ordinal, hole, phase, f"it ended the program with exit status {os.WEXITSTATUS(status)}")

    @staticmethod
    def crash_text(shared: Any, number: int) -> str:
        """The signal in words."""
        return crash_words(shared, number, bool(library_at(int(shared.fault_address))[0]))

    def wait(self, child: int, shared: Any) -> tuple[int, bool]:
        """Wait for the child; kill it when one call makes no progress, or the clock ran out. Returns (status, hung)."""
        try:
            handle = os.pidfd_open(child)
        except OSError:
            handle = -1
        poll = select.poll()
        if handle >= 0:
            poll.register(handle, select.POLLIN)
        last, furthest = (0, 0, 0, 0), -1
        since_wall = since_used = 0.0
        limit = self.job.call_limit_seconds
        try:
            while True:
                if handle >= 0:
                    poll.poll(100)
                else:
                    time.sleep(0.0005)
                ended, status = os.waitpid(child, os.WNOHANG)
                if ended:
                    return status, False
                now = (int(shared.entered), int(shared.position[1]), int(shared.phase), int(shared.segment))
                place = int(shared.position[0])
                used, wall = processor_seconds(child), time.monotonic()
                # A jump out of a call can lead back to an earlier one for ever: only a further place is progress.
                if now != last or place > furthest:
                    last, furthest, since_wall, since_used = now, place, wall, used
                elif used - since_used > limit or wall - since_wall > (limit + 1 if asleep(child) else 20 * limit):
                    os.kill(child, signal.SIGKILL)
                    return os.waitpid(child, 0)[1], True
                if wall > self.until:
                    self.late = True
                    os.kill(child, signal.SIGKILL)
                    return os.waitpid(child, 0)[1], False
                if os.getppid() != self.parent:
                    os.kill(child, signal.SIGKILL)
                    os._exit(1)
        finally:
            if handle >= 0:
                os.close(handle)

    def make_tests(self, library: Library, screens: dict[str, Library]) -> Any:
        """The job's tests as C structures."""
        ffi = self.ffi
        array = ffi.new("struct pf_test[]", max(1, len(self.job.tests)))
        for slot, test in zip(array, self.job.tests, strict=False):
            slot.kind, slot.metric = KINDS[test.kind], METRICS[test.metric]
            slot.strict, slot.second_type, slot.monotone = test.strict, test.second_type, test.monotone
            slot.second_flushed = test.second_flushed
            for name in ("low", "high", "margin", "sign", "step", "second_low", "second_high", "second_scale", "band"):
                setattr(slot, name, getattr(test, name))
            if test.screen is not None:
                slot.screen = screens[test.screen[0]].symbol(test.screen[1], "pf_screen")
            if test.second is not None:
                other = screens[test.second_library] if test.second_library else library
                slot.second = other.symbol(test.second, "pf_loop")
            slot.second_inputs[0 : len(test.second_inputs)] = test.second_inputs
        return array

    def make_job(self, segments: np.ndarray, library: Library, shared: Any, results: np.ndarray,
                 opens: np.ndarray) -> Any:
        """The job as a C structure; what it points to is kept alive in self.keep."""
        ffi, job = self.ffi, self.job
        inputs = ffi.new("struct pf_input[]", len(job.axes))
        self.keep = [inputs]
        for slot, axis in zip(inputs, job.axes, strict=True):
            slot.type, slot.grid, slot.first, slot.step = axis.type_number, axis.grid, axis.first, axis.step
            slot.count, slot.scale = axis.count, axis.scale
            if axis.grid == 2:
                raw = ffi.new("char[]", axis.raw)
                self.keep.append(raw)
                slot.raw = raw
        regions = ffi.new("struct pf_region[]", max(1, len(job.regions)))
        for slot, (offset, size) in zip(regions, job.regions, strict=False):
            slot.start, slot.size = ffi.cast("unsigned char *", library.base + offset), size
        lines = np.ascontiguousarray(segments, np.int64)
        words = ffi.new("struct pf_word[]", [list(word) for word in job.peripherals] or 1)
        watch = ffi.new("int64_t[]", self.watch or 1)
        self.keep += [regions, lines, words, watch]
        c_job = ffi.new("struct pf_job *")
        c_job.inputs, c_job.zip, c_job.tests = len(job.axes), job.zip_inputs, len(job.tests)
        c_job.output_type, c_job.flush_to_zero = job.output_type, job.flush_to_zero
        c_job.keep_flags_on, c_job.segments, c_job.regions = job.keep_flags, len(segments), len(job.regions)
        c_job.open_capacity, c_job.trap_kinds = job.open_capacity, job.trap_kinds
        c_job.code_low, c_job.code_high = library.base, library.end
        c_job.memory_limit_bytes = present_bytes() + EXTRA_MEMORY_BYTES
        c_job.output_scale, c_job.loop, c_job.input, c_job.test = job.output_scale, self.loop, inputs, self.tests
        c_job.region, c_job.shared = regions, shared
        c_job.word, c_job.words = words, len(job.peripherals)
        c_job.may_start, c_job.ahead = self.starts_program, 1
        c_job.watch, c_job.watches = watch, len(self.watch) // 2
        if self.paint is not None:
            c_job.paint = self.paint
        c_job.segment = ffi.cast("struct pf_segment *", ffi.from_buffer(lines))
        c_job.result = ffi.cast("struct pf_result *", ffi.from_buffer(results))
        c_job.open = ffi.cast("struct pf_open *", ffi.from_buffer(opens))
        c_job.output_file = self.capture.fileno()
        if job.keep_outputs:
            c_job.keep_outputs = ffi.cast("unsigned char *", ffi.from_buffer(self.outputs))
        if job.time_rounds:
            c_job.time_rounds, c_job.times = job.time_rounds, ffi.cast("double *", ffi.from_buffer(self.times))
        if job.keep_flags:
            c_job.keep_flags = ffi.cast("unsigned char *", ffi.from_buffer(self.flags))
        return c_job
