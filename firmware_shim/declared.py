"""C declarations of our own for cffi, parsed once: kept as the module that cffi writes of them (its out-of-line ABI mode),
so that a process which runs jobs needs no parser of C."""

from __future__ import annotations

import contextlib
import functools
import hashlib
import io
from pathlib import Path
from typing import Any

import cffi

from firmware_shim.compiler import write_whole


@functools.cache
def declared(headers: tuple[Path, ...], folder: Path) -> Any:
    """The declarations of some headers, as cffi's FFI. folder: where what the parser made of them is kept."""
    texts = [header.read_text(encoding="utf-8") for header in headers]
    digest = hashlib.sha256(repr([cffi.__version__, *texts]).encode()).hexdigest()[:32]
    kept = folder / f"declared_{digest}.py"
    with contextlib.suppress(OSError, ValueError):
        said, _, text = kept.read_text(encoding="utf-8").partition("\n")
        if said == f"# {hashlib.sha256(text.encode()).hexdigest()}":
            return made(text)
    text = written(kept.stem, texts)
    with contextlib.suppress(OSError):
        write_whole(kept, f"# {hashlib.sha256(text.encode()).hexdigest()}\n{text}")
    return made(text)


def written(name: str, texts: list[str]) -> str:
    """The module's text."""
    from cffi.recompiler import make_py_source  # it and the parser are wanted once

    parsed = cffi.FFI()
    for text in texts:
        parsed.cdef(text)
    out: Any = io.StringIO()  # any file will do
    make_py_source(parsed, name, out)
    return out.getvalue()


def made(text: str) -> Any:
    """What the module holds."""
    names: dict[str, Any] = {}
    exec(compile(text, "declarations of C", "exec"), names)
    return names["ffi"]
