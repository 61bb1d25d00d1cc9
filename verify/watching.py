"""Check a sheet again at each save, and say in a few lines what the edit did."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from firmware_shim.build import Request
from firmware_shim.errors import ShimError
from verify.accepted import condensed
from verify.comparing import Allowed, compared, render
from verify.errors import PreflashError
from verify.fresh_record import fresh_record
from verify.hunting.plan import Plan
from verify.reports.record import overall
from verify.reports.terminal import blocked_lines, failure_lines, open_lines, together
from verify.sheet import Sheet, load_sheet

WATCHED = (".c", ".cc", ".cpp", ".cxx", ".h", ".hpp", ".hh", ".py", ".json")
QUIET_MILLISECONDS = 200
OWN_FOLDERS = ("reports", "__pycache__", ".git")

Changes = Iterator[set[Path]]


def folders_of(sheet: Path, known: Sheet | None) -> list[Path]:
    """The folders whose files can change the verdicts: those of the sheet, its sources and its headers."""
    base = sheet.resolve().parent
    found = [base]
    if known is not None:
        request = Request(tuple(map(Path, known.sources)), tuple(map(Path, known.include)))
        found += [(base / source).resolve().parent for source in request.sources]
        found += [(base / folder).resolve() for folder in request.include]
        found += [(base / header).resolve().parent for header in known.headers]
    existing = dict.fromkeys(folder for folder in found if folder.is_dir())
    return [folder for folder in existing if not any(other in folder.parents for other in existing)]


def counts(path: Path) -> bool:
    """Whether a changed file may matter: sources, headers, sheets, and nothing that preflash writes itself."""
    return path.suffix in WATCHED and not any(part in OWN_FOLDERS for part in path.parts[-4:-1]) and not (
        path.name.startswith(".") or path.name.endswith("_accepted.json"))


def changes(folders: list[Path], stopped: Callable[[], bool] | None = None) -> Changes:
    """Sets of files that were saved together; an empty set now and then, so that a caller can look around.

    Errors: PreflashError when the library that watches files is not there.
    """
    try:
        from watchfiles import watch
    except ImportError as problem:
        raise PreflashError("watching needs the package watchfiles", where="preflash watch", why=str(problem),
                            todo="pip install watchfiles") from problem
    for found in watch(*folders, debounce=QUIET_MILLISECONDS * 4, step=QUIET_MILLISECONDS // 2, rust_timeout=500,
                       yield_on_timeout=True, raise_interrupt=True):
        yield {path for path in (Path(name) for _, name in found) if counts(path)}
        if stopped is not None and stopped():
            return


def forget_modules(folder: Path) -> None:
    """Let modules beside the sheet be read anew: they may be what was edited."""
    root = Path(__file__).resolve().parent.parent
    for name, module in list(sys.modules.items()):
        file = getattr(module, "__file__", None)
        if file and folder in Path(file).resolve().parents and root not in Path(file).resolve().parents:
            del sys.modules[name]


class Watcher:
    """One sheet under watch. Each look() checks it and returns lines; nothing a user can do wrong ends it."""

    def __init__(self, sheet: Path, plan: Plan, workers: int | None, width: int) -> None:
        self.path, self.plan, self.workers, self.width = sheet, plan, workers, width
        self.sheet: Sheet | None = None
        self.before: dict[str, Any] | None = None
        self.interrupted = False

    def look(self) -> list[str]:
        """Check now: at first the failures, then what differs from the last time."""
        try:
            forget_modules(self.path.resolve().parent)
            self.sheet = load_sheet(self.path)
            record = fresh_record(self.sheet, self.plan, workers=self.workers)
        except (PreflashError, ShimError) as problem:
            return str(problem).splitlines()
        self.interrupted = record["interrupted"]
        lines = [] if self.interrupted else self.told(record)
        return lines

    def told(self, record: dict[str, Any]) -> list[str]:
        """Lines about a finished record; what was compared last stays while a build is broken."""
        if record["blocked_builds"]:
            return blocked_lines(record, self.width)
        now = condensed(record)
        lines = []
        if self.before is not None:
            found = compared(self.before, now, Allowed(0.0, 0.0))
            lines += render(found, "since the last save:", self.width) if found.rows else ["since the last save: the same"]
        news = {(row.routine, row.claim) for row in found.rows} if self.before is not None else None
        self.before = now
        for routine in record["routines"]:
            for claim in together(routine["claims"], ("label", "verdict", "witness")):
                if claim["verdict"] == "holds" or (news is not None and (routine["name"], claim["label"]) not in news):
                    continue
                show = failure_lines if claim["verdict"] == "fails" else open_lines
                lines += show(routine, claim, self.width, False)
        return [*lines, self.closing(record)]

    def closing(self, record: dict[str, Any]) -> str:
        """How many routines hold, in one line."""
        words = [overall([claim["verdict"] for claim in routine["claims"]]) for routine in record["routines"]]
        parts = ", ".join(f"{words.count(word)} {word}" for word in dict.fromkeys(words))
        return f"{len(words)} routine{'s' * (len(words) != 1)} ({parts}), {record['seconds']:.1f} s"

    def run(self, say: Callable[[list[str]], None], make: Callable[[list[Path]], Changes] = changes) -> int:
        """Look, then wait for saves and look again, until interrupted."""
        say(self.look())
        watched = folders_of(self.path, self.sheet)
        while not self.interrupted:
            for saved in make(watched):
                if saved:
                    say([f"saved: {', '.join(sorted(path.name for path in saved))}", *self.look()])
                    now = folders_of(self.path, self.sheet)
                    if self.interrupted or now != watched:
                        watched = now
                        break
            else:
                return 0
        return 130
