"""Sheets as pytest items: one for each routine, claim and build. Nothing else of preflash is loaded at start.

A *_sheet.py named on pytest's command line is collected; one met in a folder only if its name fits the
ini option preflash_sheets and it imports verify. The check of a routine runs once per process, when the
first of its items does.
"""

from __future__ import annotations

import re
from collections.abc import Generator, Iterator
from fnmatch import fnmatch
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from verify.options import add_options
from verify.sheets_here import SUFFIX, mentions_verify

if TYPE_CHECKING:
    from verify.routine import Routine
    from verify.sheet_run import SheetRun

PREFIX = "preflash-"


class ClaimBroken(Exception):
    """A claim that does not hold; the text is the whole message."""


def pytest_addoption(parser: pytest.Parser) -> None:
    """The options of preflash check, under names of their own."""
    group = parser.getgroup("preflash", "sheets of preflash")
    add_options(group.addoption, PREFIX)
    group.addoption(f"--{PREFIX}benchmark", action="store_true", dest="preflash_benchmark",
                    help="the board's costs (of sheets that name a core), and times on this computer, as benchmarks of "
                    "pytest-benchmark")
    parser.addini("preflash_sheets", "names of sheets to collect when walking through folders", type="args",
                  default=[f"*{SUFFIX}"])


@pytest.hookimpl(wrapper=True)
def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> Generator[None, list[Any], list[Any]]:
    """A sheet is collected by this plugin alone: to others it would be a module without tests."""
    others = yield
    if not file_path.name.endswith(SUFFIX):
        return others
    named = parent.session.isinitpath(file_path)
    fitting = any(fnmatch(file_path.name, pattern) for pattern in parent.config.getini("preflash_sheets"))
    if not (named or fitting) or not mentions_verify(file_path):
        return others
    return [SheetFile.from_parent(parent, path=file_path)]


def message_of(problem: BaseException | None) -> str | None:
    """The four-part message of what preflash raises on purpose, None for everything else."""
    from firmware_shim.errors import ShimError
    from verify.errors import PreflashError

    return str(problem) if isinstance(problem, ClaimBroken | PreflashError | ShimError) else None


class SheetFile(pytest.File):
    """One sheet."""

    run: SheetRun | None = None

    def collect(self) -> Iterator[RoutineNode]:
        """Its routines. The sheet is read here, nothing is compiled."""
        from verify.options import plan_of
        from verify.sheet import load_sheet
        from verify.sheet_run import SheetRun

        option = self.config.option

        def value(name: str) -> Any:
            return getattr(option, f"{PREFIX}{name}".replace("-", "_"))

        plan = plan_of(value, PREFIX)
        sheet = load_sheet(self.path)
        spread = getattr(self.config, "workerinput", None) is not None
        self.run = SheetRun(sheet, plan, value("workers") or (1 if spread else None))
        for routine in self.run.routines():
            yield RoutineNode.from_parent(self, name=routine.name, routine=routine)

    def teardown(self) -> None:
        """The workers end when pytest goes on to another file."""
        if self.run is not None:
            self.run.close()

    def repr_failure(self, excinfo: Any, style: Any = None) -> Any:
        """A mistake in the sheet is one message."""
        return message_of(excinfo.value) or super().repr_failure(excinfo)


class RoutineNode(pytest.Collector):
    """One routine of a sheet."""

    def __init__(self, routine: Routine, **more: Any) -> None:
        super().__init__(**more)
        self.routine = routine

    def collect(self) -> Iterator[ClaimItem | CostItem]:
        """Its claims in each build; its cost where that is asked for."""
        file = self.parent
        assert isinstance(file, SheetFile) and file.run is not None
        for label, build in file.run.claims(self.routine):
            name = f"{label}[{build}]"
            # Given whole, the id is read like that of any parametrised test: --lf and selection by id rest on it.
            yield ClaimItem.from_parent(self, name=name, nodeid=f"{self.nodeid}::{name}", run=file.run, label=label,
                                        build=build)
        if self.config.option.preflash_benchmark and "board" in file.run.check.sheet.builds:
            yield CostItem.from_parent(self, name="cost[board]", nodeid=f"{self.nodeid}::cost[board]", run=file.run)
        if self.config.option.preflash_benchmark and "host" in file.run.check.sheet.builds and is_timed(self.routine):
            yield CostItem.from_parent(self, name="time[host]", nodeid=f"{self.nodeid}::time[host]", run=file.run)


def is_timed(routine: Routine) -> bool:
    """Whether it is timed on this computer: a function or a machine, not a path."""
    return getattr(routine, "stages", None) is None


class CostItem(pytest.Item):
    """What one routine costs on the board, or takes on this computer, as a benchmark."""

    def __init__(self, run: SheetRun, **more: Any) -> None:
        super().__init__(**more)
        self.run = run

    def runtest(self) -> None:
        """Count (or time) and record."""
        from verify.cost_benchmarks import recorded, timed

        assert isinstance(self.parent, RoutineNode)
        (timed if self.name == "time[host]" else recorded)(self, self.run.opened(), self.parent.routine)

    def repr_failure(self, excinfo: Any, style: Any = None) -> Any:
        """The four-part message, without a traceback of ours."""
        return message_of(excinfo.value) or super().repr_failure(excinfo)

    def reportinfo(self) -> tuple[Path, int | None, str]:
        """Name of the item."""
        return self.path, None, f"{self.parent.name if self.parent else ''}: {self.name}"


class ClaimItem(pytest.Item):
    """One claim of one routine in one build."""

    def __init__(self, run: SheetRun, label: str, build: str, **more: Any) -> None:
        super().__init__(**more)
        self.run, self.label, self.build = run, label, build

    @property
    def routine(self) -> Routine:
        """The routine that the claim is about."""
        assert isinstance(self.parent, RoutineNode)
        return self.parent.routine

    def runtest(self) -> None:
        """Pass when the claim holds."""
        entry = self.run.entry(self.routine)
        claim = next((c for c in entry["claims"] if (c["label"], c["build"]) == (self.label, self.build)), None)
        if claim is None:
            pytest.skip("every result of this type is finite: there is nothing to judge"
                        if self.label == "finite" else "not judged in this build")
        self.user_properties += [("verdict", claim["verdict_text"]), ("definition", entry["definition"])]
        if claim["worst"]:
            self.user_properties.append(("worst", claim["worst"]["text"]))
        if claim["verdict"] != "holds":
            raise ClaimBroken(self.run.message(entry, claim))

    def repr_failure(self, excinfo: Any, style: Any = None) -> Any:
        """The four-part message, without a traceback of ours."""
        return message_of(excinfo.value) or super().repr_failure(excinfo)

    def reportinfo(self) -> tuple[Path, int | None, str]:
        """Place in the sheet and name of the item."""
        line = re.search(r":(\d+)", self.routine.place)
        return self.path, int(line[1]) - 1 if line else None, f"{self.routine.name}: {self.name}"
