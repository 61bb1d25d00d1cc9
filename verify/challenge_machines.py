"""A mutant's machine before the claims: the scripts that the original was hunted with, run again, up to the first failure.

Only what comes out otherwise than of the original is judged: what is the same to the last bit has the same verdict.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import inf

import numpy as np

from firmware_shim.build import Built
from firmware_shim.crew import Crew
from firmware_shim.job import enough
from verify.claims.base import Claim
from verify.claims.long_run import KeepsGoing
from verify.hunt import Progress
from verify.hunting.plan import MOST_HANGS, MOST_STOPS, Plan
from verify.judging.verdict import FAILS, HOLDS, UNDECIDED, VACUOUS
from verify.machines.check import claims_in, stand_of
from verify.machines.explaining import verdict_of
from verify.machines.hunt import MachineHunt
from verify.machines.long_run import LongBudget
from verify.machines.machine import Machine
from verify.machines.observation import Observation
from verify.machines.running import LONGEST_KEPT, Stand, observe
from verify.machines.script import Script

# Scripts that noticed an earlier mutant are likely to notice the next one: they are run first.
MOST_SHARP = 12
MEASURED_SCRIPTS = 16
Batch = tuple[tuple[Script, ...], tuple[str, ...]]
Key = tuple[Script, tuple[str, ...], str]


def fingerprint(seen: Observation) -> bytes:
    """Of all that a claim could look at: samples of every run of the script, flags, stop, heap."""
    found = hashlib.blake2b(digest_size=16)
    told = (seen.done, sorted(seen.flags.items()), seen.stop, seen.late_allocation, seen.touched, seen.heap)
    found.update(repr(told).encode())
    for runs in ({"": seen.raw}, seen.variants):
        for variant, signals in sorted(runs.items()):
            for name, samples in sorted(signals.items()):
                found.update(f"{variant}/{name}/{len(samples)}".encode())
                found.update(np.ascontiguousarray(samples).view(np.uint8).data)
    if seen.rows is not None:
        found.update(seen.rows.tobytes())
    return found.digest()


class Asked(MachineHunt):
    """A hunt that tells of each script which claims it says something to."""

    def judged(self, seen: Observation) -> tuple[bool, ...]:
        """Judge one script by every claim. Result: for each claim whether the script could be judged by it."""
        before = [tried.scripts for tried in self.tried]
        super().note(seen)
        return tuple(tried.scripts > old for tried, old in zip(self.tried, before, strict=True))


@dataclass
class Original(Asked):
    """The hunt of the original. batches: scripts in the order in which they ran, and the variants that ran of them; known:
    what each gave, and for each claim whether it could judge it."""

    batches: list[Batch] = field(default_factory=list)
    known: dict[Key, tuple[bytes, tuple[bool, ...]]] = field(default_factory=dict)

    def take(self, scripts: Sequence[Script], variants: tuple[str, ...], phase: str, total: int) -> None:
        self.batches.append((tuple(scripts), variants))
        super().take(scripts, variants, phase, total)

    def note(self, seen: Observation) -> None:
        self.known[seen.script, self.batches[-1][1], seen.counted_for] = (fingerprint(seen), self.judged(seen))

    def holding(self) -> list[int]:
        """Places of the claims that hold."""
        return [k for k, tried in enumerate(self.tried) if verdict_of(self.claims[k], tried).word == HOLDS]


@dataclass
class Suspect(Asked):
    """The hunt of a mutant, over at the first failure. known: of the original; valid: per claim, whether any script could be
    judged; same: scripts that gave what they gave with the original; other: those that did not; by: what noticed."""

    known: Mapping[Key, tuple[bytes, tuple[bool, ...]]] = field(default_factory=dict)
    valid: list[bool] = field(default_factory=list)
    same: dict[Script, None] = field(default_factory=dict)
    other: dict[Script, None] = field(default_factory=dict)
    by: Batch | None = None
    words: tuple[str, ...] = ()

    def first(self, batches: Sequence[Batch]) -> str:
        """"claim: verdict" of the first claim that notices, "" for none."""
        self.valid = [False] * len(self.claims)
        for scripts, variants in batches:
            self.take(scripts, variants, "edited", 0)
            if failing := self.noticed(FAILS):
                return failing
            if self.over():
                return f"returns: {UNDECIDED}"
        for number, claim in enumerate(self.claims):
            if isinstance(claim, KeepsGoing):
                self.tried[number] = self.one_long(claim)
        return self.noticed(FAILS) or self.noticed(UNDECIDED)

    def over(self) -> bool:
        self.given_up = enough(self.stops, MOST_STOPS, MOST_HANGS, "scripts")
        return bool(self.given_up)

    def noticed(self, worst: str) -> str:
        """The first claim that fails; where worst says so, also one that is not shown to hold any more."""
        for claim, tried, valid in zip(self.claims, self.tried, self.valid, strict=True):
            if tried.failing_scripts or tried.fault:
                return f"{claim.label()}: {FAILS}"
            if worst == UNDECIDED and not isinstance(claim, KeepsGoing) and (tried.open or not valid):
                return f"{claim.label()}: {UNDECIDED if tried.open else VACUOUS}"
        return ""

    def take(self, scripts: Sequence[Script], variants: tuple[str, ...], phase: str, total: int) -> None:
        self.words = variants
        super().take(scripts, variants, phase, total)

    def note(self, seen: Observation) -> None:
        before, valid = self.known.get((seen.script, self.words, seen.counted_for), (b"", ()))
        if before == fingerprint(seen):
            self.same[seen.script] = None
        else:
            self.other[seen.script] = None
            if self.by is not None:
                return
            valid = self.judged(seen)
        self.valid = [here or there for here, there in zip(self.valid, valid, strict=True)]
        if self.by is None and any(tried.failing_scripts or tried.fault for tried in self.tried):
            self.by = ((seen.script,), self.words)


def together(batches: Sequence[Batch]) -> list[Batch]:
    """Scripts with the same variants in one batch: a process for all costs what it costs for one."""
    found: dict[tuple[str, ...], dict[Script, None]] = {}
    for scripts, words in batches:
        found.setdefault(words, {}).update(dict.fromkeys(scripts))
    return [(tuple(scripts), words) for words, scripts in found.items()]


@dataclass
class Outcome:
    """What became of a machine. noticed: "claim: verdict" or ""; scripts, differing: how many ran, how many gave something
    else; measured: largest difference per output in its unit, infinite where one of the two is not finite; claims: that hold
    on the original."""

    machine: str
    noticed: str
    scripts: int = 0
    differing: int = 0
    measured: dict[str, tuple[float, str]] = field(default_factory=dict)
    claims: Sequence[Claim] = ()

    def text(self) -> str:
        """In words, where nothing noticed."""
        if not self.differing:
            return f"{self.machine}: the same bits in all {self.scripts} scripts"
        sizes = [f"{name} by at most {size:.3g} {unit}".strip() for name, (size, unit) in self.measured.items() if size]
        return f"{self.machine}: {self.differing} of {self.scripts} scripts differ{', ' if sizes else ''}{', '.join(sizes)}"


@dataclass
class Machines:
    """All machines of a sheet: the originals once, then mutants."""

    crew: Crew
    plan: Plan
    progress: Progress
    originals: dict[str, Original] = field(default_factory=dict)
    sharp: dict[str, list[Batch]] = field(default_factory=dict)

    def budget(self) -> LongBudget:
        """Of long runs."""
        return LongBudget(self.plan.long_seconds, self.plan.long_wall_seconds)

    def learn(self, machine: Machine, built: Built) -> dict[str, str]:
        """Hunt with the original. Result: the verdict of each claim; those that hold can notice something."""
        stand = stand_of(machine, built)
        hunt = Original(stand, claims_in(machine, stand.build), self.crew, self.progress, self.plan.seed,
                        self.plan.scripts_of(machine.scripts), self.budget())
        hunt.run([])
        holding = hunt.holding()
        hunt.known = {key: (found, tuple(valid[k] for k in holding)) for key, (found, valid) in hunt.known.items()}
        self.originals[machine.name], self.sharp[machine.name] = hunt, []
        return {claim.label(): verdict_of(claim, tried).word for claim, tried in zip(hunt.claims, hunt.tried, strict=True)}

    def look(self, machine: Machine, built: Built) -> Outcome:
        """Whether a claim notices the mutant; where none does, how far it is from the original."""
        original, sharp = self.originals[machine.name], self.sharp[machine.name]
        stand = stand_of(machine, built)
        hunt = Suspect(stand, [original.claims[k] for k in original.holding()], self.crew, lambda *_: None, self.plan.seed, 0,
                       self.budget(), known=original.known)
        # Counted scripts are few and long, and only some claims ask for them: they come last.
        long = [batch for batch in original.batches if any(script.samples > LONGEST_KEPT for script in batch[0])]
        noticed = hunt.first([*together(sharp), *(batch for batch in original.batches if batch not in long), *long])
        if hunt.by is not None:
            sharp[:] = [hunt.by, *(batch for batch in sharp if batch != hunt.by)][:MOST_SHARP]
        found = Outcome(machine.name, noticed, len(hunt.same | hunt.other), len(hunt.other), claims=hunt.claims)
        if not noticed and hunt.other:
            found.measured = self.measured(original.stand, stand, list(hunt.other))
        return found

    def measured(self, old: Stand, new: Stand, scripts: Sequence[Script]) -> dict[str, tuple[float, str]]:
        """The largest difference per output, over some of the scripts that differ."""
        chosen = [s for s in scripts if s.samples <= LONGEST_KEPT][:MEASURED_SCRIPTS]
        found = {output.name: (0.0, output.unit) for output in old.machine.outputs}
        pairs = zip(observe(old, chosen, self.crew, ()), observe(new, chosen, self.crew, ()), strict=True)
        for before, after in pairs:
            for name, (size, unit) in found.items():
                done = min(before.done, after.done)
                with np.errstate(all="ignore"):
                    gap = np.abs(after.doubles(name)[:done] - before.doubles(name)[:done])
                worst = float(np.nan_to_num(gap, nan=inf).max(initial=0.0))
                found[name] = (max(size, worst), unit)
        return found
