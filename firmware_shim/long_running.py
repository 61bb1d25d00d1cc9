"""A long run's memory: what the child is told, what it leaves, and the file of states that a later run goes on from."""

from __future__ import annotations

import contextlib
import fcntl
import mmap
import os
import random
import struct
import zlib
from pathlib import Path
from typing import Any

import numpy as np

from firmware_shim.engine import Engine
from firmware_shim.memory_map import imported_names, section_span
from firmware_shim.script_job import LongOutcome, LongRun, ScriptJob

STARTS = ("afresh", "taken up", "other memory at the start", "a kept stretch did not repeat")
MAGIC = b"pflong 1"
HEAD = struct.Struct("<8s5q")
HEAD_BYTES = 4096
MOST_KEPT_BYTES = 16 << 20
# One stretch in fifty, so two of a hundred periods, is run once more each time.
STRETCHES = 50
LEAST_SLOTS = 4
# What the code of a library may call without keeping anything anywhere but in its own memory; maths functions besides.
PURE = frozenset((
    "memcpy", "memmove", "memset", "memcmp", "strlen", "strcmp", "strncmp", "strcpy", "strncpy", "abs", "labs",
    "bsearch", "qsort", "abort", "__stack_chk_fail", "__cxa_finalize", "__gmon_start__", "_ITM_deregisterTMCloneTable",
    "_ITM_registerTMCloneTable", "__cxa_pure_virtual", "__gxx_personality_v0", "_Unwind_Resume", "__memcpy_chk",
    "__memset_chk", "__memmove_chk", "__assert_fail", "__errno_location", "__cxa_guard_acquire", "__cxa_guard_release",
    "__cxa_atexit",
))
MATHS = frozenset((
    "sin", "cos", "tan", "asin", "acos", "atan", "atan2", "sinh", "cosh", "tanh", "asinh", "acosh", "atanh", "exp",
    "exp2", "expm1", "log", "log2", "log10", "log1p", "pow", "sqrt", "cbrt", "hypot", "floor", "ceil", "round", "trunc",
    "rint", "nearbyint", "fmod", "remainder", "modf", "frexp", "ldexp", "scalbn", "fabs", "fmin", "fmax", "fdim", "fma",
    "copysign", "lround", "lrint", "llround", "llrint", "nextafter", "sincos", "logb", "ilogb", "exp10", "erf", "erfc",
    "remquo",
))


def keeps_elsewhere(library: Path) -> list[str]:
    """What the code uses of other libraries and that may keep something there: random numbers, the heap, files."""
    known = PURE | MATHS | {f"{name}f" for name in MATHS}
    found = sorted(name for name in imported_names(library) if name not in known)
    return found + [section for section in (".tdata", ".tbss") if section_span(library, section)[1]]


class LongMemory:
    """The C structures of one long run, in memory shared with the child."""

    def __init__(self, engine: Engine, job: ScriptJob, machine: Any) -> None:
        assert job.longer is not None
        self.engine, self.ffi, self.job, longer = engine, engine.ffi, job, job.longer
        ffi = self.ffi
        self.state_size = int(machine.state_size)
        self.region_size = sum(size for _, size in job.regions) + 4 * len(job.peripherals)
        each = (self.state_size + self.region_size + 63) // 64 * 64
        self.head = (ffi.sizeof("struct pf_long") + 63) // 64 * 64
        self.memory = mmap.mmap(-1, self.head + 3 * each + 64)
        base = ffi.cast("unsigned char *", ffi.from_buffer(self.memory))
        slot = self.slot = ffi.cast("struct pf_long *", base)
        slot.periods, slot.settle_most, slot.wall_seconds = longer.periods, longer.settle_most, longer.wall_seconds
        slot.least = longer.least
        slot.judged_from, slot.region_size = longer.judged_from, self.region_size
        slot.base = slot.period = slot.sample = slot.output = slot.late_period = slot.late_sample = slot.said.first_other = -1
        for name, place in (("state_base", 0), ("state_before", 1), ("state_now", 2)):
            setattr(slot, name, base + self.head + place * each)
        for k, (limit, scale) in enumerate(zip(longer.limits, longer.scales, strict=True)):
            slot.limit[k], slot.scale[k] = -1.0 if limit is None else limit, scale
        for kind in range(5):
            slot.flag_period[kind] = slot.flag_sample[kind] = -1
        with open(longer.told, "r+b") as stream:
            self.told = mmap.mmap(stream.fileno(), 16)
        slot.told = ffi.cast("int64_t *", ffi.from_buffer(self.told))
        self.keep: list[Any] = [base]
        for k, ends in enumerate(longer.ends):
            for name, array in zip(("sure_low", "sure_high", "out_low", "out_high"), ends or (), strict=False):
                values = np.ascontiguousarray(array, np.float64)
                self.keep.append(values)
                getattr(slot, name)[k] = ffi.cast("const double *", ffi.from_buffer(values))
        self.why_not = ""
        self.from_done = 0
        self.file: Any = None
        self.open_kept(longer)
        machine.longer = slot

    def open_kept(self, longer: LongRun) -> None:
        """Map the file of states, if there is to be one and nothing speaks against it."""
        if not longer.kept:
            return
        elsewhere = keeps_elsewhere(Path(self.job.library))
        slot_bytes = (self.ffi.sizeof("struct pf_slot") + self.state_size + self.region_size + 63) // 64 * 64
        slots = min(STRETCHES + 2, MOST_KEPT_BYTES // slot_bytes)
        if elsewhere:
            self.why_not = f"the code uses {', '.join(elsewhere[:3])}, which may keep something of its own"
        elif slots < LEAST_SLOTS:
            self.why_not = f"the state is larger than {MOST_KEPT_BYTES // LEAST_SLOTS >> 20} MiB"
        if self.why_not:
            return
        try:
            self.file = os.open(longer.kept, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
            fcntl.flock(self.file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            self.why_not = "another check of the same machine is running"
            return
        every = max(1, -(-longer.whole // (slots - 2)))
        head = HEAD.pack(MAGIC, self.state_size, self.region_size, slots, every, slot_bytes)
        size = HEAD_BYTES + slots * slot_bytes
        if os.fstat(self.file).st_size != size or os.pread(self.file, HEAD.size, 0) != head:
            os.ftruncate(self.file, 0)
            os.ftruncate(self.file, size)
            os.pwrite(self.file, head, 0)
        self.mapping = mmap.mmap(self.file, size)
        ffi = self.ffi
        kept = ffi.new("struct pf_kept *")
        kept.slot = ffi.cast("unsigned char *", ffi.from_buffer(self.mapping)) + HEAD_BYTES
        kept.slot_bytes, kept.slots, kept.every = slot_bytes, slots, every
        setattr(kept, "from", -1)
        kept.check = -1
        found = self.whole_slots(slots, slot_bytes)
        if 0 in found:
            furthest = max(found, key=lambda number: found[number])
            setattr(kept, "from", furthest)
            self.from_done = found[furthest]
            pairs = [n for n in range(slots - 2) if n in found and n + 1 in found and found[n] < found[n + 1]]
            kept.check = random.SystemRandom().choice(pairs) if pairs else -1
        self.keep.append(kept)
        self.slot.kept = kept

    def whole_slots(self, slots: int, slot_bytes: int) -> dict[int, int]:
        """Slot -> periods done, of those whose check sum is right."""
        found = {}
        skipped = self.ffi.offsetof("struct pf_slot", "again")
        for number in range(slots):
            start = HEAD_BYTES + number * slot_bytes
            done, expected = struct.unpack_from("<qI", self.mapping, start)
            rest = memoryview(self.mapping)[start + skipped : start + slot_bytes]
            if done > 0 and zlib.crc32(rest) == expected and struct.unpack_from("<q", rest)[0] == done:
                found[number] = int(done)
            rest.release()
        return found

    def close(self) -> None:
        """Let go of the file of states."""
        if self.file is not None:
            with contextlib.suppress(OSError):
                os.close(self.file)
            self.file = None

    def outcome(self) -> LongOutcome:
        """What the child left in the structure."""
        slot, size = self.slot, self.state_size + self.region_size
        self.close()
        flags = {kind: (int(slot.flag_period[kind]), int(slot.flag_sample[kind])) for kind in range(5)
                 if slot.flag_period[kind] >= 0}
        states = tuple(bytes(self.ffi.buffer(at, size)) for at in (slot.state_base, slot.state_before, slot.state_now))
        start = STARTS[int(slot.start)]
        why_not = self.why_not
        if slot.addresses and self.job.longer is not None and self.job.longer.kept:
            why_not = "its memory holds addresses"
        return LongOutcome(
            int(slot.done), int(slot.base), tuple(bool(slot.repeats[k]) for k in range(len(self.job.output_types))),
            int(slot.said.others), int(slot.said.first_other), int(slot.period), int(slot.sample), int(slot.output),
            bool(slot.by_reference), float(slot.got), float(slot.wanted), float(slot.said.worst),
            (int(slot.said.open), int(slot.said.open_period), int(slot.said.open_sample)), flags,
            (int(slot.late_period), int(slot.late_sample)), (states[0], states[1], states[2]),
            self.from_done if start == STARTS[1] else 0, start, why_not, float(slot.seconds))
