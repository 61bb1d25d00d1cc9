"""The hunt for one machine in one build: stored witnesses, the catalogue, generated scripts; then the smallest witness."""

from __future__ import annotations

import random
import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from firmware_shim.crew import Crew
from firmware_shim.job import NOT_TRIED, Stop, enough
from firmware_shim.traces import eye_of
from reference.errors import DomainError, NumberRefused, Undecidable
from verify.claims.base import Claim
from verify.claims.cost_within import CostWithin
from verify.claims.in_time import Gain, Judgement, TimeClaim
from verify.claims.interrupted import SafeWhenInterruptedBy
from verify.claims.long_run import KeepsGoing
from verify.hunt import Progress
from verify.hunting.plan import DEFAULT_SCRIPTS, MOST_HANGS, MOST_STOPS
from verify.judging.verdict import grouped
from verify.machines.catalogue import catalogue, counted_long, quiet
from verify.machines.generation import drawn
from verify.machines.interruptions import judged as interrupted
from verify.machines.judging import judge
from verify.machines.long_judging import judged, trace_of
from verify.machines.long_run import AGAIN, LongBudget, long_run, periods_of
from verify.machines.machine import Machine
from verify.machines.minimise import MOST_CANDIDATES, MOST_SAMPLES, MOST_SECONDS, minimised, shortened, simplicity
from verify.machines.observation import Observation
from verify.machines.pinning import pinned
from verify.machines.running import LONGEST_KEPT, ON_HOST, Stand, observe
from verify.machines.script import Happening, Script

NO_ANSWER = (DomainError, Undecidable, NumberRefused)
# Repeats and other memory are looked at for the catalogue and one generated batch in four: they cost a run each.
VARIANTS_EACH = 4
# Far beyond what the budget takes: how many scripts are tried shall not depend on what else the computer does.
SECONDS, BUSY = 60.0, 4
# What the scripts of a default budget may run in all, before their variants.
MOST_SAMPLES_IN_ALL, MOST_SAMPLES_ON_BOARD = 1 << 27, 1 << 22
CATALOGUE_PART = 32
# Loading the compiled eye costs what it saves on so many scripts.
FEW = 32
# Each hang costs its time limit, also while a script is made small.
HANGING_SECONDS = 6.0
# Of scripts of hours, what may be run again to make a witness shorter, and how many at once.
LONG_SAMPLES, LONG_WIDTH = 1 << 30, 5
# A claim that has failed so often is judged no more: another failure would say nothing new.
ENOUGH_FAILURES = 64
# Of the scripts that ran, those kept for a repeat: one in four, short ones.
KEPT_EACH, SHORT_SAMPLES = 4, 16_384


@dataclass
class Tried:
    """What all scripts together say about one claim. Of a long run: ran, in words; long_done, periods that ran; can_go_on:
    its state is kept; long_seconds: what it took to a failure; long_trace: samples around it."""

    scripts: int = 0
    judged: int = 0
    failing_scripts: int = 0
    open: int = 0
    worst: float | None = None
    worst_script: Script | None = None
    worst_judgement: Judgement | None = None
    witness: Script | None = None
    witness_judgement: Judgement | None = None
    inside_bands: int = 0
    fault: str = ""
    assumed: str = ""
    ran: str = ""
    long_done: int = 0
    can_go_on: bool = False
    long_seconds: float = 0.0
    long_trace: dict[str, Any] | None = None
    facts: dict[str, None] = field(default_factory=dict)
    # How often each allowance of the claim fired, in all scripts.
    allowed: dict[str, int] = field(default_factory=dict)
    # What cost_within counted, a part of the machine each (see cost_judging.figures).
    costs: list[dict[str, Any]] = field(default_factory=list)
    # The gains that gain_at measured: of each setting (made at sample 0, at one rate) one per frequency, the worst.
    gains: dict[tuple[int, tuple[Happening, ...]], dict[float, Gain]] = field(default_factory=dict)

    def add(self, script: Script, found: Judgement, machine: Machine) -> None:
        """Take in one script's judgement."""
        self.facts.update(dict.fromkeys(found.facts))
        for place, count in found.allowed.items():
            self.allowed[place] = self.allowed.get(place, 0) + count
        self.scripts += found.valid > 0
        self.judged += found.valid
        self.open += found.open
        self.inside_bands += found.inside_bands
        if found.valid and found.worst is not None and (self.worst is None or found.worst > self.worst):
            self.worst, self.worst_script, self.worst_judgement = found.worst, script, found
        if found.response and all(e.sample == 0 for e in script.events):
            curve = self.gains.setdefault((script.rate, script.events), {})
            for gain in found.response:
                known = curve.get(gain.hz)
                curve[gain.hz] = gain if known is None or abs(gain.error_db) > abs(known.error_db) else known
        if found.failing:
            self.failing_scripts += 1
            if self.witness is None or simplicity(script, machine) < simplicity(self.witness, machine):
                self.witness, self.witness_judgement = script, found


@dataclass
class MachineHunt:
    """One hunt. tried grows as scripts come back; an interrupt leaves what was learned."""

    stand: Stand
    claims: Sequence[Claim]
    crew: Crew
    progress: Progress
    seed: int
    scripts: int
    long: LongBudget = field(default_factory=LongBudget)
    ended_early: bool = False
    tried: list[Tried] = field(default_factory=list)
    count: int = 0
    samples: int = 0
    stopped: str = ""
    stops: list[Stop] = field(default_factory=list)
    given_up: str = ""
    sample: list[Script] = field(default_factory=list)
    room: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.tried = [Tried() for _ in self.claims]
        self.label = f"{self.stand.machine.name}, {self.stand.build}"

    def run(self, witnesses: Sequence[Script]) -> None:
        """All phases, in order; then each failing claim's script is made small."""
        self.began, self.spent = time.monotonic(), self.crew.processor_seconds()
        variants = self.variants()
        if witnesses:
            self.take(witnesses, variants, "stored witnesses", len(witnesses))
        listed = catalogue(self.stand.machine)
        for start in range(0, len(listed), CATALOGUE_PART):
            if not self.over():
                # Each variant is a run of its own, which the emulator makes dear: there the first part has them.
                words = variants if start == 0 or self.stand.build != "board" else ()
                self.take(listed[start : start + CATALOGUE_PART], words, "catalogue", len(listed))
        if not self.over():
            self.take([*quiet(self.stand.machine), *counted_long(self.stand.machine)], (), "a long silence", 0)
        for claim in self.claims:
            asked = claim.scripts(self.stand.machine) if isinstance(claim, TimeClaim) else []
            for start in range(0, len(asked), CATALOGUE_PART):
                if not self.over():
                    self.take(asked[start : start + CATALOGUE_PART], (), f"scripts of {claim.name}", len(asked))
        self.generated(variants)
        self.minimise()
        self.interrupted(witnesses)
        self.costs(witnesses)
        self.long_runs()

    def interrupted(self, witnesses: Sequence[Script]) -> None:
        """Setters that come in the middle of a step."""
        for tried, claim in zip(self.tried, self.claims, strict=True):
            if isinstance(claim, SafeWhenInterruptedBy):
                self.progress(f"{self.label}: interrupted by {claim.setter}", 0, 1)
                whole = interrupted(self.stand, claim, self.crew, witnesses, self.scripts, self.seed)
                for script, found in whole.found:
                    tried.add(script, found, self.stand.machine)
                tried.facts.update(dict.fromkeys(whole.facts))

    def costs(self, witnesses: Sequence[Script]) -> None:
        """Instructions of steps and events, for the claims about them."""
        pairs = zip(self.tried, self.claims, strict=True)
        wanted = [(tried, claim) for tried, claim in pairs if isinstance(claim, CostWithin)]
        if wanted:
            from verify.machines.cost_judging import judge_cost  # wanted with a board only
            from verify.machines.costs import hunted

            self.progress(f"{self.label}: counting", 0, 1)
            cost = hunted(self.stand, self.crew, self.seed, witnesses)
            for tried, claim in wanted:
                judge_cost(tried, claim, self.stand, cost)

    def long_runs(self) -> None:
        """Hours of one script, for each claim about them. Run last: they take the longest, and Ctrl-C loses nothing."""
        for number, claim in enumerate(self.claims):
            if isinstance(claim, KeepsGoing):
                self.tried[number] = self.one_long(claim)

    def one_long(self, claim: KeepsGoing, share: int = 1) -> Tried:
        """One long run; share: only this part of it."""
        if self.ended_early:
            return Tried(ran="nothing run", facts={"interrupted": None})
        budget = self.long
        if share > 1:
            periods = periods_of(self.stand.machine, claim, budget.seconds)
            budget = replace(budget, kept={}, seconds=periods * float(claim.every_seconds) / share)
        seen = long_run(self.stand, claim, self.crew, self.progress, budget)
        self.ended_early |= seen.interrupted
        found, ran, last = judged(self.stand, seen)
        outcome = seen.result.runs[0].longer
        tried = Tried(ran=ran, long_done=outcome.done if outcome is not None else 0,
                      can_go_on=outcome is not None and not outcome.why_not_kept and bool(budget.kept))
        tried.add(replace(seen.script, times=last) if found.failing else seen.script, found, self.stand.machine)
        if found.failing:
            tried.long_seconds = outcome.seconds if outcome is not None else 0.0
            tried.long_trace = trace_of(self.stand, seen, found)
        return tried

    def long_again(self, known: Tried, claim: KeepsGoing) -> Tried:
        """A kept long run: it goes on where it stopped, and a part of it is run again; all of it where that fails."""
        whole = known.long_done >= periods_of(self.stand.machine, claim, self.long.seconds)
        if known.can_go_on or not whole:
            return self.one_long(claim)
        again = self.one_long(claim, AGAIN)
        return self.one_long(claim) if again.failing_scripts or again.fault else known

    def recheck(self, known: list[Tried], kept: Sequence[Script], witnesses: Sequence[Script]) -> None:
        """Stand on kept tallies. Stored witnesses and 2 % of the kept scripts run again; a failure starts a whole hunt."""
        self.began, self.spent = time.monotonic(), self.crew.processor_seconds()
        if witnesses:
            self.take(witnesses, self.variants(), "stored witnesses", len(witnesses))
        part = random.Random().sample(list(kept), min(len(kept), max(4, self.scripts // 50)))
        self.take(part, (), "a part of what is kept, again", len(part))
        if any(tried.failing_scripts or tried.fault for tried in self.tried):
            # A witness fails, or the machine does not repeat: nothing kept counts.
            self.run([*witnesses, *part])
            return
        self.tried = [self.long_again(tried, claim) if isinstance(claim, KeepsGoing) else tried
                      for tried, claim in zip(known, self.claims, strict=True)]

    def variants(self) -> tuple[str, ...]:
        """Other runs of the same script that some claim needs."""
        words = [word for claim in self.claims for word in getattr(claim, "variants", ())]
        if any(claim.name == "deterministic" for claim in self.claims):
            words.append("again")
        if self.stand.build.endswith("strict"):
            words = [word for word in words if word == ON_HOST and self.stand.build == "strict"]
        return tuple(dict.fromkeys(words))

    def generated(self, variants: tuple[str, ...]) -> None:
        """Scripts drawn with the seed, until the budget, the clock, or everything that can fail has failed."""
        for number, scripts in enumerate(drawn(self.stand.machine, self.scripts, self.seed)):
            if self.over():
                break
            self.take(scripts, variants if number % VARIANTS_EACH == 0 else (), "generated scripts", self.scripts)

    def over(self) -> bool:
        """Whether the hunt ends here."""
        if not self.stopped and self.late(SECONDS * max(1.0, self.scripts / DEFAULT_SCRIPTS)):
            self.stopped = f"stopped by the clock after {self.count} scripts"
        most = MOST_SAMPLES_ON_BOARD if self.stand.build == "board" else MOST_SAMPLES_IN_ALL
        if not self.stopped and self.samples > most * max(1.0, self.scripts / DEFAULT_SCRIPTS):
            self.stopped = f"stopped after {self.count} scripts: {grouped(self.samples)} samples in all"
        if not self.stopped:
            self.stopped = self.given_up = enough(self.stops, MOST_STOPS, MOST_HANGS, "scripts")
        return bool(self.stopped)

    def late(self, seconds: float) -> bool:
        """Whether so much processor time has gone, or much more time: a busy computer must not make a hunt shorter."""
        if time.monotonic() - self.began <= seconds:
            return False
        return self.crew.processor_seconds() - self.spent > seconds or time.monotonic() - self.began > BUSY * seconds

    def take(self, scripts: Sequence[Script], variants: tuple[str, ...], phase: str, total: int) -> None:
        """Run scripts and judge every claim on each."""
        left_out = []
        for seen in observe(self.stand, list(scripts), self.crew, variants):
            if seen.stop is not None and seen.stop.kind == "not run" and seen.stop.why.startswith(NOT_TRIED):
                left_out.append(seen.script)
                continue
            self.note(seen)
            self.count += 1
            if self.count % KEPT_EACH == 0 and seen.done <= SHORT_SAMPLES:
                self.sample.append(seen.script)
            # Hours that one claim has counted leave the others their scripts.
            self.samples += seen.done if seen.rows is None else 0
            if self.count % 32 == 0:
                self.progress(f"{self.label}: {phase}", self.count, max(total, self.count))
        if left_out and len(left_out) < len(scripts) and not self.over():
            self.take(left_out, variants, phase, total)

    def note(self, seen: Observation) -> None:
        """Judge one script by every claim."""
        if seen.stop is not None and seen.stop.kind != "not run":
            self.stops.append(seen.stop)
        if self.count >= FEW:
            seen.eye, seen.room = eye_of(self.crew.engine), self.room
        for tried, claim in zip(self.tried, self.claims, strict=True):
            if tried.fault or tried.failing_scripts >= ENOUGH_FAILURES:
                continue
            try:
                tried.add(seen.script, judge(claim, seen), self.stand.machine)
            except NO_ANSWER as problem:
                tried.open += 1
                tried.facts[f"the reference has no answer for a script: {problem}"] = None
            except Exception as problem:
                # A fault of the tool is said loudly, and can never become holds.
                tried.fault = f"preflash's own fault: {type(problem).__name__}: {problem}"

    def minimise(self) -> None:
        """Make each failing claim's script as short and round as it can be."""
        for tried, claim in zip(self.tried, self.claims, strict=True):
            if tried.witness is None or tried.witness_judgement is None:
                continue
            self.progress(f"{self.label}: smallest script for {claim.name}", 0, 1)

            def fails(candidates: Sequence[Script], claim: Claim = claim, tried: Tried = tried) -> list[int]:
                return self.failing_samples(candidates, claim)

            small, at, left = tried.witness, max(0, tried.witness_judgement.at), MOST_SAMPLES
            if small.samples > LONGEST_KEPT:
                small, at, left = shortened(small, at, fails, LONGEST_KEPT // 16, LONG_SAMPLES)
                # Those that still are long have few candidates: each is run from its start.
                left = max(MOST_SAMPLES, left) if small.samples <= LONGEST_KEPT else left
            width = LONG_WIDTH if small.samples > LONGEST_KEPT else MOST_CANDIDATES
            seconds = HANGING_SECONDS if tried.witness_judgement.error.startswith("hang") else MOST_SECONDS
            small, _ = minimised(small, at, self.stand.machine, fails, width, left, seconds)
            tried.witness = small
            for seen in self.again([small], claim):
                again = judge(claim, seen)
                if again.failing:
                    tried.witness_judgement = pinned(claim, self.stand, small, again, self.crew)

    def again(self, scripts: Sequence[Script], claim: Claim) -> list[Observation]:
        """Run scripts again with what one claim needs."""
        words = ("again",) if claim.name == "deterministic" else getattr(claim, "variants", ())
        return list(observe(self.stand, list(scripts), self.crew, tuple(words)))

    def failing_samples(self, scripts: Sequence[Script], claim: Claim) -> list[int]:
        """Sample at which the claim fails, -1 where it holds."""
        found: dict[Script, int] = {}
        for seen in self.again(scripts, claim):
            judged = judge(claim, seen)
            # A long one is counted once for each claim that counts.
            found[seen.script] = max(found.get(seen.script, -1), max(0, judged.at) if judged.failing else -1)
        return [found.get(script, -1) for script in scripts]
