"""The hunts of a check: each begins with what earlier runs left, a part of which is repeated while another hunt is judged."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from firmware_shim.crew import Crew
from firmware_shim.job import Test
from verify.binding import Bench, claims_for
from verify.claims.base import Claim
from verify.errors import ToolFault
from verify.evidence import Evidence
from verify.evidence_store import EvidenceStore
from verify.hunt import Hunt, Progress
from verify.hunting.generated import generated_points, sharpened
from verify.hunting.plan import Plan
from verify.paths.walk import keeps_outputs
from verify.probing import Prober
from verify.reuse import Repeat, claims_to_repeat, runs_twice_alike, stages_repeat
from verify.routine import Bound, Routine
from verify.witnesses import WitnessFile


@dataclass(frozen=True)
class Begun:
    """A hunt with the evidence of earlier runs, a part of which is being repeated. slots: place of each claim's test, -1
    without; points: where generated examples led."""

    claims: list[Claim]
    slots: list[int]
    points: list[tuple[int, ...]]
    hunt: Hunt
    repeat: Repeat | None


class Hunts:
    """What a check needs to hunt: fields of session.Check.

    order: routines in the order in which they will be checked, where that is known; ahead: hunts begun before their
    turn, by (routine, build).
    """

    plan: Plan
    progress: Progress
    crew: Crew
    store: EvidenceStore
    prober: Prober
    witnesses: WitnessFile
    benches: list[Bench]
    remembering: set[str]
    twice: set[tuple[str, str]]
    evidence: dict[str, list[tuple[str, str]]]
    order: Sequence[Routine]
    ahead: dict[tuple[str, str], Begun]

    def needs_no_points(self, bound: Bound) -> bool:
        """Whether a hunt meets every value, or nothing would find more than it does."""
        return len(bound.domain.grids) < 2 or (bound.domain.whole and bound.domain.count <= self.plan.every_value_up_to)

    def points(self, bound: Bound, tests: list[Test]) -> list[tuple[int, ...]]:
        """Where generated examples came nearest to a limit, for several inputs that are not swept whole."""
        if self.needs_no_points(bound):
            return []
        if bound.host is not None and bound.host.domain == bound.domain:
            # The emulated board is slow: where this computer's own build came near a limit is where to look there.
            tests, bound = [test for test in tests if test.kind != "same"], bound.host
        key = self.store.identity(bound, tests, "points ")
        known = self.store.load_points(key)
        if known is None:
            known = generated_points(bound, tests, self.crew, self.plan.seed)
            self.store.save_points(key, known)
        return known

    def begun(self, routine: Routine, bench: Bench, generating: bool = True) -> Begun | None:
        """A hunt with the evidence from the store where nothing changed. generating: points may be looked for."""
        bound = bench.bounds.get(routine.name)
        if bound is None or not (claims := claims_for(bound)) or not (generating or self.needs_no_points(bound)):
            return None
        asked = [claim.test(bound) for claim in claims]
        tests = tuple(test for test in asked if test is not None)
        slots = [sum(one is not None for one in asked[:at]) if test is not None else -1 for at, test in enumerate(asked)]
        points = self.points(bound, list(tests))
        bound = sharpened(bound, points)
        row = bound.domain.grids[-1].count if len(bound.domain.grids) > 1 else 0
        evidence = Evidence(self.store.identity(bound, tests), tests, bound.domain.bin_edges(), row)
        if keeps_outputs(bound):
            evidence.outputs = np.full(bound.domain.count, np.nan)
        if self.reusable(bound, evidence):
            self.store.load(evidence, bound.build, bound.routine.name)
        hunt = Hunt(bound, tests, self.plan, self.crew, self.progress, evidence)
        again = Repeat(hunt, evidence) if evidence.total().count() and not self.plan.fresh else None
        return Begun(claims, slots, points, hunt, again)

    def look_ahead(self, routine: Routine, bench: Bench) -> None:
        """Begin what comes next, so that its repeat runs while this is judged."""
        pairs = [(one, other) for one in self.order for other in self.benches
                 if other.problem is None and one.name in other.bounds]
        at = next((at for at, (one, other) in enumerate(pairs) if one is routine and other is bench), len(pairs))
        for one, other in pairs[at + 1 : at + 2]:
            with contextlib.suppress(Exception):  # it is said in its turn, where it comes again
                begun = self.begun(one, other, generating=False)
                if begun is not None:
                    self.ahead[one.name, other.build] = begun

    def hunted(self, begun: Begun) -> None:
        """End a hunt: what is stored stands where its repeat says so, the rest is hunted."""
        hunt, points = begun.hunt, begun.points
        bound, evidence = hunt.bound, hunt.evidence
        before, finished = int(evidence.total().count()), evidence.finished
        if begun.repeat is not None:
            self.twice.add((bound.routine.name, bound.build))
            try:
                begun.repeat.finish()
            except ToolFault:
                self.store.drop(evidence)
                raise
        known = self.witnesses.ordinals(bound)
        if bound.domain.whole:
            strides = bound.domain.strides()
            known = sorted({*known, *(sum(i * s for i, s in zip(point, strides, strict=True)) for point in points)})
        try:
            hunt.run(known)
        except BaseException:
            self.keep(bound, evidence)
            raise
        evidence.settle()
        if evidence.outputs is not None and evidence.total().count() == bound.domain.count:
            self.prober.outputs_of_paths[bound.build, bound.routine.name] = evidence.outputs
        same = evidence.total().count() == before
        if (not same or finished != evidence.finished) and not hunt.given_up:
            if self.reusable(bound, evidence) and not claims_to_repeat(bound.routine):
                if runs_twice_alike(hunt, evidence):
                    self.twice.add((bound.routine.name, bound.build))
                else:
                    self.remembering.add(bound.routine.name)
            self.keep(bound, evidence)
        self.evidence["kept" if same else "hunted"].append((bound.routine.name, bound.build))

    def keep(self, bound: Bound, evidence: Evidence) -> None:
        """Store evidence, where another run would see the same."""
        routine = bound.routine
        if self.reusable(bound, evidence) and (claims_to_repeat(routine) or (routine.name, bound.build) in self.twice):
            self.store.save(evidence, bound.build, bound.routine.name)

    def reusable(self, bound: Bound, evidence: Evidence) -> bool:
        """Whether one input gives one result, as far as is known: else what was seen says nothing about another run."""
        repeats = [slot for slot, test in enumerate(evidence.tests) if test.kind == "deterministic"]
        known = evidence.total()
        routine = bound.routine
        if evidence.writes or any(known.found(slot, "failing") for slot in repeats) or not (
                claims_to_repeat(routine) or (stages_repeat(routine) and self.remembering.isdisjoint(
                    routine.stages.names() if routine.stages else ()))):
            self.remembering.add(routine.name)
        return routine.name not in self.remembering
