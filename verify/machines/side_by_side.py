"""Machines of one sheet checked side by side: judging is Python, so each machine has a process of its own."""

from __future__ import annotations

import multiprocessing
import os
import signal
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from firmware_shim.build import Built
from firmware_shim.crew import Crew
from firmware_shim.errors import ShimError
from verify.hunt import Progress
from verify.judging.verdict import BLOCKED, Verdict
from verify.machines.check import MachineCheck, claims_in
from verify.machines.explaining import claim_entry, machine_entry
from verify.sheets_side_by_side import end_with_caller

Builds = Sequence[tuple[str, Built | ShimError]]

# What the forked processes work on: references are functions, which do not travel through a pipe.
_tasks: list[tuple[MachineCheck, Builds, Path]] = []


def entries(checks: Sequence[MachineCheck], builds: Builds, engine: Path, workers: int,
            progress: Progress) -> Iterator[tuple[dict[str, Any], list[str]]]:
    """(entry of the record, new witness lines) of each machine, in order."""
    _tasks[:] = [(check, builds, engine) for check in checks]
    pool = multiprocessing.get_context("fork").Pool(max(1, min(workers, len(checks))), _begin)
    try:
        for number, found in enumerate(pool.imap(_run, range(len(checks)))):
            progress(f"machines: {checks[number].machine.name}", number + 1, len(checks))
            yield found
    finally:
        pool.terminate()
        pool.join()


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
        with Crew(engine, 1) as crew:
            mine = replace(check, crew=crew, progress=lambda *_: None)
            entry = mine.entry(builds)
    except Exception as problem:
        why = f"preflash's own fault: {type(problem).__name__}: {problem}"
        claims = [claim_entry(claim, build, Verdict(BLOCKED, note=why), None)
                  for build, _ in builds for claim in claims_in(check.machine, build)]
        entry = machine_entry(check.machine, check.sheet_name, claims, "", "", ())
    return entry, check.witnesses.lines[before:]
