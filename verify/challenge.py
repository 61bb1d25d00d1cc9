"""Would the claims notice? Small wrong edits of the author's C, one at a time, each checked until a claim breaks.

Host build only. An edit that no claim notices is compared with the original over every value where the
domain allows: bit-identical ones are equivalent, all others count as not noticed. Machines: challenge_machines.py.
"""

from __future__ import annotations

import contextlib
import os
import random
import re
import tempfile
import time
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from firmware_shim.build import Built
from firmware_shim.crew import Crew
from firmware_shim.engine import build_engine
from firmware_shim.errors import ShimError
from firmware_shim.same_code import without_inlining
from verify.binding import Bench, bind_all, cache_folder
from verify.challenge_bed import Bed
from verify.challenge_machines import Machines, Outcome
from verify.errors import PreflashError, UsageError
from verify.evidence_keys import build_keys
from verify.evidence_store import EvidenceStore
from verify.hunt import Progress
from verify.hunting.plan import Plan
from verify.mutants import Mutant, Parsed, parse, reached
from verify.old_and_new import Difference, compare_routine
from verify.probing import Prober
from verify.routine import Bound, Routine
from verify.same_bits import Side, may_be_everywhere, same_everywhere, same_in
from verify.session import Check
from verify.sheet import Sheet
from verify.witnesses import WitnessFile

CAUGHT, MISSED, EQUIVALENT, NO_CODE = "caught", "not shown equivalent", "equivalent", "does not compile"
CALL_LIMIT_SECONDS = 0.25
QUICK = Plan(every_value_up_to=1 << 18, sampled_cases=1 << 18, scripts=64, climbing_rounds=2, fresh=True, wall_seconds=10.0)
AHEAD = 4
MOST_COMPARED = 1 << 32


@dataclass(frozen=True)
class Answer:
    """What became of one mutant. claim: the first that noticed; differences: where none did."""

    mutant: Mutant
    fate: str
    claim: str = ""
    routines: tuple[str, ...] = ()
    differences: tuple[Difference, ...] = ()
    machines: tuple[Outcome, ...] = ()
    why: str = ""


@dataclass
class Challenge:
    """All answers, and what the score is counted from."""

    answers: list[Answer] = field(default_factory=list)
    possible: int = 0
    unable: list[str] = field(default_factory=list)
    interrupted: bool = False

    def count(self, fate: str) -> int:
        """How many mutants ended so."""
        return sum(answer.fate == fate for answer in self.answers)

    @property
    def score(self) -> float | None:
        """Share of the mutants that can matter which a claim noticed; None when there is none."""
        counted = self.count(CAUGHT) + self.count(MISSED)
        return self.count(CAUGHT) / counted if counted else None


def patient(sheet: Sheet) -> Sheet:
    """The sheet with short limits for a call: a mutant that hangs must not take a minute."""
    import copy

    found = copy.copy(sheet)
    found.routines = [replace(r, call_limit_seconds=min(r.call_limit_seconds, CALL_LIMIT_SECONDS)) for r in sheet.routines]
    found.machines = [replace(m, call_limit_seconds=min(m.call_limit_seconds, CALL_LIMIT_SECONDS)) for m in sheet.machines]
    return found


class Judge:
    """Checks builds of mutants with one crew."""

    def __init__(self, sheet: Sheet, original: Built, engine: Path, crew: Crew, plan: Plan, folder: Path,
                 progress: Progress) -> None:
        self.sheet, self.engine, self.crew, self.plan, self.progress = patient(sheet), engine, crew, plan, progress
        self.folder = folder
        # A mutant's evidence is of no use to anybody later: it goes to the temporary folder and is never read.
        self.store = EvidenceStore(folder / "evidence", self.sheet, {"host": original}, engine, replace(plan, fresh=True))

    def bench(self, built: Built) -> Bench:
        """The build, bound to the sheet's routines."""
        return Bench("host", built, bind_all(self.sheet, built, cache_folder()), self.engine)

    def verdicts(self, bench: Bench, routine: Routine, plan: Plan) -> dict[str, str]:
        """Verdict of each claim of one function or path in the host build."""
        check = Check(self.sheet, plan, lambda *_: None, keep_witnesses=False)
        check.benches, check.crew, check.staffed = [bench], self.crew, True
        check.witnesses = WitnessFile(self.folder / "none.txt")
        assert bench.built is not None
        check.prober = Prober(self.crew, {"host": bench.built}, plan.seed)
        check.store = self.store
        return {outcome.claim.label(): outcome.verdict.word for outcome in check.check_build(routine, bench)}


def words_of(routine: Any) -> frozenset[str]:
    """Names of the C that a routine of the sheet starts from."""
    text = f"{routine.name} {routine.call}" if isinstance(routine, Routine) else repr(routine)
    return frozenset(re.findall(r"[A-Za-z_]\w*", text))


def chosen_mutants(parsed: list[Parsed], sample: int | None, seed: int) -> tuple[list[Mutant], int]:
    """All mutants, or a random sample of them, in the order of the text; and how many there are."""
    every = [mutant for one in parsed for mutant in one.mutants]
    if sample is None or sample >= len(every):
        return every, len(every)
    picked = sorted(random.Random(seed).sample(range(len(every)), sample))
    return [every[n] for n in picked], len(every)


def challenge(sheet: Sheet, plan: Plan, *, sample: int | None = None, seed: int = 7, workers: int | None = None,
              progress: Progress = lambda *_: None, told: Callable[[Answer], None] = lambda _: None) -> Challenge:
    """Lay the mutants before the sheet's claims; told is called with each answer.

    Errors: UsageError where nothing can be challenged, ShimError where the C itself does not build.
    """
    with tempfile.TemporaryDirectory(prefix="preflash-challenge-") as place, contextlib.ExitStack() as stack:
        folder = Path(place).resolve()
        bed = Bed.make(sheet, folder)
        parsed = [parse(source) for source in bed.paths]
        mutants, possible = chosen_mutants(parsed, sample, seed)
        if not mutants:
            raise UsageError("nothing to challenge", where=", ".join(s.name for s in bed.paths), why="no edit was found",
                             todo="name the C or C++ files that hold the math")
        original = bed.built(None)
        engine = build_engine(original.compiler.line, cache_folder())
        crew = stack.enter_context(Crew(engine, workers))
        judge = Judge(sheet, original, engine, crew, plan, folder, progress)
        found = Challenge(possible=possible)
        run = _Run(bed, judge, parsed, original, found)
        try:
            for number, answer in enumerate(run.answers(mutants), 1):
                found.answers.append(answer)
                told(answer)
                progress(f"challenge: {found.count(CAUGHT)} noticed", number, len(mutants))
        except KeyboardInterrupt:
            found.interrupted = True
        return found


class _Run:
    """One challenge under way."""

    def __init__(self, bed: Bed, judge: Judge, parsed: list[Parsed], original: Built, found: Challenge) -> None:
        self.bed, self.judge, self.parsed, self.original, self.found = bed, judge, parsed, original, found
        self.texts = {one.source: one.text for one in parsed}
        self.key = build_keys({"host": original})[0]
        self.bench = judge.bench(original)
        self.functions = {routine.name: routine for routine in judge.sheet.routines}
        self.machines = {machine.name: machine for machine in judge.sheet.machines}
        every: dict[str, Any] = {**self.functions, **self.machines}
        self.reach = {name: reached(parsed, words_of(routine)) for name, routine in every.items()}
        for routine in judge.sheet.routines:
            if routine.stages is not None:
                stages = [self.reach[name] for name in routine.stages.names() if name in self.reach]
                self.reach[routine.name] = set().union(*stages)
        self.drives = Machines(judge.crew, self.plan(), judge.progress)
        # What holds on the untouched C: only that can notice anything. Looked at when an edit first asks for it.
        self.held: dict[tuple[str, bool], set[str]] = {}
        self.alone: Bench | None = None
        self.seconds: dict[str, float] = {}

    def holding(self, name: str, quick: bool) -> set[str]:
        """Claims of a routine that hold on the C as it is."""
        if (name, quick) not in self.held:
            self.judge.progress(f"challenge: {name} as it is", 0, 1)
            began = time.monotonic()
            if name in self.machines:
                verdicts = self.drives.learn(self.machines[name], self.original)
            else:
                verdicts = self.judge.verdicts(self.bench, self.functions[name], QUICK if quick else self.plan())
            self.seconds.setdefault(name, time.monotonic() - began)
            self.held[name, quick] = {label for label, word in verdicts.items() if word == "holds"}
            unable = [f"{name} {label}" for label, word in verdicts.items() if word != "holds"]
            self.found.unable += [text for text in unable if text not in self.found.unable]
        return self.held[name, quick]

    def plan(self) -> Plan:
        """The plan of the thorough look; evidence is never stored."""
        return replace(self.judge.plan, fresh=True)

    def builds(self, mutants: list[Mutant]) -> Iterator[tuple[Mutant, Built | ShimError]]:
        """Builds, a few made ahead while others are judged."""

        def attempt(mutant: Mutant, slot: int) -> Built | ShimError:
            try:
                return self.bed.built(mutant, self.texts[mutant.source], slot)
            except ShimError as problem:
                return problem

        waiting: deque[tuple[Mutant, Future[Built | ShimError]]] = deque()
        left = iter(mutants)
        made = 0
        with ThreadPoolExecutor(max(1, min(AHEAD, os.cpu_count() or 1))) as pool:
            try:
                while True:
                    while len(waiting) < AHEAD and (mutant := next(left, None)) is not None:
                        # A slot is free again once its build was handed out.
                        waiting.append((mutant, pool.submit(attempt, mutant, made % (AHEAD + 1))))
                        made += 1
                    if not waiting:
                        return
                    mutant, future = waiting.popleft()
                    yield mutant, future.result()
            finally:
                pool.shutdown(cancel_futures=True)

    def answers(self, mutants: list[Mutant]) -> Iterator[Answer]:
        """One answer for each mutant."""
        for mutant, built in self.builds(mutants):
            if isinstance(built, ShimError):
                yield Answer(mutant, NO_CODE, why=built.why)
            elif build_keys({"host": built})[0] == self.key:
                yield Answer(mutant, EQUIVALENT, why="the same code")
            else:
                yield self.judged(mutant, built)

    def judged(self, mutant: Mutant, built: Built) -> Answer:
        """Look for a claim that notices: first a quick look at each routine, then a thorough one."""
        near = [name for name, names in self.reach.items() if mutant.function in names]
        try:
            bench = self.judge.bench(built)
        except PreflashError as problem:
            return Answer(mutant, CAUGHT, claim=f"the sheet does not fit any more: {problem.what}")
        whole = near or list(self.reach)
        for name in whole:
            self.holding(name, True)
        outcomes: list[Outcome] = []
        for quick in (True, False):
            for name in sorted(whole, key=lambda name: self.seconds[name]):
                seen = ""
                if name in self.functions:
                    seen = self.function_notices(name, bench, quick)
                elif quick:
                    outcomes.append(self.drives.look(self.machines[name], built))
                    seen = outcomes[-1].noticed
                if seen:
                    return Answer(mutant, CAUGHT, claim=f"{name} {seen}", routines=tuple(near))
        return self.unnoticed(mutant, bench, near, outcomes)

    def function_notices(self, name: str, bench: Bench, quick: bool) -> str:
        """"claim: verdict" of a claim that holds no more, "" for none."""
        if not quick and bench.bounds[name].domain.count <= QUICK.every_value_up_to:
            return ""  # all of it was run
        held = self.holding(name, quick)
        verdicts = self.judge.verdicts(bench, self.functions[name], QUICK if quick else self.plan())
        broken = [label for label in held if verdicts.get(label) != "holds"]
        if not broken:
            return ""
        label = min(broken, key=lambda label: (verdicts.get(label) != "fails", label))
        return f"{label}: {verdicts.get(label, 'gone')}"

    def unnoticed(self, mutant: Mutant, bench: Bench, near: list[str], outcomes: list[Outcome]) -> Answer:
        """Compare with the original: the same bits at every value are equivalent."""
        assert bench.built is not None
        refused = self.bed.refused(bench.built, mutant, self.texts[mutant.source])
        if refused:
            return Answer(mutant, NO_CODE, routines=tuple(near), why=refused)
        if not near:
            return Answer(mutant, MISSED, why="no routine of the sheet reaches it")
        if not any(found.differing for found in outcomes) and self.same_program(mutant, bench, near):
            return Answer(mutant, EQUIVALENT, routines=tuple(near),
                          why=f"{mutant.function} gives the same bits whatever goes in, and all else is the same code")
        listed = [name for name in near if name in self.functions]
        differences = [self.difference(name, bench) for name in listed]
        # Where one of them cannot be compared whole, or a machine is reached, the whole of the others would prove nothing.
        if not outcomes and all(d.identical and (d.every_value or self.may_be_whole(d.routine)) for d in differences):
            for number, name in enumerate(listed):
                if not differences[number].every_value:
                    differences[number] = self.whole(differences[number], bench.bounds[name])
                if not differences[number].identical:
                    break
            else:
                return Answer(mutant, EQUIVALENT, routines=tuple(near), why="bit-identical over every value")
        return Answer(mutant, MISSED, routines=tuple(near), differences=tuple(differences), machines=tuple(outcomes))

    def same_program(self, mutant: Mutant, bench: Bench, near: list[str]) -> bool:
        """Whether the edit is within a function of the sheet that gives the same for all that its C types can hold."""
        name = mutant.function
        if bench.built is None or name not in self.functions or not may_be_everywhere(bench.bounds[name]):
            return False
        more = without_inlining(self.original.compiler.family)
        try:
            alone = self.bed.built(mutant, self.texts[mutant.source], more=more)
            self.alone = self.alone or self.judge.bench(self.bed.built(None, more=more))
            sides = [Side(one.bounds[name], other.bounds[name], one.built.objects, other.built.objects)
                     for one, other in ((self.bench, self.alone), (bench, self.judge.bench(alone)))
                     if one.built is not None and other.built is not None]
        except (PreflashError, ShimError):
            return False
        modes = [(self.functions.get(name) or self.machines[name]).flush_to_zero for name in near]
        return same_everywhere(self.judge.crew, sides[0], sides[1], modes, self.judge.progress)

    def difference(self, name: str, bench: Bench) -> Difference:
        """One function, original against mutant."""
        return compare_routine(self.judge.crew, self.bench.bounds[name], bench.bounds[name], self.plan(), lambda *_: None)

    def may_be_whole(self, name: str) -> bool:
        """Whether every value of a function's inputs can be compared."""
        domain = self.bench.bounds[name].domain
        return domain.whole and domain.count <= MOST_COMPARED

    def whole(self, found: Difference, new: Bound) -> Difference:
        """Every value of a function of which a first look saw no difference."""
        old, crew = self.bench.bounds[new.routine.name], self.judge.crew
        if same_in(crew, old, new, new.domain.axes(), new.domain.count, self.judge.progress):
            return replace(found, compared=new.domain.count, every_value=True)
        return compare_routine(crew, old, new, replace(self.plan(), every_value_up_to=MOST_COMPARED), lambda *_: None)
