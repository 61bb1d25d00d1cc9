"""What scripts said, kept for the next run: tallies per claim, never verdicts, and only where nothing failed."""

from __future__ import annotations

import contextlib
import hashlib
import os
import pickle
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from types import CodeType, ModuleType
from typing import Any

from verify.claims.base import Claim
from verify.machines.hunt import Tried
from verify.machines.machine import Machine
from verify.machines.references import parts_of
from verify.machines.script import Script
from verify.whole_files import whole_file


def description(function: Any, depth: int = 4) -> list[Any]:
    """A function as far as it can be told: code, and the values it takes from around it, which a sheet may have made
    of what no key holds (a variable of the environment, another program)."""
    code = getattr(function, "__code__", None)
    if code is None or depth == 0:
        return [re.sub(r" at 0x[0-9a-f]+", "", repr(function))]
    inner = [constant for constant in code.co_consts if isinstance(constant, CodeType)]
    names = sorted({name for part in (code, *inner) for name in part.co_names} & set(function.__globals__))
    cells = []
    for cell in function.__closure__ or ():
        with contextlib.suppress(ValueError):  # not filled yet
            cells.append(cell.cell_contents)
    around = [*cells, *(function.__defaults__ or ()), *(function.__kwdefaults__ or {}).values(),
              *(function.__globals__[name] for name in names)]
    said = [part for part in around if not isinstance(part, ModuleType | type)]
    return [function.__qualname__, function.__module__, code.co_code.hex(),
            [repr(constant) for constant in code.co_consts if not isinstance(constant, CodeType)],
            [part.co_code.hex() for part in inner], names, [description(part, depth - 1) for part in said]]


@dataclass(frozen=True)
class Kept:
    """One machine in one build: a file under cache/evidence, named after all that could change what it says.

    surroundings: sheet and local files, loaded objects, C library, processor, versions, seed; about: the build.
    """

    folder: Path
    surroundings: str
    about: str
    fresh: bool

    def path(self, machine: Machine, claims: Sequence[Claim], scripts: int) -> Path:
        """Where the tallies lie."""
        return self.named("machine", machine, claims, scripts)

    def long_path(self, machine: Machine, claim: Claim) -> Path:
        """Where the states of a long run lie; whatever was asked for before, they are of the same hours."""
        path = self.named("long", machine, [claim], 0)
        if self.fresh:
            with contextlib.suppress(OSError):
                path.unlink()
        return path

    def named(self, kind: str, machine: Machine, claims: Sequence[Claim], scripts: int) -> Path:
        """A file named after all that could change what it says."""
        described = [getattr(machine, name) for name in (
            "name", "state", "init", "destroy", "events", "inputs", "step", "block", "outputs", "follows", "sample_rates_hz",
            "flush_to_zero", "hostile", "longest_seconds", "call_limit_seconds", "interleaved", "pointers", "peripherals")]
        reference = [(output, description(function), sorted((key, repr(value)) for key, value in given.items()))
                     for output, function, given in parts_of(machine)]
        stated = [(claim.label(), repr(claim)) for claim in claims]
        text = repr([self.surroundings, self.about, described, reference, stated, scripts])
        return self.folder / f"{kind}-{hashlib.sha256(text.encode()).hexdigest()}.evidence"

    def load(self, machine: Machine, claims: Sequence[Claim], scripts: int) -> tuple[list[Tried], list[Script]] | None:
        """Tallies of an earlier run, and some of its scripts; None when there are none."""
        if self.fresh:
            return None
        path = self.path(machine, claims, scripts)
        try:
            found, sample = pickle.loads(path.read_bytes())
            os.utime(path)
        except (OSError, pickle.UnpicklingError, EOFError, AttributeError, ValueError, TypeError, ImportError):
            return None
        right = isinstance(found, list) and len(found) == len(claims) and all(isinstance(t, Tried) for t in found)
        return (found, sample) if right else None

    def save(self, machine: Machine, claims: Sequence[Claim], scripts: int, tried: list[Tried],
             sample: list[Script]) -> None:
        """Write whole or not at all; what failed, stayed open or went wrong is hunted again each time."""
        if any(t.failing_scripts or t.open or t.fault or not t.scripts for t in tried):
            return
        with contextlib.suppress(OSError):
            self.folder.mkdir(parents=True, exist_ok=True)
            with whole_file(self.path(machine, claims, scripts), "wb") as stream:
                pickle.dump((tried, sample), stream, protocol=pickle.HIGHEST_PROTOCOL)
