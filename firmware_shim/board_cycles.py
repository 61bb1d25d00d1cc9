"""Cycle tables: for each instruction the least and the most it may take, with the table's source.

All figures are for zero wait states, no caches and no bus contention. They are ends of a range: an
estimate, never a measurement.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Cost:
    """Half cycles of one instruction: least and most, and what is added when it branches away."""

    least: int
    most: int
    taken_least: int = 0
    taken_most: int = 0


@dataclass(frozen=True)
class Table:
    """Where the figures of a core come from, and how sure they are."""

    source: str
    uncertainty: str


TABLES = {
    "m0plus": Table(
        "Arm DDI 0484C (Cortex-M0+ TRM), table 3.1; branches as remembered",
        "multiply 1 or 32 cycles is the chip maker's choice: the optimistic end has 1, the pessimistic 32",
    ),
    "m3": Table(
        "Arm DDI 0337 (Cortex-M3 TRM), as remembered; division and branches as for the Cortex-M4",
        "no part of the table was read at its source",
    ),
    "m4": Table(
        "Arm 100166 / DDI 0439 (Cortex-M4 TRM), processor and floating-point instruction tables; loads, stores and "
        "branches as remembered",
        "loads may overlap, a result used at once costs a cycle more, a branch refills the pipeline in 1 to 3 cycles; "
        "multiply-accumulate stands with 3 in the table and was seen at 1 in a row",
    ),
    "m7": Table(
        "no table is published by Arm; issue width and latencies of the LLVM scheduling model of the Cortex-M7",
        "the optimistic end issues two instructions a cycle and hides all latency, the pessimistic end hides none and "
        "mispredicts every conditional branch: the two lie far apart",
    ),
    "m33": Table(
        "no table could be found; Cortex-M4 figures with division 2 to 11, as remembered",
        "take it for an order of magnitude",
    ),
}

_LONG_MULTIPLY = {"smull", "umull", "smlal", "umlal", "umaal"}
_FUSED = {"vmla", "vmls", "vnmla", "vnmls", "vfma", "vfms", "vfnma", "vfnms"}
_MULTIPLE = {"ldm", "ldmdb", "ldmda", "ldmib", "stm", "stmdb", "push", "pop", "vldmia", "vldmdb", "vstmia", "vstmdb",
             "vpush", "vpop"}
_BRANCHES = {"b", "bl", "bx", "blx", "cbz", "cbnz", "tbb", "tbh"}


@dataclass(frozen=True)
class Seen:
    """What the table asks about an instruction: its name without condition, ``double`` for binary64,
    ``words`` moved by a multiple load or store, whether it may branch, and whether on a condition."""

    name: str
    double: bool
    words: int
    branches: bool
    conditional: bool


def _cycles(least: float, most: float, taken_least: float = 0, taken_most: float = 0) -> Cost:
    return Cost(round(2 * least), round(2 * most), round(2 * taken_least), round(2 * taken_most))


def _is_load(name: str) -> bool:
    return name.startswith("ldr") and name != "ldrd"


def _is_store(name: str) -> bool:
    return name.startswith("str") and name != "strd"


def _cost_m4(seen: Seen, divide_most: int = 12) -> Cost:
    name = seen.name
    if name in _MULTIPLE:
        return _cycles(1 + seen.words, 1 + seen.words, *((1, 3) if seen.branches else (0, 0)))
    if name in ("tbb", "tbh"):
        return _cycles(2, 2, 1, 3)
    if seen.branches:
        return _cycles(2 if _is_load(name) else 1, 2 if _is_load(name) else 1, 1, 3)
    if name in ("sdiv", "udiv"):
        return _cycles(2, divide_most)
    if name in ("vdiv", "vsqrt"):
        return _cycles(14, 15)
    if name in _FUSED:
        return _cycles(1, 4)
    if name in ("vldr", "vstr"):
        return _cycles(3 if seen.double else 2, 3 if seen.double else 2) if name == "vldr" else _cycles(1, 2 + seen.double)
    if name in ("ldrd", "strd"):
        return _cycles(2, 3)
    if _is_load(name) or _is_store(name):
        return _cycles(1, 2)
    if name in ("dmb", "dsb", "isb"):
        return _cycles(1, 4)
    if name.startswith("v") and name not in ("vmrs", "vmsr", "vcmp", "vcmpe", "vabs", "vneg"):
        return _cycles(1, 2)
    return _cycles(1, 1)


def _cost_m3(seen: Seen) -> Cost:
    if seen.name in ("mla", "mls"):
        return _cycles(2, 2)
    if seen.name in _LONG_MULTIPLY:
        return _cycles(3, 7 if seen.name.endswith("lal") else 5)
    return _cost_m4(seen)


def _cost_m0plus(seen: Seen) -> Cost:
    name = seen.name
    if name in _MULTIPLE:
        return _cycles(1 + seen.words, 1 + seen.words, *((2, 2) if seen.branches else (0, 0)))
    if name == "bl":
        return _cycles(1, 1, 2, 2)
    if seen.branches:
        return _cycles(1, 1, 1, 1)
    if name == "mul":
        return _cycles(1, 32)
    if _is_load(name) or _is_store(name):
        return _cycles(1, 2)
    if name in ("mrs", "msr", "dmb", "dsb", "isb"):
        return _cycles(3, 3)
    return _cycles(1, 1)


def _cost_m7(seen: Seen) -> Cost:
    name, wide = seen.name, seen.double
    if name in _MULTIPLE:
        return _cycles(max(0.5, seen.words / 2), 1 + seen.words, 0, 6 if seen.branches else 0)
    if seen.branches:
        return _cycles(0.5, 7 if seen.conditional else 2, 0, 0.5 if seen.conditional else 2)
    if name in ("sdiv", "udiv"):
        return _cycles(1, 20)
    if name in ("vdiv", "vsqrt"):
        return _cycles(1, 30 if wide else 16)
    if name in _FUSED:
        return _cycles(0.5, 11 if wide else 6)
    if name in ("vmul", "vnmul"):
        return _cycles(0.5, 7 if wide else 3)
    if name.startswith("v") and name not in ("vldr", "vstr", "vmrs", "vmsr"):
        return _cycles(0.5, 4 if wide else 3)
    if _is_load(name) or name in ("ldrd", "vldr"):
        return _cycles(0.5, 3)
    if name in _LONG_MULTIPLY or name in ("mul", "mla", "mls") or name.startswith(("smul", "smla", "smm", "smls")):
        return _cycles(0.5, 2)
    return _cycles(0.5, 1)


_RULES: dict[str, Callable[[Seen], Cost]] = {
    "m0plus": _cost_m0plus,
    "m3": _cost_m3,
    "m4": _cost_m4,
    "m7": _cost_m7,
    "m33": lambda seen: _cost_m4(seen, 11),
}


def may_branch(name: str) -> bool:
    """Whether an instruction of this name always belongs to the branches."""
    return name in _BRANCHES


def moves_several(name: str) -> bool:
    """Whether an instruction of this name moves a list of registers."""
    return name in _MULTIPLE


def cost_of(timing: str, seen: Seen) -> Cost:
    """The cost of one instruction by a core's table (a key of TABLES)."""
    return _RULES[timing](seen)
