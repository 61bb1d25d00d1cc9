"""The check of one sheet, routine by routine as they are asked for: what the pytest plugin stands on."""

from __future__ import annotations

import contextlib
from typing import Any

from firmware_shim.compiler import locked
from verify.binding import judged_in
from verify.console import make_reports_folder
from verify.errors import ToolFault
from verify.hunting.plan import Plan
from verify.machines.machine import Machine
from verify.reports.record import plain
from verify.reports.terminal import failure_lines, open_lines
from verify.routine import Routine
from verify.session import Check
from verify.sheet import Sheet
from verify.witnesses import WitnessFile

WIDTH = 80


class SheetRun:
    """Entries of the record, each made once, with builds and workers kept open in between."""

    def __init__(self, sheet: Sheet, plan: Plan, workers: int | None) -> None:
        self.check = Check(sheet, plan, lambda *_: None, workers=workers)
        self.entries: dict[str, dict[str, Any] | BaseException] = {}
        self.open: contextlib.ExitStack | None = None

    def routines(self) -> list[Routine | Machine]:
        """All routines of the sheet."""
        return self.check.chosen()

    def claims(self, routine: Routine | Machine) -> list[tuple[str, str]]:
        """(label, build) of each claim, as far as the sheet alone can tell."""
        builds = self.check.sheet.builds
        return [(claim.label(), build) for claim in routine.claims for build in builds if judged_in(claim, build)]

    def entry(self, routine: Routine | Machine) -> dict[str, Any]:
        """The routine's entry in the record. What went wrong once goes wrong the same way for each claim.

        Errors: those of a check; ToolFault for a fault of preflash itself.
        """
        found = self.entries.get(routine.name)
        if found is None:
            found = self.entries[routine.name] = self.made(routine)
        if isinstance(found, BaseException):
            raise found
        return found

    def made(self, routine: Routine | Machine) -> dict[str, Any] | BaseException:
        """Hunt and judge one routine."""
        from firmware_shim.errors import ShimError
        from verify.errors import PreflashError

        try:
            self.opened()
            entry: dict[str, Any] = plain(self.check.entry(routine))
            keep_witnesses(self.check.witnesses)
            self.all_listed(routine, entry)
            return entry
        except (PreflashError, ShimError) as problem:
            return problem
        except Exception as problem:
            return ToolFault("preflash's own fault", where=routine.name, why=f"{type(problem).__name__}: {problem}",
                             todo="please report this with the sheet; nothing was judged")

    def opened(self) -> Check:
        """The check, built and with workers at hand."""
        if self.open is None:
            stack = contextlib.ExitStack()
            stack.enter_context(self.check.opened())
            self.open = stack
        return self.check

    def all_listed(self, routine: Routine | Machine, entry: dict[str, Any]) -> None:
        """A claim that was judged and has no item of its own must not fail unseen."""
        listed = set(self.claims(routine))
        for claim in entry["claims"]:
            if (claim["label"], claim["build"]) not in listed and claim["verdict"] != "holds":
                where = f"{routine.name} {claim['label']}, {claim['build']}"
                raise ToolFault("a claim was judged that has no item", where=where,
                                why=claim["verdict_text"], todo="preflash check shows it; please report this")

    def message(self, entry: dict[str, Any], claim: dict[str, Any]) -> str:
        """The failure as the command line prints it; what blocks a build with its cause."""
        lines = (failure_lines if claim["verdict"] == "fails" else open_lines)(entry, claim, WIDTH, False)
        causes = [str(b.problem) for b in self.check.benches if b.problem is not None and b.build == claim["build"]]
        return "\n".join([*lines, *causes]).strip("\n")

    def close(self) -> None:
        """End the workers. Entries that were made stay."""
        if self.open is not None:
            self.open.close()
            self.open = None


def keep_witnesses(found: WitnessFile) -> None:
    """Add new witnesses to the file; other processes may be at work on the same sheet."""
    if not found.changed:
        return
    folder = found.path.parent / "reports"
    with contextlib.suppress(OSError):
        make_reports_folder(folder)
    with locked(folder / ".witnesses.lock"):
        stored = WitnessFile.load(found.path)
        known = set(stored.lines)
        stored.lines += [line for line in found.lines if line not in known]
        stored.changed = True
        stored.save()
    found.changed = False
