"""Checking the machines of a sheet: binding to each build, hunting, judging, entries for the record."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from firmware_shim.build import Built
from firmware_shim.crew import Crew
from firmware_shim.errors import ShimError
from firmware_shim.memory_map import regions_of
from verify.claims.base import Claim
from verify.errors import ToolFault, UsageError
from verify.hunt import Progress
from verify.hunting.plan import Plan
from verify.judging.verdict import BLOCKED, Verdict
from verify.local_files import reading
from verify.machines.explaining import blocked_entry, claim_entry, described, machine_entry
from verify.machines.followed import followed_notes, unfollowed_notes
from verify.machines.hunt import MachineHunt
from verify.machines.kept import Kept
from verify.machines.long_run import LongBudget
from verify.machines.machine import Machine
from verify.machines.running import LONGEST_KEPT, Stand
from verify.machines.script import Script, format_script, parse_script
from verify.strict_beside_host import exact_arithmetic
from verify.witnesses import WitnessFile

# Of the scripts drawn for this computer's build, one in so many is drawn elsewhere: slower builds, the same claims.
LONGEST_ON_BOARD = 1 << 21  # samples of a script that came from elsewhere
SHARES = {"strict": 4, "clang strict": 4, "board": 8}


def stand_of(machine: Machine, built: Built, *, default_nan: bool = False, host: Stand | None = None, core: str = "",
             clock_hz: float | None = None) -> Stand:
    """A machine bound to one build."""
    info = built.info
    text = machine.block or machine.step
    of_class = [f"{(machine.state or '').strip()}::{word}" for word in _words(text)]
    known = [info.functions[word] for word in [*_words(text), *of_class] if word in info.functions]
    function = known[0] if known else None
    notes: list[str] = []
    for word in _words(" ".join([machine.init, text, *(kind.text for kind in machine.events)])):
        notes += [f"width differs on the board: {line}" for line in info.width_differences.get(word, ())
                  if " *)" not in line]
    library = built.library_of(machine.name)
    return Stand(
        machine, built.variant, str(library), built.machines[machine.name], regions_of(library),
        text, f"{Path(function.file).name}:{function.line}" if function else "", tuple(dict.fromkeys(notes)), built.key,
        default_nan, host, core, clock_hz)


def _words(text: str) -> list[str]:
    word, found = "", []
    for letter in text + " ":
        if letter.isalnum() or letter == "_":
            word += letter
        elif word:
            found.append(word)
            word = ""
    return found


def claims_in(machine: Machine, build: str) -> list[Claim]:
    """The machine's claims that are judged in this build."""
    floats = any(output.is_float for output in machine.outputs)
    return [claim for claim in machine.claims
            if build in claim.builds and (floats or claim.name not in ("finite", "no_subnormals"))]


@dataclass
class MachineCheck:
    """One machine in every build of the sheet. no_flags: the board's core has no floating-point unit, so no flags rise.

    hunted: what came nearest to a limit in the builds before, where later builds look as well; interrupted: by Ctrl-C in a
    long run, which ends it and keeps what it said.
    """

    machine: Machine
    sheet_name: str
    crew: Crew | None
    plan: Plan
    progress: Progress
    witnesses: WitnessFile
    kept: Mapping[str, Kept] = field(default_factory=dict)
    no_flags: bool = False
    default_nan: bool = False
    core: str = ""
    clock_hz: float | None = None
    hunted: list[Script] = field(default_factory=list)
    interrupted: bool = False
    levels: Mapping[str, Built] = field(default_factory=dict)
    of_image: tuple[str, ...] = ()

    def claims(self, build: str) -> list[Claim]:
        """The claims that are judged in one build."""
        silent = self.no_flags and build == "board"
        return [claim for claim in claims_in(self.machine, build) if not (silent and claim.name == "no_hidden_events")]

    def entry(self, builds: Sequence[tuple[str, Built | ShimError]]) -> dict[str, Any]:
        """The machine's entry in the record."""
        claims: list[dict[str, Any]] = []
        prototype = definition = ""
        notes: tuple[str, ...] = ()
        on_board: tuple[str, ...] = ()
        host: Stand | None = None
        repeats = any(claim.name == "deterministic" for claim in self.machine.claims)
        for build, built in builds:
            if isinstance(built, ShimError):
                claims += [blocked_entry(claim, build, built.brief()) for claim in self.claims(build)]
                continue
            exact = build == "strict" and exact_arithmetic(built) and repeats
            beside = host if exact or not build.endswith("strict") else None
            stand = stand_of(self.machine, built, default_nan=self.default_nan, host=beside, core=self.core,
                             clock_hz=self.clock_hz)
            if build == "host":
                stand = replace(stand, levels={level: stand_of(self.machine, other) for level, other in self.levels.items()})
                host = stand
            if build == "board":
                budget = f"on the board {self.budget(build)} scripts are drawn, on this computer {self.budget('host')}"
                on_board = (*self.of_image, f"{budget}; those nearest to a limit here were run there too")
            else:
                prototype, definition, notes = stand.prototype, stand.definition, stand.notes
            claims += self.build(stand)
        notes = (*notes, *on_board, *followed_notes(self.machine), *unfollowed_notes(self.machine))
        return machine_entry(self.machine, self.sheet_name, claims, prototype, definition, notes)

    def build(self, stand: Stand) -> list[dict[str, Any]]:
        """Hunt and judge in one build."""
        claims = self.claims(stand.build)
        assert self.crew is not None  # a built library has workers
        scripts = self.budget(stand.build)
        kept = self.kept.get(stand.build)
        hunt = MachineHunt(stand, claims, self.crew, self.progress, self.plan.seed, scripts, self.long_budget(claims, kept))
        try:
            known = kept.load(self.machine, claims, scripts) if kept is not None else None
            stored = list(dict.fromkeys([*self.stored(), *(self.hunted if stand.build == "board" else ())]))
            if stand.build == "board":
                stored = [script for script in stored if script.samples <= LONGEST_ON_BOARD]
            if known is None:
                with reading() as reader:
                    hunt.run(stored)
                # A reference that reads a file while it is asked rests on what no key holds.
                rests_on_more = bool(reader.late(kept.folder.parent if kept is not None else None))
            else:
                hunt.recheck(*known, stored)
                rests_on_more = False
            goes_on = any(claim.name == "keeps_going" for claim in claims)
            if kept is not None and not hunt.stopped and not rests_on_more and (known is None or goes_on):
                kept.save(self.machine, claims, scripts, hunt.tried, hunt.sample if known is None else known[1])
            found = [described(claim, hunt, tried, self.sheet_name) for claim, tried in zip(claims, hunt.tried, strict=True)]
        except (ShimError, ToolFault):
            raise
        except Exception as problem:
            # A fault of the tool is said loudly and can never become holds.
            why = f"preflash's own fault: {type(problem).__name__}: {problem}"
            return [claim_entry(claim, stand.build, Verdict(BLOCKED, note=why), None) for claim in claims]
        self.interrupted |= hunt.ended_early
        self.hunted += [tried.worst_script for tried in hunt.tried if tried.worst_script is not None and not tried.ran]
        for claim, tried in zip(claims, hunt.tried, strict=True):
            if tried.witness is not None:
                self.witnesses.add_script(self.machine.name, claim.label(), stand.build,
                                          format_script(tried.witness, self.machine))
        return found

    def is_kept(self, builds: Sequence[str]) -> bool:
        """Whether every build's tallies are at hand, so that little is to be run."""
        for build in builds:
            kept, claims = self.kept.get(build), self.claims(build)
            if kept is None or kept.fresh or not kept.path(self.machine, claims, self.budget(build)).exists():
                return False
        return bool(builds)

    def budget(self, build: str) -> int:
        """Scripts to try in one build."""
        return max(1, self.plan.scripts_of(self.machine.scripts) // SHARES.get(build, 1))

    def long_budget(self, claims: Sequence[Claim], kept: Kept | None) -> LongBudget:
        """How much of the long runs is run, on from where, and how far a failure lies that came once."""
        known: dict[str, int] = {}
        for label, _, script in self.stored_scripts():
            if script.times > 1:
                known[label] = max(known.get(label, 0), script.times)
        going = [claim for claim in claims if claim.name == "keeps_going"]
        paths = {claim.label(): kept.long_path(self.machine, claim) for claim in going} if kept is not None else {}
        return LongBudget(self.plan.long_seconds, self.plan.long_wall_seconds, paths, known)

    def stored(self) -> list[Script]:
        """Stored scripts that still fit the machine; others are kept in the file and passed over."""
        found = [script for _, _, script in self.stored_scripts()]
        # A long run belongs to a claim that counts, or goes on for hours, which asks for it each time.
        return list(dict.fromkeys(script for script in found if script.samples <= LONGEST_KEPT and script.times == 1))

    def stored_scripts(self) -> list[tuple[str, str, Script]]:
        """(claim, build, script) of each stored line that can still be read."""
        found = []
        for label, build, line in self.witnesses.scripts(self.machine.name):
            try:
                found.append((label, build, parse_script(line, self.machine)))
            except UsageError:
                continue
        return found
