"""Sweeps on the board's image by a user-mode emulator: the same linked code, several times faster.

The image runs as a process (runtime/board_serve.c) with its variables, its stack and its blocks of inputs at the
addresses that they have in the emulator of the whole core, in memory that the engine sees. What counts
instructions, traces or explains stays with the emulator of the whole core: a block in which the process did not
come back is run there again, and only what is seen there is reported.
"""

from __future__ import annotations

import ctypes
import fcntl
import functools
import mmap
import os
import re
import shutil
import subprocess
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from firmware_shim.board_emulator import BoardImage, pages
from firmware_shim.board_places import BLOCK_AT, BLOCK_BYTES, PAGE, STACK_BYTES, STACK_TOP
from firmware_shim.board_running import BoardRunner
from firmware_shim.engine import NUMPY_TYPES
from firmware_shim.job import LATE, Job, JobResult, Stop
from firmware_shim.running import BLOCK, Library

# The statically linked build first: it calls its own floating point directly, a sweep of exp2f takes a fifth less.
PROGRAMS = ("qemu-arm-static", "qemu-arm")
NAMED_BY = "PREFLASH_QEMU_ARM"
# From here on it refuses unaligned addresses of multiple and double transfers as the cores do.
LEAST_VERSION = (7, 2)
SMALLEST_SWEEP = 1 << 16
SERVED_AT, HEADER_WORDS, ENTRY_WORDS = 256, 8, 3
# Blocks in one request, as in engine_parts.h: handing one block over takes as long as a tenth of what runs in it.
AHEAD = 8
# It reserves the board's whole address space, which is counted but not used.
RESERVED_BYTES = 6 << 30


@functools.cache
def user_mode_emulator() -> tuple[str, str]:
    """(path, name and version) of the user-mode emulator; empty where it is missing, too old, or another name is given."""
    named = os.environ.get(NAMED_BY)
    for program in PROGRAMS if named is None else (named or "/nowhere",):
        if (path := shutil.which(program)) and (version := version_of(path)):
            return path, f"{Path(program).name} {version}"
    return "", ""


def version_of(path: str) -> str:
    """Version of a user-mode emulator; empty if it is too old or none."""
    try:
        ran = subprocess.run([path, "--version"], capture_output=True, text=True, timeout=20)
    except (OSError, subprocess.TimeoutExpired):
        return ""
    found = re.search(r"qemu-arm version (\d+)\.(\d+)(\S*)", ran.stdout)
    return "" if found is None or (int(found[1]), int(found[2])) < LEAST_VERSION else f"{found[1]}.{found[2]}{found[3]}"


def may_serve(job: Job, image: BoardImage) -> bool:
    """Whether a job is a sweep that the user-mode emulator judges as the whole core would.

    Not: small jobs; counts and traces; declared peripherals; cores that allow no unaligned access at all; images
    with an instruction that the core lacks, which only the other emulator watches.
    """
    looks_closer = job.whole_core or job.trap_kinds or job.keep_costs or job.keep_flags or job.events
    if looks_closer or job.peripherals or int(np.asarray(job.segments)[:, 1].sum()) < SMALLEST_SWEEP:
        return False
    return image.core.unaligned and not (image.facts.lacking or image.ready) and bool(user_mode_emulator()[0])


class SharedMemory:
    """The board's variables, stack and blocks as they are after the constructors, in a file that both sides map."""

    def __init__(self, image: BoardImage) -> None:
        areas = [(low, size) for low, size in image.mapped
                 if 0x20000000 <= low < STACK_TOP - STACK_BYTES] + [
                     (STACK_TOP - STACK_BYTES, STACK_BYTES), (BLOCK_AT, pages(BLOCK_BYTES))]
        handle = os.memfd_create("board", os.MFD_CLOEXEC)
        # The contained child closes the low descriptors.
        self.file = fcntl.fcntl(handle, fcntl.F_DUPFD_CLOEXEC, 64)
        os.close(handle)
        total = PAGE + sum(size for _, size in areas)
        os.ftruncate(self.file, total)
        self.area = mmap.mmap(self.file, total)
        self.start = ctypes.addressof(ctypes.c_char.from_buffer(self.area))
        self.at: dict[int, int] = {}
        offset, lines = PAGE, []
        for (low, size) in areas:
            held = image.kept[image.mapped.index((low, size))]
            self.area[offset : offset + size] = held[:]
            self.at[low] = self.start + offset
            lines += [low, size, offset // PAGE]
            offset += size
        header = np.zeros(HEADER_WORDS + len(lines), np.uint32)
        header[HEADER_WORDS - 1], header[HEADER_WORDS:] = len(areas), lines
        self.area[SERVED_AT : SERVED_AT + header.nbytes] = header.tobytes()
        self.path = image.path
        first = next((low for low, _ in areas if low >= 0x20000000), STACK_TOP)
        self.base = self.at[first] - first
        self.end = self.start + total

    def close(self) -> None:
        """Give the descriptor back; the memory goes with the object."""
        os.close(self.file)


class ServedRunner(BoardRunner):
    """One sweep, its loops run by the user-mode emulator."""

    starts_program = True

    def machine(self) -> Any:
        ffi = self.engine.ffi
        self.board = ffi.new("struct pf_board *")
        self.board[0] = self.image.board[0]
        self.words = [ffi.new("char[]", os.fsencode(text)) for text in (user_mode_emulator()[0], self.image.path)]
        self.board.runner, self.board.image = self.words
        return self.board

    def memory(self) -> Any:
        return self

    @property
    def path(self) -> str:
        """The image's file."""
        return self.image.path

    def symbol(self, name: str, kind: str) -> Any:
        """The engine's loop that stands for one of the image's."""
        return self.image.symbol(name, kind)

    @property
    def base(self) -> int:
        """What an address of the board's variables is counted from in this process."""
        return self.shared.base

    @property
    def end(self) -> int:
        """Where they end in this process."""
        return self.shared.end

    def run_once(self, segments: np.ndarray, library: Library, whole: JobResult) -> np.ndarray:
        ffi, board = self.engine.ffi, self.board
        self.shared = SharedMemory(self.image)
        board.progress = ffi.cast("uint32_t *", self.shared.start)
        board.block = ffi.cast("unsigned char *", self.shared.at[BLOCK_AT])
        board.stack = ffi.cast("unsigned char *", self.shared.at[STACK_TOP - STACK_BYTES])
        board.served_file = self.shared.file
        try:
            return super().run_once(segments, library, whole)
        finally:
            self.shared.close()

    def make_job(self, segments: np.ndarray, library: Library, shared: Any, results: np.ndarray, opens: np.ndarray) -> Any:
        c_job = super().make_job(segments, library, shared, results, opens)
        c_job.memory_limit_bytes += RESERVED_BYTES
        c_job.ahead = AHEAD
        return c_job

    def describe(self, shared: Any, status: int, hung: bool, segment: np.ndarray, library: Library) -> Stop:
        """The whole block, which the emulator of the whole core then runs again."""
        start, count, _ = (int(value) for value in segment)
        base = min(max(int(shared.position[1]), start), start + count - 1)
        length = min(AHEAD * BLOCK - (base - start) % (AHEAD * BLOCK), start + count - base)
        return Stop("served", base, length, int(shared.phase), "the process that ran the image did not come back")

    def run_served(self, image: BoardImage, libraries: dict[str, Library]) -> JobResult:
        """Run all segments; what the process left open is run on the whole core."""
        whole = self.run_board(image, libraries)
        open_parts = [(stop.ordinal, stop.count) for stop in whole.stops]
        open_parts += [(start, count) for start, count, why in whole.not_run if why != LATE]
        if whole.load_problem or not open_parts:
            return whole
        whole.stops, whole.not_run = [], [part for part in whole.not_run if part[2] == LATE]
        asked = np.asarray(self.asked.segments, np.int64)
        masks = [int(asked[np.flatnonzero((asked[:, 0] <= start) & (start < asked[:, 0] + asked[:, 1]))[0], 2])
                 for start, _ in open_parts]
        lines = np.array([(start, count, mask) for (start, count), mask in zip(open_parts, masks, strict=True)], np.int64)
        again = BoardRunner(self.engine, replace(self.asked, segments=lines, seconds=self.until - time.monotonic()),
                            self.capture).run_board(image, libraries)
        return self.joined(whole, again)

    def joined(self, whole: JobResult, more: JobResult) -> JobResult:
        """One result of two over disjoint segments."""
        self.add(whole, more.segments, more.results, more.opens)
        whole.stops, whole.load_problem = more.stops, more.load_problem
        whole.not_run += more.not_run
        whole.printed = whole.printed or more.printed
        if whole.mode_changed_at < 0 <= more.mode_changed_at:
            whole.mode_changed_at, whole.mode_before, whole.mode_after = (
                more.mode_changed_at, more.mode_before, more.mode_after)
        if whole.written_at < 0 <= more.written_at:
            whole.written_at, whole.written_offset = more.written_at, more.written_offset
        if self.asked.keep_outputs:
            width = NUMPY_TYPES[self.asked.output_type].itemsize
            outputs = bytearray(whole.outputs)
            for start, count, _ in more.segments:
                outputs[start * width : (start + count) * width] = more.outputs[start * width : (start + count) * width]
            whole.outputs = bytes(outputs)
        return whole

