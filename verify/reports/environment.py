"""What a verdict rests on besides the evidence, and what no verdict speaks of."""

from __future__ import annotations

import platform
import sys
from collections.abc import Sequence
from importlib import metadata
from typing import TYPE_CHECKING, Any

from firmware_shim.board_places import NOT_NEWLIB
from firmware_shim.build_inputs import is_authors
from verify.hunting.plan import Plan

if TYPE_CHECKING:
    from verify.binding import Bench
    from verify.sheet import Sheet


def version() -> str:
    """Version of preflash as installed."""
    try:
        return metadata.version("preflash")
    except metadata.PackageNotFoundError:
        return "not installed"


def environment(sheet: Sheet, benches: Sequence[Bench], plan: Plan) -> dict[str, Any]:
    """Compiler, flags, libraries, processor, source hashes, versions, plan."""
    builds = {}
    for bench in benches:
        built = bench.built
        if built is None:
            continue
        compiler = built.compiler
        builds[bench.build] = {
            "key": built.key,
            "compiler": compiler.version,
            "target": compiler.target,
            "c_library": compiler.c_library,
            "other_library": NOT_NEWLIB in compiler.c_library,
            "processor": compiler.processor,
            "flags": list(built.kept_flags),
            "flags_dropped": [list(pair) for pair in built.dropped_flags],
            "sources": {path.rsplit("/", 1)[-1]: digest for path, digest in built.source_hashes.items()
                        if is_authors(path)},
        }
    return {
        "tool": version(),
        "python": platform.python_version(),
        "system": f"{platform.system()} {platform.machine()}",
        "packages": {name: metadata.version(name) for name in ("numpy", "mpmath", "cffi", *emulator(benches))},
        "byte_order": sys.byteorder,
        "sample_rate_hz": float(sheet.sample_rate_hz),
        "builds": builds,
        "plan": {
            "every_value_up_to": plan.every_value_up_to,
            "sampled_cases": plan.sampled_cases,
            "seed": plan.seed,
            "long_seconds": plan.long_seconds if plan.long_seconds != float("inf") else None,
            "wall_seconds": plan.wall_seconds if plan.wall_seconds != float("inf") else None,
        },
    }


def emulator(benches: Sequence[Bench]) -> tuple[str, ...]:
    """Packages that the board build stands on, if it ran."""
    return ("unicorn", "capstone") if any(b.build == "board" and b.built is not None for b in benches) else ()


def here_only(sheet: Sheet) -> list[str]:
    """What is too long for an emulator."""
    long = {claim.name for machine in sheet.machines for claim in machine.claims if hasattr(claim, "hours")}
    signals = any(routine.stages and routine.stages.voice for routine in sheet.routines)
    return [*sorted(long), *(["signals at the end of paths"] if signals else [])]


def not_checked(sheet: Sheet, benches: Sequence[Bench] = ()) -> list[str]:
    """What stays outside every verdict of this version."""
    board = bool(emulator(benches))
    nothing = bool(benches) and all(bench.built is None for bench in benches)
    return [
        *(["nothing was checked: no build could be run"] if nothing else [] if board
          else ["checked on this computer only; not your board's code"]),
        *(["machines in the 32-bit build"] if sheet.machines and any(b.build == "narrow" for b in benches) else []),
        *(f"{what} in the board's own code (on this computer only)" for what in here_only(sheet) if board),
        *(f"the board's own C library: this board build has {b.built.compiler.c_library}" for b in benches
          if b.build == "board" and b.built is not None and NOT_NEWLIB in b.built.compiler.c_library),
        *(f"lossy narrowing: the pass by clang is not there ({b.unseen.what}: {b.unseen.why})" for b in benches if b.unseen),
        "analogue parts, converters, wiring, voltages",
        "data shared with interrupts",
        "wait states, caches" if board else "wait states, caches, cycles on the board",
    ]
