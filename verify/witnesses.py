"""Witnesses beside the sheet: exact bits of inputs that broke a claim, replayed first for ever.

One line per witness, readable and fit for version control:
    bell_hz_from_volts  accurate(cents=0.1)  host  volts=0x3c800000  # 0.015625 V
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from firmware_shim.engine import NUMPY_TYPES
from verify.errors import UsageError
from verify.number_formats import bits_text
from verify.routine import Bound, Routine
from verify.whole_files import save_text

HEAD = """# Witnesses: inputs that once broke a claim, as exact bits. They are run first in every check.
# routine | claim | build | inputs as bits | the same in numbers
"""


@dataclass
class WitnessFile:
    """All witnesses of one sheet. Lines that do not parse are kept as they are."""

    path: Path
    lines: list[str] = field(default_factory=list)
    changed: bool = False

    @classmethod
    def load(cls, path: Path) -> WitnessFile:
        """Read the file; an absent one is empty."""
        try:
            text = path.read_text(encoding="utf-8")
        except FileNotFoundError:
            return cls(path)
        except (OSError, UnicodeDecodeError) as problem:
            raise UsageError("the witness file cannot be read", where=str(path), why=str(problem),
                             todo="mend or remove it; it is made anew from failures") from problem
        return cls(path, [line for line in text.splitlines() if line.strip() and not line.startswith("#")])

    def entries(self, routine: str) -> list[tuple[str, str, dict[str, bytes]]]:
        """(claim, build, raw bits by input) of one routine."""
        found = []
        for line in self.lines:
            parts = [part.strip() for part in line.split("|")]
            if len(parts) < 4 or parts[0] != routine:
                continue
            try:
                pairs = dict(word.split("=0x") for word in parts[3].split())
                raws = {name: bytes.fromhex(digits)[::-1] for name, digits in pairs.items()}
            except ValueError:
                continue
            found.append((parts[1], parts[2], raws))
        return found

    def ordinals(self, bound: Bound) -> list[int]:
        """Ordinals of the stored witnesses that lie on the present grid."""
        found = []
        for _, _, raws in self.entries(bound.routine.name):
            ordinal = ordinal_of(bound, raws)
            if ordinal is not None:
                found.append(ordinal)
        return sorted(set(found))

    def add(self, routine: Routine, claim: str, build: str, raws: Sequence[bytes]) -> None:
        """Store a witness unless the same bits are there for the same claim and build."""
        bits = " ".join(f"{g.name}={bits_text(raw)}" for g, raw in zip(routine.inputs, raws, strict=True))
        start = f"{routine.name} | {claim} | {build} | {bits}"
        if any(line.startswith(start) for line in self.lines):
            return
        self.lines.append(start)
        self.changed = True

    def scripts(self, machine: str) -> list[tuple[str, str, str]]:
        """(claim, build, script line) of one machine."""
        found = []
        for line in self.lines:
            parts = [part.strip() for part in line.split("|")]
            if len(parts) >= 4 and parts[0] == machine and parts[3].startswith("script "):
                found.append((parts[1], parts[2], parts[3].removeprefix("script ")))
        return found

    def add_script(self, machine: str, claim: str, build: str, line: str) -> None:
        """Store a script unless it is there for the same claim and build."""
        text = f"{machine} | {claim} | {build} | script {line}"
        if text not in self.lines:
            self.lines.append(text)
            self.changed = True

    def add_lines(self, lines: Sequence[str]) -> None:
        """Store whole lines that another process found."""
        fresh = [line for line in dict.fromkeys(lines) if line not in self.lines]
        self.lines += fresh
        self.changed |= bool(fresh)

    def save(self) -> None:
        """Write whole or not at all; an untouched file is left alone."""
        if not self.changed:
            return
        text = HEAD + "\n".join(self.lines) + "\n"
        todo = "make the folder writable, or give --witnesses FILE"
        save_text(self.path, text, "the witness file", todo, new_folder=True)
        self.changed = False


def ordinal_of(bound: Bound, raws: dict[str, bytes]) -> int | None:
    """Ordinal of raw input bits on the present grid, None when they lie off it."""
    found = [raws.get(grid.name, b"") for grid in bound.domain.grids]
    if any(len(raw) != NUMPY_TYPES[kind].itemsize for raw, kind in zip(found, bound.domain.type_numbers, strict=True)):
        return None
    values = bound.domain.values_of(found)
    if values is None:
        return None
    ordinal = bound.domain.ordinal_near(values)
    return ordinal if list(bound.domain.raw_bits(ordinal)) == found else None
