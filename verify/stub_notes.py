"""Which of the stand-ins written by preflash stub a routine really uses: said beside its verdicts."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from functools import lru_cache
from pathlib import Path

from firmware_shim.debug_info import DebugInfo
from verify.stub_names import FOLDER, GUESSES, UNDEFINED


def guess_notes(info: DebugInfo, called: Iterable[str], hashes: Mapping[str, str]) -> tuple[str, ...]:
    """Notes for a routine that reaches the functions ``called``: guessed constants, types and functions in them."""
    files = [file for file in hashes if Path(file).name in (GUESSES, UNDEFINED) and Path(file).parent.name == FOLDER]
    if not files:
        return ()
    guessed = {name for file in files for name in names_in(file, hashes[file])}
    used: set[str] = set()
    for name in called:
        function = info.functions.get(name)
        if function is not None and function.file not in files:
            used |= guessed & set(re.findall(r"\w+", body(function.file, function.line)))
    if not used:
        return ()
    return (f"uses stand-ins, whose values are guesses: {', '.join(sorted(used))} ({FOLDER}/)",)


@lru_cache(maxsize=8)
def names_in(file: str, hashed: str) -> frozenset[str]:
    """Every name that a file of stand-ins gives."""
    try:
        text = Path(file).read_text(encoding="utf-8", errors="replace")
    except OSError:
        return frozenset()
    found = re.findall(r"^#define (\w+)|^(?:static|typedef)[^;{]*?(\w+)(?:\(.*|;.*| \{.*)$|/\* guess: (\w+) \*/", text, re.M)
    return frozenset(name for match in found for name in match if name and not name.startswith("GUESS_"))


def body(file: str, line: int) -> str:
    """A function's text from its line to the brace that ends it."""
    try:
        lines = Path(file).read_text(encoding="utf-8", errors="replace").splitlines()[line - 1 :]
    except OSError:
        return ""
    depth, out = 0, []
    for text in lines:
        out.append(text)
        depth += text.count("{") - text.count("}")
        if "}" in text and depth <= 0:
            break
    return "\n".join(out)
