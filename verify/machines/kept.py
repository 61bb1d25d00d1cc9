"""What scripts said, kept for the next run: tallies per claim, never verdicts, and only where nothing failed."""

from __future__ import annotations

import contextlib
import hashlib
import os
import pickle
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from verify.claims.base import Claim
from verify.machines.hunt import Tried
from verify.machines.machine import Machine
from verify.machines.script import Script
from verify.whole_files import whole_file


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
            "name", "state", "init", "destroy", "events", "inputs", "step", "block", "outputs", "sample_rates_hz",
            "flush_to_zero", "hostile", "longest_seconds", "call_limit_seconds", "interleaved", "pointers", "peripherals")]
        constants = sorted((key, repr(value)) for key, value in machine.constants.items())
        reference = getattr(machine.reference, "__qualname__", ""), getattr(machine.reference, "__module__", "")
        stated = [(claim.label(), repr(claim)) for claim in claims]
        text = repr([self.surroundings, self.about, described, constants, reference, stated, scripts])
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
