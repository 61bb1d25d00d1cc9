"""The author's C as a 32-bit program for this computer: int, long and pointers as wide as on the board.

Not the board's code: this processor, this compiler, the 32-bit side of this C library. What it shows is what
depends on widths alone, and it needs no cross compiler.
"""

from __future__ import annotations

import os
import platform
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from firmware_shim import build as host_build
from firmware_shim import build_cache, compile_messages, linking
from firmware_shim.build import Built, Request
from firmware_shim.compiler import Compiler, Ran, find_compiler, run
from firmware_shim.errors import ShimError

RUNTIME = Path(__file__).parent / "runtime"
# SSE arithmetic: the older unit of this processor rounds intermediate results otherwise than any board does.
NARROW = ("-m32", "-msse2", "-mfpmath=sse")
_START = ("-O2", "-std=gnu11", "-fno-lto", "-fno-stack-protector", "-fno-sanitize=all")


class NarrowMissing(ShimError):
    """This compiler builds no 32-bit programs here, or this kernel runs none."""

    code = "S123"


def build_narrow(request: Request, cache: Path | None = None) -> Built:
    """Build the sources of a request as a 32-bit program, or take it from the cache.

    Shape:  as build.build; the library is an executable that answers requests (runtime/narrow_start.c).
    Errors: any ShimError; NarrowMissing blocks the verdicts of this build only.
    """
    cache = build_cache.folder(cache)
    compiler = find_compiler(request.compiler, cache)
    wanted = replace(request, variant="narrow", machines=(),
                     chains=tuple(chain for chain in request.chains if not chain.rendered))
    sources = host_build._check_sources(replace(wanted, variant="host"))
    identity = build_cache.identity(wanted, sources, compiler, RUNTIME)
    found = build_cache.find(cache, identity)
    if found is not None:
        return host_build._built(*found, compiler, reused=True)
    require_narrow(compiler, cache)
    plan = host_build._plan(wanted, sources, compiler)
    plan = replace(plan, common=(*plan.common, *NARROW))

    def make(folder: Path) -> build_cache.Manifest:
        manifest = host_build._make(plan, folder, link)
        return {**manifest, "kept": [*manifest["kept"], *NARROW]}

    return host_build._built(*build_cache.made_and_kept(cache, identity, sources, make), compiler, reused=False)


def require_narrow(compiler: Compiler, cache: Path) -> None:
    """Compile, link and run an empty 32-bit program. Errors: NarrowMissing with what to install."""
    todo = "apt install gcc-multilib (Debian, Ubuntu), or drop 'narrow' from builds"
    if platform.machine() != "x86_64":
        raise NarrowMissing("no 32-bit programs on this computer", platform.machine(),
                            "the 32-bit build exists for x86-64 only", "drop 'narrow' from builds, or check the board's code")
    with build_cache.workshop(cache) as work:
        probe = work.folder / "probe.c"
        probe.write_text("#include <math.h>\nint main(void) { return sizeof(long) == 4 ? 0 : 1; }\n")
        made = run([*compiler.command, *NARROW, "-no-pie", probe.name, "-o", "probe", "-lm"], folder=work.folder)
        if made.code != 0:
            why = next((line for line in made.err.splitlines() if line.strip()), "no message")
            raise NarrowMissing("the compiler builds no 32-bit programs", compiler.path, why, todo)
        if run([str(work.folder / "probe")]).code != 0:
            raise NarrowMissing("this computer runs no 32-bit programs", compiler.path, "an empty one did not start", todo)


def link(plan: host_build._Plan, work: Path, objects: Sequence[str], part: linking.Part | None) -> Ran:
    """The program: the author's units, our start, and the table of loops."""
    from firmware_shim import loop_source

    symbols = [loop_source.loop_symbol(name) for name in plan.request.all_loops()]
    table = "".join(f"void {symbol}(const void *const *, void *, long, volatile long *);\n" for symbol in symbols)
    entries = "".join(f'    {{"{symbol}", {symbol}}},\n' for symbol in symbols)
    (work / "narrow_table.c").write_text(
        table + "const struct { const char *name; void (*loop)(const void *const *, void *, long, volatile long *); }\n"
        f"pf_narrow_table[] = {{\n{entries}    {{0, 0}},\n}};\n")
    command = [*plan.compiler.command, *NARROW, *_START, "-no-pie", f"-I{RUNTIME}", "-o", "library.so", *objects,
               str(RUNTIME / "narrow_start.c"), "narrow_table.c"]
    if any(plan.language(source) == "c++" for source in plan.sources):
        # Where the 32-bit C++ library is not installed, code that needs nothing of it still links.
        where = run([*plan.compiler.command, *NARROW, "-print-file-name=libstdc++.so"]).out.strip()
        command += ["-lstdc++"] if os.path.isabs(where) else []
    ran = run([*command, "-lm", "-pthread"], folder=work)
    if ran.code != 0:
        raise compile_messages.link_failure(ran, plan.sources, linking.MAPPED)
    return ran
