"""Compiler flags of the strict build: checks that record, and what makes a broken rule of C show in the result."""

from __future__ import annotations

import platform
import re
from pathlib import Path

from firmware_shim.compiler import Compiler

# The warning tells of comparisons in which a changed sign changes the result; see events.py.
_CONVERSIONS = ("-fsanitize=implicit-conversion", "-Wsign-compare")
_STRICT = {
    "gcc": ("-fsanitize=undefined,float-cast-overflow,bounds-strict", "-fno-sanitize=vptr"),
    # One option each: a wrapper was seen to read only the first word of a list (zig cc 0.17).
    "clang": (
        "-fsanitize=undefined",
        "-fsanitize=float-cast-overflow",
        *_CONVERSIONS,
        "-fno-sanitize=vptr",
        "-fno-sanitize=function",
    ),
}
# The kernel's kind of address checks needs no library beside: recorder_globals.h answers its calls. What it knows of
# locals it writes to memory of its own, which recorder_shadow.h makes, on one kind of processor.
_LOCALS = (("--param=asan-stack=1", "--param=asan-instrument-allocas=1", "-fasan-shadow-offset=0x7fff8000",
            "-fsanitize-address-use-after-scope")
           if platform.machine() == "x86_64" else ("--param=asan-stack=0",))
_ADDRESSES = {
    "gcc": ("-fsanitize=kernel-address", "--param=asan-globals=1", *_LOCALS,
            "--param=asan-instrumentation-with-call-threshold=0"),
    "clang": (),
}
_SIZES = Path(__file__).parent / "runtime" / "strict_sizes.h"
# The first gcc that fills locals; its value numbering would take what is filled for anything it likes (seen with gcc 12).
FIRST_TO_FILL, _FILL = 12, ("-ftrivial-auto-var-init=pattern",)
_BELIEVE = {"gcc": ("-fno-tree-fre", "-fno-tree-pre", "-fno-code-hoisting")}


def strict_flags(compiler: Compiler, variant: str) -> tuple[str, ...]:
    """Flags behind the author's own; () for a build without checks."""
    if variant == "clang strict":
        return ("-fno-sanitize=all", *_CONVERSIONS)
    if variant == "strict":
        return _STRICT[compiler.family] + _ADDRESSES[compiler.family] + _told_apart(compiler)
    return _STRICT[compiler.family] if variant.endswith("strict") else ()


def first_header(compiler: Compiler, variant: str) -> tuple[str, ...]:
    """Flags before the author's: a header of our own comes before all others."""
    return ("-include", str(_SIZES)) if variant == "strict" and compiler.family == "gcc" else ()


def _told_apart(compiler: Compiler) -> tuple[str, ...]:
    """What makes broken rules of C show: locals that nothing sets hold a pattern, any pointer may alias."""
    major = re.search(r"(\d+)\.\d+\.\d+\s*$", compiler.version)
    fills = compiler.family == "clang" or (major is not None and int(major[1]) >= FIRST_TO_FILL)
    return ("-fno-strict-aliasing", *((*_FILL, *_BELIEVE.get(compiler.family, ())) if fills else ()))
