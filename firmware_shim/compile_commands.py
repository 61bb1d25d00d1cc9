"""The flags of each source as the author's own build system wrote them down (compile_commands.json).

A compilation database is a JSON list with one object for each compiled file: ``directory`` (relative paths
count from it), ``file``, and the command as ``arguments`` (words) or ``command`` (one text, quoted as for a
shell). Source: JSON Compilation Database Format Specification, clang documentation.
"""

from __future__ import annotations

import difflib
import json
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from firmware_shim.errors import SourceMissing
from firmware_shim.flags import absolute_words, words_of

_HEADERS = (".h", ".hpp", ".hh")
_CPP = (".cpp", ".cc", ".cxx", ".C", ".hpp", ".hh")
_ALONE = ("-c", "-S", "-E")
_OURS = "preflash_"  # a stand-in that no build system knows


@dataclass(frozen=True)
class Entry:
    """One compiled file.

    Shape: ``source`` absolute, links followed; ``flags`` without the compiler's name, the source, -c and -o;
           files of flags (@file) read in, relative paths of headers and folders made absolute.
    """

    source: Path
    folder: Path
    flags: tuple[str, ...]

    def part(self, *options: str) -> tuple[str, ...]:
        """The values of some options, for example part("-I", "-isystem"), joined or apart."""
        found = []
        for at, word in enumerate(self.flags):
            for option in options:
                if word == option and at + 1 < len(self.flags):
                    found.append(self.flags[at + 1])
                elif word.startswith(option) and word != option and not option.startswith("--") and len(option) == 2:
                    found.append(word[len(option):])
        return tuple(found)

    @property
    def include(self) -> tuple[str, ...]:
        """Header folders, in order."""
        return self.part("-I", "-isystem", "-iquote", "-idirafter")

    @property
    def defines(self) -> tuple[str, ...]:
        """Defined names, "NAME" or "NAME=VALUE"."""
        return self.part("-D")

    @property
    def forced(self) -> tuple[str, ...]:
        """Headers included before the source."""
        return self.part("-include", "-imacros")


def read(path: Path) -> list[Entry]:
    """All entries of a compile_commands.json, in its order.

    Errors: SourceMissing if the file is not there or is not such a list; UnknownFlag for quotes that do not
            close or a file of flags that cannot be read.
    """
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise SourceMissing(
            f"{path.name} is not there", str(path), error.strerror or str(error),
            "name the file that your build system writes, as compile_commands=\"build/compile_commands.json\" "
            "(CMake: -DCMAKE_EXPORT_COMPILE_COMMANDS=ON; make: run it under a tool that records compiles)",
        ) from error
    except ValueError as error:
        raise _unfit(path, f"it is not JSON: {error}") from error
    if not isinstance(data, list):
        raise _unfit(path, "its top level is not a list")
    return [_entry(path, number, item) for number, item in enumerate(data, 1)]


def _entry(path: Path, number: int, item: Any) -> Entry:
    if not isinstance(item, dict) or not isinstance(item.get("file"), str):
        raise _unfit(path, f"entry {number} names no file")
    given = item.get("arguments", item.get("command"))
    words = isinstance(given, list) and all(isinstance(word, str) for word in given)
    if not (words or isinstance(given, str)) or not given:
        raise _unfit(path, f"entry {number} ({item['file']}) has neither 'arguments' nor 'command'")
    folder = Path(os.path.abspath(path.parent / str(item.get("directory", "."))))
    source = Path(os.path.realpath(folder / item["file"]))
    listed = words_of(given, folder)[1:]
    kept: list[str] = []
    skip = False
    for word in listed:
        if skip or word in _ALONE:
            skip = False
            continue
        if word == "-o":
            skip = True
            continue
        # The file itself may be spelt in another way than under "file".
        if not word.startswith("-") and Path(os.path.realpath(folder / word)) == source:
            continue
        kept.append(word)
    return Entry(source, folder, absolute_words(kept, folder))


def flags_for(path: Path, sources: Sequence[Path]) -> dict[Path, tuple[str, ...]]:
    """The flags of each of the sources. Headers, which are not compiled alone, take those of a source beside them.

    Shape:  sources absolute.
    Errors: SourceMissing, naming every source without an entry, or one with two different ones.
    """
    entries = read(path)
    found: dict[Path, tuple[str, ...]] = {}
    absent = []
    for source in sources:
        if source.suffix in _HEADERS or source.name.startswith(_OURS):
            continue
        real = Path(os.path.realpath(source))
        ways = dict.fromkeys(entry.flags for entry in entries if entry.source == real)
        if len(ways) > 1:
            first, second = list(ways)[:2]
            differ = [w for w in (*first, *second) if (w in first) != (w in second)]
            raise SourceMissing(
                f"{source.name} is compiled in {len(ways)} ways", str(path),
                f"its entries differ: {' '.join(differ[:6]) or 'in the order of their flags'}",
                "keep the entry of the firmware that you flash, or give flags=... instead",
            )
        if not ways:
            absent.append(source)
        else:
            found[source] = next(iter(ways))
    if absent:
        near = difflib.get_close_matches(absent[0].name, [entry.source.name for entry in entries], 3, 0.6)
        there = [str(entry.source) for entry in entries if entry.source.name in near]
        raise SourceMissing(
            f"no entry for {', '.join(source.name for source in absent)}", str(path),
            f"none of its {len(entries)} entries compiles "
            + (str(absent[0]) if len(absent) == 1 else "these files"),
            (f"did you mean {', '.join(there[:3])}? Else " if there else "")
            + "let your build system write the file anew, or give flags=... and include=[...] instead",
        )
    for source in sources:
        if source.suffix in _HEADERS:
            found[source] = _beside(path, source, found, entries)
    return found


def _beside(
    path: Path, header: Path, found: dict[Path, tuple[str, ...]], entries: Sequence[Entry]
) -> tuple[str, ...]:
    cpp = header.suffix in _CPP
    known = {**found, **{entry.source: entry.flags for entry in entries}}
    alike = [s for s in known if (s.suffix in _CPP) == cpp or not cpp]
    if not alike:
        raise SourceMissing(
            f"no entry for {header.name}", str(path), "no source that could include it is compiled there",
            "give flags=... and include=[...] instead",
        )
    folder = Path(os.path.realpath(header)).parent
    # Same language first, then the sheet's own sources, then the nearest folder.
    best = min(alike, key=lambda s: ((s.suffix in _CPP) != cpp, s not in found, s.stem != header.stem,
                                     len(Path(os.path.relpath(s.parent, folder)).parts)))
    return known[best]


def _unfit(path: Path, why: str) -> SourceMissing:
    return SourceMissing(
        f"{path.name} is no compilation database", str(path), why,
        'it holds a list of objects with "directory", "file" and "arguments" or "command"',
    )
