"""Machines of one sheet checked side by side: judging is Python, so each machine has a process of its own."""

from __future__ import annotations

import mmap
import multiprocessing
import os
import signal
import struct
import time
from collections.abc import Iterator, Sequence
from dataclasses import replace
from multiprocessing.util import Finalize
from pathlib import Path
from typing import Any

from firmware_shim.build import Built
from firmware_shim.crew import Crew
from firmware_shim.errors import ShimError
from verify.hunt import Progress
from verify.judging.verdict import BLOCKED, Verdict
from verify.machines.check import MachineCheck, claims_in
from verify.machines.explaining import claim_entry, machine_entry
from verify.progress import SharedNotes
from verify.sheets_side_by_side import LOOK_EVERY_SECONDS, end_with_caller

Builds = Sequence[tuple[str, Built | ShimError]]

# After Ctrl-C, what ends by itself within this time is kept.
LAST_SECONDS = 3.0
WORD = struct.Struct("<q")

# What the forked processes work on: references are functions, which do not travel through a pipe.
_tasks: list[tuple[MachineCheck, Builds, Path]] = []
# A forked process's own worker, for all machines that it checks; it ends when its pipe closes.
_crew: list[Crew] = []
# Whether to end.
_shared: list[mmap.mmap] = []
# How far each machine is.
_notes: list[SharedNotes] = []


def entries(pairs: Sequence[tuple[MachineCheck, Builds]], engine: Path, workers: int,
            progress: Progress) -> Iterator[tuple[dict[str, Any], list[str]]]:
    """(entry of the record, new witness lines) of each machine with the builds that it runs in, in order."""
    _tasks[:] = [(check, builds, engine) for check, builds in pairs]
    checks = [check for check, _ in pairs]
    _shared[:] = [mmap.mmap(-1, WORD.size)]
    _notes[:] = [SharedNotes(len(checks))]
    pool = multiprocessing.get_context("fork").Pool(max(1, min(workers, len(checks))), _begin)
    try:
        answers = [pool.apply_async(_run, (number,)) for number in range(len(checks))]
        for number, answer in enumerate(answers):
            try:
                while not answer.ready():
                    answer.wait(LOOK_EVERY_SECONDS)
                    show(answers, progress)
            except KeyboardInterrupt:
                # Long runs end at the next period, with all that they have seen.
                WORD.pack_into(_shared[0], 0, 1)
                yield from ended(answers[number:])
                raise
            progress(f"machines: {checks[number].machine.name}", number + 1, len(checks))
            yield answer.get()
        pool.close()
        pool.join()
    finally:
        pool.terminate()
        pool.join()


def show(answers: Sequence[Any], progress: Progress) -> None:
    """The first machine that is at work."""
    for number, answer in enumerate(answers):
        note = None if answer.ready() else _notes[0].read(number)
        if note is not None:
            progress(f"machines: {note[0]}", note[1], note[2])
            return


def ended(answers: Sequence[Any]) -> Iterator[tuple[dict[str, Any], list[str]]]:
    """What comes in the last seconds."""
    until = time.monotonic() + LAST_SECONDS
    for answer in answers:
        answer.wait(max(0.0, until - time.monotonic()))
        if answer.ready():
            yield answer.get()


def told(number: int) -> Progress:
    """What a process tells of its machine; in a long run it is told there that it is to end."""

    def note(label: str, done: int, total: int) -> None:
        _notes[0].write(number, label, done, total)
        if label.endswith("long run") and WORD.unpack_from(_shared[0], 0)[0]:
            raise KeyboardInterrupt

    return note


def _begin() -> None:
    # Ctrl-C is the caller's; a caller that is gone takes this process along.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    end_with_caller()
    if os.getppid() == 1:
        os._exit(1)


def _run(number: int) -> tuple[dict[str, Any], list[str]]:
    check, builds, engine = _tasks[number]
    before = len(check.witnesses.lines)
    try:
        if not _crew:
            _crew.append(Crew(engine, 1))
            Finalize(None, _crew[0].close, exitpriority=1)
        mine = replace(check, crew=_crew[0], progress=told(number))
        entry = mine.entry(builds)
    except Exception as problem:
        while _crew:
            _crew.pop().close()
        why = f"preflash's own fault: {type(problem).__name__}: {problem}"
        claims = [claim_entry(claim, build, Verdict(BLOCKED, note=why), None)
                  for build, _ in builds for claim in claims_in(check.machine, build)]
        entry = machine_entry(check.machine, check.sheet_name, claims, "", "", ())
    return entry, check.witnesses.lines[before:]
