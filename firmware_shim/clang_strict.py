"""The strict build's second pass: conversions that nobody wrote out and that lose bits, which only clang looks for.

The author's units are compiled by clang, all else (the recorder, the link) by the compiler of the strict build.
"""

from __future__ import annotations

import functools
import json
import re
import shlex
import shutil
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from firmware_shim import build as host_build
from firmware_shim import build_cache, linking
from firmware_shim.build import Built, Request
from firmware_shim.compiler import Compiler, Ran, find_compiler
from firmware_shim.errors import ShimError
from firmware_shim.installing import how_to_install
from firmware_shim.own_parts import RECORDERS, compile_part
from firmware_shim.pip_compiler import host_words

RUNTIME = Path(__file__).parent / "runtime"
VARIANT = "clang strict"
_MIXED = re.compile(r"^(.+?):(\d+):\d+: warning: comparison of integers of different signs", re.MULTILINE)


class ClangMissing(ShimError):
    """Neither clang nor the package ziglang is there."""

    code = "S124"


@dataclass(frozen=True)
class ClangRequest(Request):
    """A request for this pass; ``linked_by`` is what is known of the compiler of everything but the author's units."""

    linked_by: str = ""


def clang_words() -> tuple[str, ...] | None:
    """The command of clang: on the path, else of the package; None where neither is there."""
    path = shutil.which("clang")
    return (path,) if path is not None else host_words()


def build_clang_strict(request: Request, cache: Path | None = None) -> Built:
    """Build the sources of a request with checks of implicit conversions, or take them from the cache.

    Shape:  as build.build; ``request.compiler`` is that of the strict build.
    Errors: any ShimError; ClangMissing with what to install.
    """
    cache = build_cache.folder(cache)
    own = find_compiler(request.compiler, cache)
    words = clang_words()
    if words is None:
        raise ClangMissing("no compiler that looks at implicit conversions", f"{own.version} has no such check",
                           "clang is not on the path, the package ziglang not installed",
                           f"install clang, or {how_to_install('compiler')}")
    clang = find_compiler(shlex.join(words), cache)
    chains = tuple(chain for chain in request.chains if not chain.rendered)
    wanted = ClangRequest(**{**request.by_field(), "variant": VARIANT, "chains": chains, "apart": False},
                          linked_by=json.dumps(own.identity))
    sources = host_build._check_sources(replace(wanted, variant="host"))
    identity = build_cache.identity(wanted, sources, clang, RUNTIME)
    found = build_cache.find(cache, identity)
    if found is not None:
        return host_build._built(*found, clang, reused=True)
    plan = host_build._plan(wanted, sources, clang)
    kept = build_cache.made_and_kept(cache, identity, sources, lambda folder: host_build._make(plan, folder, linked(own)))
    return host_build._built(*kept, clang, reused=False)


def linked(own: Compiler) -> linking.Link:
    """How the units become a library: recorder and link by the strict build's compiler."""
    def link(plan: host_build._Plan, work: Path, objects: Sequence[str], part: linking.Part | None) -> Ran:
        recorders = [compile_part(own, work, name) for name in RECORDERS]
        return linking.link_shared(replace(plan, compiler=own), work, [*objects, *recorders], part)

    return link


@functools.lru_cache(maxsize=16)
def mixed_comparisons(library: Path) -> frozenset[tuple[str, int]]:
    """(file, line) of every comparison of a signed with an unsigned integer that the compiler told of while it built this."""
    try:
        log = json.loads(library.with_name("manifest.json").read_text(encoding="utf-8"))["log"]
    except (OSError, ValueError, KeyError):
        return frozenset()
    return frozenset((file, int(line)) for file, line in _MIXED.findall(log))
