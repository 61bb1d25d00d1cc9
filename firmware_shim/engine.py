"""The compiled sweep engine: built once per machine, bound through cffi in ABI mode.

The engine is compiled with flags of our own and never with the author's, so that what looks at values
cannot be bent by them. Its declarations are one plain header, read by the compiler and by cffi alike.
"""

from __future__ import annotations

import errno
import functools
import hashlib
import os
import shlex
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from firmware_shim.declared import declared
from firmware_shim.errors import CompilerMissing, ShimError
from firmware_shim.kept_files import intact, keep

RUNTIME = Path(__file__).parent / "runtime"
ENGINE_SOURCES = (
    *("engine_block.c", "engine_flat.c", "engine_judge.c", "engine_lanes.c", "engine_relations.c", "engine_sweep.c",
      "engine_time.c"),
    *("engine_script.c", "engine_long.c", "engine_long_kept.c", "engine_count.c", "engine_trace.c"),
    *("engine_follow.c", "engine_watch.c", "engine_heap.c", "engine_stretch.c", "engine_calls.c"),
    *("contain.c", "board_bridge.c", "board_machine.c", "board_same.c", "board_served.c"),
    "board_interrupt.c",
    *("narrow_bridge.c", "engine_process.c"),
)
ENGINE_FLAGS = (
    *("-std=gnu11", "-O3", "-march=native", "-ffp-contract=off", "-fno-math-errno", "-fno-trapping-math"),
    *("-fno-strict-aliasing", "-fPIC", "-fno-lto"),
)

FLAG_KINDS = ("invalid operation", "subnormal operand", "division by zero", "overflow", "subnormal result")
# Noted beside the kinds of flags: another rounding, or another way with subnormals, was left behind.
MODE_CHANGED = len(FLAG_KINDS)
TYPE_NUMBERS = {
    ("float", 4): 0, ("float", 8): 1, ("int", 1): 2, ("uint", 1): 3, ("int", 2): 4, ("uint", 2): 5,
    ("int", 4): 6, ("uint", 4): 7, ("int", 8): 8, ("uint", 8): 9,
}
NUMPY_TYPES = tuple(
    np.dtype(name)
    for name in ("f4", "f8", "i1", "u1", "i2", "u2", "i4", "u4", "i8", "u8")
)

FOUND = np.dtype([
    ("judged", "i8"), ("failing", "i8"), ("open", "i8"), ("skipped", "i8"), ("first_failing", "i8"),
    ("last_failing", "i8"), ("least", "f8"), ("least_at", "i8"), ("most", "f8"), ("most_at", "i8"),
])
RESULT = np.dtype([
    ("done", "i8"), ("first_output", "f8"), ("last_output", "f8"), ("least_output", "f8"),
    ("least_output_at", "i8"), ("most_output", "f8"), ("most_output_at", "i8"), ("nans", "i8"),
    ("first_nan", "i8"), ("infinities", "i8"), ("first_infinity", "i8"), ("subnormals", "i8"),
    ("first_subnormal", "i8"), ("flagged_blocks", "i8", 5), ("first_flag", "i8", 5),
    ("flag_not_reproduced", "i8", 5), ("found", FOUND, 8),
])
MOST_INPUTS = 8


def fresh_results(count: int) -> np.ndarray:
    """Empty results for count segments: nothing found, extremes at the infinities."""
    results = np.zeros(count, RESULT)
    for name in ("first_nan", "first_infinity", "first_subnormal", "first_flag", "flag_not_reproduced"):
        results[name] = -1
    results["least_output"], results["most_output"] = np.inf, -np.inf
    results["least_output_at"] = results["most_output_at"] = -1
    found = results["found"]
    found["first_failing"] = found["last_failing"] = found["least_at"] = found["most_at"] = -1
    found["least"], found["most"] = np.inf, -np.inf
    return results


class OwnPartFailed(ShimError):
    """A part of preflash itself does not compile or does not fit: never the firmware's fault."""

    code = "S190"


HEADERS = tuple(RUNTIME / name for name in (
    "engine_long.h", "engine_script.h", "engine_trace.h", "engine_follow.h", "engine.h", "board_bridge.h", "narrow_bridge.h"))


# Whose sizes the engine must agree on.
SIZED = ("job", "shared", "script", "machine", "board", "board_machine", "interruption", "torn", "narrow")
# Types that most jobs spell out: reading one takes time, and is remembered.
SPELLED = ("struct pf_shared", "struct pf_shared *", "struct pf_script", "struct pf_script *", "unsigned char *",
           "struct pf_machine *", "struct pf_job *", "struct pf_test[]", "struct pf_input[]", "struct pf_region[]",
           "struct pf_word[]", "int64_t[]", "struct pf_segment *", "struct pf_result *", "struct pf_open *", "char[]",
           "intptr_t", "struct pf_happening[]", "struct pf_piece[]", "pf_loop", "pf_screen", "long *", "void *", "int64_t *",
           "pf_machine_init", "pf_machine_end", "pf_machine_event", "pf_machine_run", "pf_machine_paint", "unsigned char[16]",
           "long (*)(void)", *(f"struct pf_{name}" for name in SIZED))


@functools.cache
def read_ahead(folder: Path) -> None:
    """What every job needs of the declarations, for a process that forks others. folder: that of the engine."""
    for name in SPELLED:
        declared(HEADERS, folder).typeof(name)


@dataclass(frozen=True)
class Engine:
    """The loaded engine library and its declarations."""

    ffi: Any
    lib: Any
    path: Path


def processor_key() -> str:
    """What -march=native depends on: the processor's feature list."""
    try:
        text = Path("/proc/cpuinfo").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return "unknown processor"
    lines = [line for line in text.splitlines() if line.startswith(("flags", "Features", "model name"))]
    return "\n".join(lines[:2])


def compile_own(sources: list[Path], name: str, compiler: str, cache: Path, *, extra_text: str = "") -> Path:
    """Compile C of our own into a shared library, content-addressed under cache. compiler: a command, as for a shell.

    Errors: CompilerMissing when the compiler cannot be started; ShimError when our own C is refused.
    """
    digest = hashlib.sha256()
    for source in sources:
        digest.update(source.read_bytes())
    for header in sorted(RUNTIME.glob("*.h")):
        digest.update(header.read_bytes())
    digest.update("\0".join([compiler, *ENGINE_FLAGS, processor_key(), extra_text]).encode())
    target = cache / "own" / f"{name}-{digest.hexdigest()[:32]}.so"
    if intact(target):
        return target
    target.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=target.parent, prefix=".making-") as folder:

        def compiled(words: list[str]) -> None:
            command = [*shlex.split(compiler), *words]
            try:
                run = subprocess.run(command, capture_output=True, text=True, cwd=folder, env={**os.environ, "LC_ALL": "C"})
            except OSError as problem:
                raise CompilerMissing(f"the compiler '{compiler}' cannot be started", name, str(problem),
                                      "install gcc, or set CC to a C compiler") from problem
            if os.strerror(errno.ENOSPC) in run.stderr:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), f"{target.parent}, or {tempfile.gettempdir()}")
            if run.returncode != 0:
                raise OwnPartFailed("preflash could not compile a part of its own", f"{compiler}, {name}",
                                    run.stderr.strip() or "no message",
                                    "this is preflash's own fault: please report it with the compiler's version")

        if len(sources) == 1:
            compiled([*ENGINE_FLAGS, "-shared", f"-I{RUNTIME}", str(sources[0]), "-o", "part.so"])
        else:
            from concurrent.futures import ThreadPoolExecutor  # its import costs more than finding what is there

            with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
                list(pool.map(lambda at: compiled([*ENGINE_FLAGS, f"-I{RUNTIME}", "-c", str(sources[at]), "-o", f"{at}.o"]),
                              range(len(sources))))
            compiled(["-shared", *(f"{at}.o" for at in range(len(sources))), "-o", "part.so"])
        keep(Path(folder, "part.so"), target)
    return target


def build_engine(compiler: str, cache: Path) -> Path:
    """Path of the engine library for this machine, compiled when needed."""
    return compile_own([RUNTIME / name for name in ENGINE_SOURCES], "engine", compiler, cache)


def load_engine(path: Path) -> Engine:
    """Load the engine and check that its layouts are the ones declared here."""
    ffi = declared(HEADERS, path.parent)
    lib: Any = ffi.dlopen(str(path))
    sizes = (lib.pf_result_size(), *(getattr(lib, f"pf_{name}_size")() for name in SIZED))
    expected = (RESULT.itemsize, *(ffi.sizeof(f"struct pf_{name}") for name in SIZED))
    if sizes != expected:
        raise OwnPartFailed(
            "the engine's layout differs from its declarations",
            str(path),
            f"sizes {sizes}, expected {expected}",
            "this is preflash's own fault: please report it",
        )
    return Engine(ffi, lib, path)
