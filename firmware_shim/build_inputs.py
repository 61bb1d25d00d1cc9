"""What a compiler reads, or would read if it were there, besides the files that it lists as read.

A header that comes to be where one of the same name is looked for earlier, one that the text asks for by
__has_include, files named in options, and bytes that the assembler takes in: none of them is told by the
texts of the files that were used last time.
"""

from __future__ import annotations

import hashlib
import itertools
import os
import re
import shlex
from collections.abc import Iterable, Sequence
from pathlib import Path

from firmware_shim.pip_compiler import INSIDE

# Variables that hold folders of headers.
SEARCHED = ("CPATH", "C_INCLUDE_PATH", "CPLUS_INCLUDE_PATH")
_SYSTEM = ("/usr/", "/lib/", "/lib64/")
_LONGEST_NAME = 5  # folders and file of a name in an #include
_ASKED = re.compile(rb"__has_(?:include(?:_next)?|embed)\b")
_NAME = re.compile(rb'\s*\(\s*["<]([^">\n]+)[">]\s*\)')
# Whether the question itself is known is asked before it, and names no file.
_KNOWN = re.compile(rb"(?:\bdefined\s*\(?|#\s*ifn?def)\s*$")
# What the assembler takes in it does not tell the compiler.
_TAKEN_IN = re.compile(rb"\.\s*(?:incbin|include)\b")


def hash_of(path: Path) -> str:
    """SHA-256 of a file's bytes; empty if it cannot be read."""
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return ""


def flag_files(flags: str, base: Path) -> dict[str, str]:
    """Path -> hash of every file that a word of the flags names, as such or after = or a comma, and of what those files
    of options name in turn."""
    found: dict[str, str] = {}
    waiting = [flags]
    while waiting:
        try:
            words = shlex.split(waiting.pop(), posix=True)
        except ValueError:
            continue
        for part in (part for word in words for part in re.split(r"[=,]", word)):
            path = str(base / part.removeprefix("@"))
            if not part or path in found or not os.path.isfile(path):
                continue
            found[path] = hash_of(Path(path))
            if part.startswith("@"):
                waiting.append(Path(path).read_text(encoding="utf-8", errors="replace"))
    return found


def folders_of_flags(flags: Sequence[str]) -> list[str]:
    """Folders that options add to the search."""
    options = ("-isystem", "-iquote", "-idirafter", "-I")
    joined = [f[len(o) :] for f in flags for o in options if f.startswith(o) and f != o]
    return joined + [value for option, value in itertools.pairwise(flags) if option in options]


def searched_folders(files: Iterable[str], base: str) -> list[str]:
    """Folders that are searched without an option: beside each of the author's files, and those of the environment."""
    beside = [file.rpartition("/")[0] for file in files if is_authors(file)]
    listed = [os.path.join(base, part) for name in SEARCHED for part in os.environ.get(name, "").split(os.pathsep)
              if name in os.environ]
    return list(dict.fromkeys([*beside, *map(os.path.normpath, listed), base]))


def is_authors(file: str) -> bool:
    """Whether a file is not one of the system's, or of a compiler's that lies elsewhere."""
    return not file.startswith(_SYSTEM) and INSIDE not in file


def as_spelled(path: str) -> str:
    """An absolute path in which each .. stays: behind a link it leads elsewhere than the text says, and the link may lead
    elsewhere tomorrow."""
    return os.path.join(os.getcwd(), path) if ".." in path.split("/") else os.path.abspath(path)


def takes_in(listing: Path) -> bool:
    """Whether a compiler's assembly takes files in, however the author's text spelled that; not where there is none."""
    try:
        return _TAKEN_IN.search(listing.read_bytes()) is not None
    except OSError:
        return False


def asked_for(files: Iterable[str]) -> tuple[list[str], bool]:
    """(names that the author's texts ask for by __has_include, whether all that is read can be known)."""
    names: set[str] = set()
    sure = True
    for file in files:
        if not is_authors(file):
            continue
        try:
            text = Path(file).read_bytes()
        except OSError:
            return [], False
        text = text.replace(b"\\\r\n", b"").replace(b"\\\n", b"")  # a line that goes on is one line
        sure = sure and _TAKEN_IN.search(text) is None
        for asked in _ASKED.finditer(text):
            name = _NAME.match(text, asked.end())
            if name is not None:
                names.add(name[1].decode("utf-8", "surrogateescape"))
            elif _KNOWN.search(text, max(0, asked.start() - 40), asked.start()) is None:
                sure = False  # by another name, or of a name that a macro makes
    return sorted(names), sure


def shadows(files: Sequence[str], folders: Sequence[str], asked: Sequence[str] = ()) -> list[str]:
    """Files that exist where a header could be found instead of the one used, or where one was asked for."""
    used = set(files)
    names = dict.fromkeys(asked)
    for file in files:
        parts = file.split("/")[1:]
        for depth in range(1, min(len(parts), _LONGEST_NAME) + 1):
            names["/".join(parts[-depth:])] = None
    return sorted({path for folder in folders for name in names
                   if (path := f"{folder}/{name}") not in used and os.path.exists(path)})
