"""Facts about the board's image that claims and reports share: functions, sizes, calls by name."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from firmware_shim.board_code import instructions
from firmware_shim.build_cache import cached_info
from firmware_shim.memory_map import functions_of, section_span, symbol_address
from verify.routine import Bound


@lru_cache(maxsize=16)
def code_map(library: str) -> tuple[int, int, tuple[tuple[str, int, int], ...]]:
    """(first address of the text, end of the author's own code, functions by address) of an image."""
    path = Path(library)
    functions = tuple(sorted(functions_of(path), key=lambda f: f[1]))
    low, end = symbol_address(path, "__pf_own_start"), symbol_address(path, "__pf_own_end")
    if not low:  # a finished image: its own code and its library's are not told apart
        low, size = section_span(path, ".text")
        end = low + size
    return low, end, functions


def has_run(executed: np.ndarray, at: int, size: int) -> bool:
    """Whether an instruction was executed of so many bytes, the first of them at an offset into the text."""
    return bool(executed[at // 2 : (at + size + 1) // 2].any())


def executed_functions(library: str, executed: bytes) -> list[tuple[str, int, int, bool]]:
    """(name, address, size, whether it is the author's own) of every function that ran."""
    low, own_end, functions = code_map(library)
    ran = np.frombuffer(executed, np.uint8)
    found = []
    seen: set[int] = set()
    for name, start, size in functions:
        if start >= low and has_run(ran, start - low, size) and start not in seen and not name.startswith("pf_"):
            seen.add(start)
            found.append((name, start, size, start < own_end))
    return found


def inlined_bytes(library: str, executed: bytes) -> int:
    """Bytes of the author's instructions that became part of generated functions that ran; 0 without debug information."""
    low, own_end, functions = code_map(library)
    ran, info = np.frombuffer(executed, np.uint8), cached_info(Path(library))
    spans = {(start, start + size) for name, start, size in functions
             if name.startswith("pf_") and low <= start < own_end and has_run(ran, start - low, size)}
    lines = ((one, info.line_at(one.address)) for one in instructions(Path(library))
             if any(first <= one.address < last for first, last in spans))
    return sum(one.size for one, line in lines if line is not None and not line[0].startswith("pf_"))


def library_functions(probe: Any, bound: Bound, raws: Sequence[bytes]) -> list[str]:
    """Names of the functions outside the author's code that run for one input."""
    result = probe.crew.run(probe.listed_job(bound, probe.raw_axes(bound, [tuple(raws)]), 1, keep_costs=True))
    return [name for name, _, _, own in executed_functions(bound.library, result.executed) if not own]
