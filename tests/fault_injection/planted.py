"""Checking small C with one planted fault through a real sheet; shared by the tests of this folder.

A place where a fault sits is computed from the input by a multiplication modulo a power of two, in C and
again here, so that no search can read it from the C.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from verify.errors import SheetError
from verify.hunting.plan import Plan
from verify.reports.record import exit_code, plain
from verify.reports.written_numbers import written
from verify.session import Check
from verify.sheet import load_sheet

MULTIPLIER, OFFSET, TARGET = 1103, 77, 1234

C_START = """\
#include <math.h>
#include <stdint.h>
#include <string.h>
static inline uint32_t bits_of(float x) { uint32_t u; memcpy(&u, &x, 4); return u; }
static inline int hit(uint32_t n, uint32_t size) { return (n * 1103u + 77u) % size == 1234u; }
"""

SHEET_START = """\
from reference import pitch
from verify import *
WHY = "planted"
"""


def place(size: int) -> int:
    """The one n below size (a power of two above TARGET) at which hit(n, size) is true in C."""
    return (TARGET - OFFSET) * pow(MULTIPLIER, -1, size) % size


def sheet_text(entries: str, *, flags: str = "-O2", more: str = "") -> str:
    """A whole sheet around calls of s.function, here written f(...)."""
    return f'{SHEET_START}s = Sheet(sources=["plant.c"], flags="{flags}"{more})\nf = s.function\n{entries}'


def with_changes(c: str, changes: Sequence[tuple[str, str]]) -> str:
    """C with faults planted: each old text, which must be there, replaced by the new one."""
    for old, new in changes:
        assert old in c, old
        c = c.replace(old, new)
    return c


def refusal(folder: Path, c: str, sheet: str) -> SheetError:
    """The one message with which a sheet is refused as it is read."""
    (folder / "plant.c").write_text(c, encoding="utf-8")
    (folder / "plant_sheet.py").write_text(sheet, encoding="utf-8")
    with pytest.raises(SheetError) as problem:
        load_sheet(folder / "plant_sheet.py")
    return problem.value


def run(folder: Path, c: str, sheet: str, plan: Plan | None = None) -> dict[str, Any]:
    """Write C and sheet to a folder, check, and give the record."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / ("plant.cpp" if '"plant.cpp"' in sheet else "plant.c")).write_text(c, encoding="utf-8")
    (folder / "plant_sheet.py").write_text(sheet, encoding="utf-8")
    record = Check(load_sheet(folder / "plant_sheet.py"), plan or Plan(), lambda *_: None, workers=2).run()
    return plain(record)  # type: ignore[no-any-return]


def shared_record(c: str, sheet: str) -> dict[str, Any]:
    """The record of run(), made once for all tests and all test processes."""
    return made_once(c + sheet, lambda folder: run(folder, c, sheet))


def made_once(key: str, make: Callable[[Path], dict[str, Any]]) -> dict[str, Any]:
    """What make gives for a folder of its own, made by the first test process that asks for this key."""
    folder = Path(os.environ["XDG_CACHE_HOME"]) / "planted" / hashlib.sha256(key.encode()).hexdigest()[:20]
    folder.mkdir(parents=True, exist_ok=True)
    kept = folder / "made.json"
    with open(folder / "lock", "w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not kept.exists():
            kept.write_text(written(make(folder)), encoding="utf-8")
    found: dict[str, Any] = json.loads(kept.read_text(encoding="utf-8"))
    return found


@dataclass(frozen=True)
class Seen:
    """What a record says of one routine."""

    entry: dict[str, Any]

    def verdicts(self) -> dict[str, str]:
        """Verdict of each claim in each build, under "claim build"."""
        return {f"{c['claim']} {c['build']}": c["verdict"] for c in self.entry["claims"]}

    def failing(self) -> set[str]:
        """The claims that fail, as "claim build"."""
        return {name for name, word in self.verdicts().items() if word == "fails"}

    def other(self) -> dict[str, str]:
        """Verdicts that are neither holds nor fails."""
        return {name: word for name, word in self.verdicts().items() if word not in ("holds", "fails")}

    def claim(self, name: str, build: str = "host") -> dict[str, Any]:
        """One claim's entry."""
        return next(c for c in self.entry["claims"] if (c["claim"], c["build"]) == (name, build))

    def inputs(self, name: str, build: str = "host") -> list[str]:
        """The witness's inputs as decimal texts."""
        return [entry["value"] for entry in self.claim(name, build)["witness"]["inputs"]]

    def value(self, name: str, build: str = "host") -> float:
        """The first input of the witness, exactly."""
        entry = self.claim(name, build)["witness"]["inputs"][0]
        return float.fromhex(entry["hex"]) if "p" in entry["hex"] else float(entry["value"])

    def words(self, name: str, build: str = "host") -> str:
        """All text that a failing claim shows."""
        claim = self.claim(name, build)
        witness = claim.get("witness") or {}
        return " | ".join([str(witness.get("wanted")), str(witness.get("error")), *claim["facts"]])


def seen(record: dict[str, Any], routine: str) -> Seen:
    """One routine of a record."""
    return Seen(next(entry for entry in record["routines"] if entry["name"] == routine))


def found_beside(found: Seen, c: str, line: str, claims: Sequence[str], codes: int = 4096) -> None:
    """Each claim fails in the strict build, at the planted one of the codes, and names the line of C that holds a text."""
    number = next(n for n, text in enumerate(c.splitlines(), 1) if line in text)
    for claim in claims:
        assert "fails" == found.verdicts()[f"{claim} strict"]
        assert place(codes) == found.value(claim, "strict")
        assert f"plant.c:{number}" in found.words(claim, "strict")


def code_of(record: dict[str, Any]) -> int:
    """Exit code of a record."""
    return exit_code(record)
