"""The compiler that comes by pip alone: clang with a linker and C libraries, in the package ziglang."""

from __future__ import annotations

import functools
import importlib.util
import re
import shutil
import subprocess
import sys
from pathlib import Path

from firmware_shim.errors import CompilerMissing
from firmware_shim.installing import how_to_install

# Its own parts, headers among them: no text of the author's.
INSIDE = "/ziglang/lib/"
# Built by it in another way than is asked for: code for the newest features of this very processor, NDEBUG with -O.
_PLAINLY = ("-mcpu=baseline", "-UNDEBUG")
# It says so of each compilation that has another warning, since it takes the word itself.
_OF_ITS_OWN = re.compile(r"^zig: warning: argument unused during compilation: '-c'.*\n?", re.MULTILINE)


def program() -> Path | None:
    """The compiler in this Python's packages, None where it is not installed."""
    found = importlib.util.find_spec("ziglang")
    places = list(found.submodule_search_locations or ()) if found is not None else []
    path = Path(places[0], "zig") if places else None
    return path if path is not None and path.is_file() else None


@functools.lru_cache(maxsize=8)
def _program_of(python: str) -> Path | None:
    """The same for another Python."""
    if Path(python) == Path(sys.executable):
        return program()
    ask = "import importlib.util as u; s = u.find_spec('ziglang'); print(*(s.submodule_search_locations if s else ()))"
    try:
        told = subprocess.run([python, "-c", ask], capture_output=True, text=True, timeout=60).stdout.strip()
    except (OSError, subprocess.TimeoutExpired):
        return None
    path = Path(told, "zig")
    return path if told and path.is_file() else None


def host_words() -> tuple[str, ...] | None:
    """The command that compiles for this computer, None where the package is missing."""
    path = program()
    return (str(path), "cc") if path is not None else None


def direct(words: tuple[str, ...], named_by: str) -> tuple[str, ...]:
    """``python -m ziglang cc`` (or ``zig cc``) as the compiler itself is called: plain code, no Python in between.

    Errors: CompilerMissing where that Python has no such package, or where the word cc is missing.
    """
    if not names_it(words):
        return words
    through_python = words[1:3] == ("-m", "ziglang")
    path: str | Path | None = words[0]
    if through_python:
        python = shutil.which(words[0])
        path, words = _program_of(python) if python else None, words[2:]
        if path is None:
            raise CompilerMissing("the package ziglang is not there", named_by, f"{python or 'that Python'} does not have it",
                                  how_to_install("compiler"))
    if words[1:2] not in (("cc",), ("c++",)):
        raise CompilerMissing(f"'{' '.join(words)}' is not a C compiler", named_by, "the package holds several programs",
                              "write python -m ziglang cc")
    more = tuple(word for word in _PLAINLY if word not in words)
    return (str(path), "cc", *more, *words[2:])


def names_it(words: tuple[str, ...]) -> bool:
    """Whether a command means this compiler."""
    return words[1:3] == ("-m", "ziglang") or (bool(words) and Path(words[0]).name == "zig")


def without_own_warning(text: str) -> str:
    """What a compiler said, without what this one always says."""
    return _OF_ITS_OWN.sub("", text)
