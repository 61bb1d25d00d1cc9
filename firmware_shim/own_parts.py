"""Parts of our own that go into a library, compiled with flags of our own: once for each compiler, then taken again."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from firmware_shim import build_cache, compile_messages
from firmware_shim.compiler import Compiler, locked, run
from firmware_shim.engine import processor_key
from firmware_shim.kept_files import copied_intact, keep

if TYPE_CHECKING:
    from firmware_shim.build import Request

_RUNTIME = Path(__file__).parent / "runtime"
_RECORDER = ("-O2", "-std=gnu11", "-fPIC", "-fvisibility=hidden", "-fno-builtin", "-fno-stack-protector", "-fno-lto")
RECORDERS = ("recorder", "recorder_format")
_FLAGS = {
    "recorder": (*_RECORDER, "-mgeneral-regs-only"),
    "recorder_format": _RECORDER,
    "pitch_measure": ("-O3", "-std=gnu11", "-fPIC", "-march=native", "-ffp-contract=off", "-fno-lto"),
}


def own_parts(request: Request) -> list[str]:
    """Which parts a request needs."""
    parts = list(RECORDERS) if request.variant == "strict" else []
    return parts + (["pitch_measure"] if any(chain.rendered for chain in request.chains) else [])


def compile_part(compiler: Compiler, work: Path, name: str, words: Sequence[str] | None = None) -> str:
    """The object of a part in the folder of a build, compiled where it is not kept. words: flags, where they are not
    those of the table. Errors: CompileFailed."""
    made = work / f"{name}.o"
    flags = _FLAGS[name] if words is None else tuple(words)
    kept = build_cache.cache_of(work) / "own" / f"{name}-{_key(compiler, name, flags)}.o"
    # Builds side by side need the same part: the first makes it.
    if not _taken(kept, made):
        with locked(kept.with_name(f".{name}.lock")):
            if not _taken(kept, made):
                _compile(compiler, work, name, flags, made, kept)
    return made.name


def _taken(kept: Path, made: Path) -> bool:
    with contextlib.suppress(OSError):
        shutil.copyfile(kept, made)
        with contextlib.suppress(OSError):
            os.utime(kept)
        return copied_intact(kept, made)
    return False


def _compile(compiler: Compiler, work: Path, name: str, flags: tuple[str, ...], made: Path, kept: Path) -> None:
    ran = run([*compiler.command, *flags, "-c", str(_RUNTIME / f"{name}.c"), "-o", made.name], folder=work)
    if ran.code != 0:
        raise compile_messages.compile_failure(_RUNTIME / f"{name}.c", ran)
    with contextlib.suppress(OSError):
        kept.parent.mkdir(parents=True, exist_ok=True)
        scratch = kept.with_name(f"{kept.name}.{os.getpid()}.part")
        shutil.copyfile(made, scratch)
        keep(scratch, kept)


def _key(compiler: Compiler, name: str, flags: tuple[str, ...]) -> str:
    """All that the object depends on: our text, the compiler and what it finds, the processor."""
    texts = {path.name: build_cache.hash_of(path) for path in sorted(_RUNTIME.glob("*.[ch]"))}
    told = [name, texts, compiler.identity, flags, processor_key(), build_cache.around(compiler)]
    return hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()[:40]
