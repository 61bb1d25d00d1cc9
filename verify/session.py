"""One check of a sheet: build, bind, hunt, judge, and gather the record. The one place that joins all parts."""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from firmware_shim.build import Built
from firmware_shim.cores import core_named
from firmware_shim.crew import Crew
from firmware_shim.engine import NUMPY_TYPES
from firmware_shim.errors import ShimError
from firmware_shim.job import NOT_TRIED
from verify.answers import Answers
from verify.binding import Bench, cache_folder, judged_in, make_benches, notes_of_image, ready_engine
from verify.board_library import library_first
from verify.claims.base import Assessment, Case, Claim
from verify.errors import ToolFault
from verify.evidence import Evidence, Total
from verify.evidence_store import EvidenceStore, in_use
from verify.explaining import Explainer
from verify.hunt import Progress
from verify.hunting.plan import Plan
from verify.hunts import Begun, Hunts
from verify.judging.verdict import BLOCKED, Tally, Verdict, decide
from verify.levels import with_levels
from verify.local_files import reading
from verify.machines.check import MachineCheck
from verify.machines.kept import Kept
from verify.machines.machine import Machine
from verify.machines.side_by_side import entries
from verify.paths.budget import budgets
from verify.probing import Prober
from verify.reports.environment import environment, not_checked
from verify.routine import Bound, Routine
from verify.sheet import Sheet
from verify.witnesses import WitnessFile

FORMAT = 1
LONGEST_LOG = 1 << 16
# Whatever the width of a result: it is compared, not measured.
BY_BITS = ("deterministic", "no_undefined_behaviour")


@dataclass
class Outcome:
    """One claim in one build, judged; left_out: inputs were not tried after calls that did not come back."""

    claim: Claim
    build: str
    verdict: Verdict
    assessment: Assessment
    bound: Bound | None = None
    evidence: Evidence | None = None
    slot: int = -1
    left_out: bool = False


def beyond_doubles(bound: Bound, total: Total) -> bool:
    """Whether integer results are too wide for the engine, which judges in binary64."""
    if NUMPY_TYPES[bound.output_type].kind == "f" or NUMPY_TYPES[bound.output_type].itemsize < 8:
        return False
    ends = total.extreme("least_output", "least_output_at", 1)[0], total.extreme("most_output", "most_output_at", -1)[0]
    return any(abs(end) > 2.0**53 * bound.output_scale for end in ends)


@dataclass
class Check(Hunts):
    """A running check. routines of the record grow one by one; an interrupt keeps the finished ones."""

    sheet: Sheet
    plan: Plan
    progress: Progress
    only: Sequence[str] = ()
    witness_path: Path | None = None
    workers: int | None = None
    keep_witnesses: bool = True
    routines: list[dict[str, Any]] = field(default_factory=list)
    interrupted: bool = False
    remembering: set[str] = field(default_factory=set)
    # (routine, build) of paths of which a part ran twice, and gave the same.
    twice: set[tuple[str, str]] = field(default_factory=set)
    # (routine, build): whose evidence came from earlier runs, whose was hunted in this one.
    evidence: dict[str, list[tuple[str, str]]] = field(default_factory=lambda: {"kept": [], "hunted": []})
    # Routines in the order in which they will be checked, where that is known; hunts begun ahead by (routine, build).
    order: Sequence[Routine] = ()
    ahead: dict[tuple[str, str], Begun] = field(default_factory=dict)

    def run(self) -> dict[str, Any]:
        """The record of the whole check. Ctrl-C gives the record of what was learned."""
        try:
            with self.opened():
                self.order = [routine for routine in self.chosen() if isinstance(routine, Routine)]
                for routine in self.order:
                    self.note(self.entry(routine))
                self.check_machines([machine for machine in self.chosen() if isinstance(machine, Machine)])
        except KeyboardInterrupt:
            self.interrupted = True
        if self.keep_witnesses:
            self.witnesses.save()
        return self.record()

    @contextlib.contextmanager
    def opened(self) -> Iterator[None]:
        """Built, bound and with workers at hand: entry() works inside, in any order of routines."""
        library_first(self.sheet, self.progress)
        self.started = datetime.now(UTC).isoformat(timespec="seconds")
        self.clock = time.monotonic()
        self.benches: list[Bench] = []
        self.staffed = False
        self.witnesses = WitnessFile.load(self.witness_path or self.sheet.file.with_name(
            self.sheet.file.stem.removesuffix("_sheet") + "_witnesses.txt"))
        with contextlib.ExitStack() as held:
            held.enter_context(in_use(cache_folder()))
            # Workers take as long to start as the builds take to be found: they start first.
            self.progress(f"building {' and '.join(self.sheet.builds)}", 0, 1)
            engine = ready_engine(self.sheet)
            crew = held.enter_context(Crew(engine, self.workers)) if engine is not None else None
            self.benches = with_levels(self.sheet, make_benches(self.sheet), cache_folder())
            if crew is not None and any(bench.engine for bench in self.benches):
                assert engine is not None
                builts = {bench.build: bench.built for bench in self.benches if bench.built is not None}
                self.crew, self.staffed = crew, True
                self.prober = Prober(crew, builts, self.plan.seed)
                self.store = EvidenceStore(cache_folder(), self.sheet, builts, engine, self.plan)
            yield

    def entry(self, routine: Routine | Machine) -> dict[str, Any]:
        """The record's entry of one routine."""
        if isinstance(routine, Machine):
            return self.check_machine(routine)
        return self.check_routine(routine) if self.staffed else self.blocked_routine(routine)

    def machine_check(self, machine: Machine) -> tuple[MachineCheck, list[tuple[str, Built | ShimError]]]:
        """The check of one machine, and the builds it runs in."""
        builds = [(bench.build, bench.apart.get(machine.name) or bench.built or bench.problem)
                  for bench in self.benches if bench.build not in ("board strict", "narrow")]
        crew, (keys, around) = (self.crew, self.store.keys.both(machine.name)) if self.staffed else (None, ({}, ""))
        if any(getattr(claim, "allow", ()) for claim in machine.claims):
            # Allowances name lines of the text: tallies that rest on them last only as long as every byte of it.
            texts = {bench.build: bench.built.key for bench in self.benches if bench.built is not None}
            keys = {build: f"{key} {texts[build]}" for build, key in keys.items()}
        kept = {build: Kept(self.store.folder, around, key, self.plan.fresh) for build, key in keys.items()}
        no_flags = bool(self.sheet.core) and core_named(str(self.sheet.core)).fpu == "none"
        check = MachineCheck(machine, self.sheet.file.name, crew, self.plan, self.progress, self.witnesses, kept, no_flags,
                             self.sheet.default_nan, self.sheet.core or "",
                             float(self.sheet.clock_hz) if self.sheet.clock_hz else None,
                             levels=next((bench.levels for bench in self.benches if bench.build == "host"), {}),
                             of_image=next((notes_of_image(self.sheet, machine.name, bench.built) for bench in self.benches
                                            if bench.build == "board" and machine.name not in bench.apart), ()))
        for build in (build for build, built in builds if isinstance(built, Built)):
            self.evidence["kept" if check.is_kept([build]) else "hunted"].append((machine.name, build))
        return check, [(build, built) for build, built in builds if built is not None]

    def check_machine(self, machine: Machine) -> dict[str, Any]:
        """Drive and judge one machine in every build."""
        check, builds = self.machine_check(machine)
        entry = check.entry(builds)
        if check.interrupted:
            # A long run ends early and says so; what it and all before it said stays.
            self.note(entry)
            raise KeyboardInterrupt
        return entry

    def check_machines(self, machines: list[Machine]) -> None:
        """All machines, side by side where there are several."""
        engine = next((bench.engine for bench in self.benches if bench.engine), None)
        if len(machines) < 2 or engine is None:
            for machine in machines:
                self.note(self.entry(machine))
            return
        checks = [self.machine_check(machine) for machine in machines]
        if all(check.is_kept([build for build, built in builds if isinstance(built, Built)]) for check, builds in checks):
            # Little is to be run: starting processes would cost more.
            for machine in machines:
                self.note(self.entry(machine))
            return
        workers = self.workers or os.cpu_count() or 1
        for entry, lines in entries(checks, engine, workers, self.progress):
            self.note(entry)
            self.witnesses.add_lines(lines)

    def chosen(self) -> list[Routine | Machine]:
        """The routines to check: functions, then machines."""
        every: list[Routine | Machine] = [*self.sheet.routines, *self.sheet.machines]
        return [r for r in every if not self.only or r.name in self.only]

    def note(self, entry: dict[str, Any]) -> None:
        """Keep a finished routine."""
        self.routines.append(entry)

    def blocked_routine(self, routine: Routine) -> dict[str, Any]:
        """All claims of a routine that no build can run."""
        outcomes = []
        for bench in self.benches:
            problem = bench.problem
            assert problem is not None
            for claim in routine.claims:
                if judged_in(claim, bench.build):
                    found = Assessment(blocked=problem.what)
                    outcomes.append(Outcome(claim, bench.build, Verdict(BLOCKED, note=problem.what), found))
        return Explainer(self.sheet, routine, None).entry(outcomes)

    def check_routine(self, routine: Routine) -> dict[str, Any]:
        """Hunt and judge one routine in every build."""
        outcomes: list[Outcome] = []
        for bench in self.benches:
            outcomes += self.check_build(routine, bench)
        explainer = Explainer(self.sheet, routine, self.prober)
        entry = explainer.entry(outcomes)
        if routine.stages is not None:
            entry["budgets"] = budgets(self.benches, routine, outcomes, self.prober)
        for claim in entry["claims"]:
            if claim["witness"]:
                bits = [bytes.fromhex(i["bits"][2:])[::-1] for i in claim["witness"]["inputs"]]
                self.witnesses.add(routine, claim["label"], claim["build"], bits)
        for outcome in outcomes:
            if outcome.bound is not None and outcome.assessment.failing and outcome.assessment.witness is not None:
                raw = outcome.bound.domain.raw_bits(outcome.assessment.witness)
                self.witnesses.add(routine, outcome.claim.label(), outcome.build, raw)
            if outcome.claim.name == "returns" and outcome.bound is not None and outcome.evidence is not None:
                for stop in outcome.evidence.stops[:8]:
                    raw = outcome.bound.domain.raw_bits(stop.ordinal)
                    self.witnesses.add(routine, outcome.claim.label(), outcome.build, raw)
        return entry

    def check_build(self, routine: Routine, bench: Bench) -> list[Outcome]:
        """Hunt and judge one routine in one build."""
        problem = bench.problem or bench.apart.get(routine.name)
        if problem is not None:
            what = problem.brief()
            return [Outcome(c, bench.build, Verdict(BLOCKED, note=what), Assessment(blocked=what)) for c in routine.claims
                    if judged_in(c, bench.build)]
        begun = self.ahead.pop((routine.name, bench.build), None)
        if begun is None or not self.reusable(begun.hunt.bound, begun.hunt.evidence):
            begun = self.begun(routine, bench)
        if begun is None:
            return []  # a path that ends in a machine, where no machine runs; a build for one claim, which was dropped
        hunt, claims, slots = begun.hunt, begun.claims, begun.slots
        self.hunted(begun)
        self.look_ahead(routine, bench)
        bound, evidence = hunt.bound, hunt.evidence
        for stop in evidence.stops:
            self.prober.known[bound.build, bound.routine.name, stop.ordinal] = None
        outcomes = []
        total, settled, known = evidence.total(), len(evidence.settled), dict(evidence.settled)
        complete = self.complete(bound, evidence)
        left = evidence.holes if hunt.given_up else []
        untried = sum(count for _, count, why in left if why.startswith(NOT_TRIED))
        answers = self.prober.answers = Answers(bound, evidence) if self.reusable(bound, evidence) and not (
            hunt.given_up) else None
        with reading() as reader:
            for claim, slot in zip(claims, slots, strict=True):
                case = Case(bound, evidence, total, slot, complete, self.prober)
                try:
                    found = claim.assess(case)
                    if slot >= 0 and claim.name not in BY_BITS and beyond_doubles(bound, total):
                        found = Assessment(blocked="results beyond 2^53 cannot be judged in this version")
                except ShimError:
                    raise
                except Exception as problem:
                    # A fault of the tool is said loudly and can never become holds.
                    if isinstance(problem, ToolFault):
                        self.store.drop(evidence)
                        self.remembering.add(routine.name)
                    found = Assessment(blocked=f"preflash's own fault: {type(problem).__name__}: {problem}")
                # What nothing contradicts so far rests on too little to be said of the whole.
                left_out = untried if not found.failing and not found.blocked else 0
                found.open = max(found.open, left_out)
                outcomes.append(Outcome(claim, bench.build, self.verdict(found), found, bound, evidence, slot, left_out > 0))
        self.prober.answers = None
        if (len(evidence.settled) != settled or (answers is not None and answers.new)) and not hunt.given_up:
            if reader.late(self.store.cache):
                # What an exact reference said is kept only where it read no file for it: no key would hold that file.
                evidence.settled = known
            self.keep(bound, evidence)
        return outcomes

    def complete(self, bound: Bound, evidence: Evidence) -> bool:
        """Whether every value was covered, from the covered set, and nothing weakens it."""
        covered = evidence.covered()
        whole = len(covered) == 1 and covered[0, 0] == 0 and covered[0, 1] == bound.domain.count
        return bool(whole) and bound.domain.whole and not evidence.writes

    def verdict(self, found: Assessment) -> Verdict:
        """The pure rules applied to an assessment."""
        return decide(Tally(found.valid, found.failing, found.open, found.every_value, found.blocked, found.assumed,
                            found.too_few))

    def record(self) -> dict[str, Any]:
        """The whole record: everything a report needs."""
        return {
            "format": FORMAT,
            "sheet": self.sheet.file.name,
            "title": self.sheet.title,
            "note": self.sheet.note,
            "started": self.started,
            "seconds": round(time.monotonic() - self.clock, 3),
            "interrupted": self.interrupted,
            "only": list(self.only),
            "evidence": {kind: list(dict.fromkeys(found)) for kind, found in self.evidence.items()},
            "environment": environment(self.sheet, self.benches, self.plan),
            "routines": self.routines,
            "blocked_builds": [
                {"build": b.build, "code": b.problem.code, "what": b.problem.what, "where": b.problem.where,
                 "why": b.problem.why, "do": b.problem.todo, "log": getattr(b.problem, "log", "")[:LONGEST_LOG]}
                for b in self.benches if b.problem is not None
            ],
            "not_checked": not_checked(self.sheet, self.benches),
        }
