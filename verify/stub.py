"""preflash stub: stand-ins for headers and names that are not on this computer, until the sources build.

Writes into one folder, overwrites nothing, and says what it guessed and what is left.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from firmware_shim.build import Request, build
from firmware_shim.compile_messages import core_names
from firmware_shim.errors import CompileFailed
from firmware_shim.source_names import SOURCES
from verify.stub_guesses import Guesses
from verify.stub_names import FOLDER, GUESSES, UNDEFINED

ROUNDS = 40
MOST_FILES = 500
_HEAD = "/* Stand-ins for what is not on this computer. Every guess is marked: put the real thing where it matters. */"
_HEADS = {
    GUESSES: f"{_HEAD}\n#pragma once\n#include <stdint.h>\n#include <core_intrinsics.h>\n",
    # 0 in the register of whole numbers and in that of real ones: the prototype is not known here.
    UNDEFINED: f"{_HEAD}\nstruct guess_zero {{ long whole; double real; }};\n#ifdef __aarch64__\n#define GUESS_ZERO "
               "struct guess_zero z = {0, 0}; __asm__ volatile (\"fmov d0, xzr\"); return z;\n#else\n#define GUESS_ZERO "
               "struct guess_zero z = {0, 0}; return z;\n#endif\n",
}


@dataclass
class Stubs:
    """What was done: files written, names guessed (name -> C text), what the author must still do."""

    folder: Path
    written: list[Path] = field(default_factory=list)
    guesses: dict[str, str] = field(default_factory=dict)
    left: list[str] = field(default_factory=list)
    builds: bool = False
    problem: CompileFailed | None = None
    forced: bool = False
    needed: bool = False
    undefined: dict[str, str] = field(default_factory=dict)
    kept: dict[str, str] = field(default_factory=dict)


def make_stubs(request: Request, base: Path, cache: Path) -> Stubs:
    """Build, learn what is missing, write it, until the sources build or nothing more can be guessed.

    Errors: ShimErrors other than CompileFailed pass through (a source that is not there, an unknown flag).
    """
    stubs = Stubs(base / FOLDER)
    # A sheet may name the folder before it is there.
    named = [f for f in request.include if ((request.folder or base) / f).resolve() != stubs.folder.resolve()]
    request = replace(request, include=tuple(named))
    names = Guesses()
    for _ in range(ROUNDS):
        there = stubs.folder.is_dir()
        includes = (*request.include, stubs.folder) if there else request.include
        forced = (stubs.folder / GUESSES,) if stubs.forced else ()
        more = (stubs.folder / UNDEFINED,) if (stubs.folder / UNDEFINED).exists() else ()
        try:
            build(replace(request, include=includes, routines=(), headers=(*request.headers, *forced),
                          sources=(*request.sources, *more), own_flags=_with(request, more)), cache)
            stubs.builds, stubs.problem = True, None
            break
        except CompileFailed as failure:
            problem = stubs.problem = failure
        sources = _texts(request)
        if _headers(stubs, problem.missing_headers, request):
            continue
        if problem.missing_headers:
            break
        if not names.learn(problem.log, sources, core_names()):
            # Known, yet still not seen: no stub header is included where the name is used.
            if stubs.forced or not (stubs.folder / GUESSES).exists():
                break
            stubs.forced = True
            continue
        stubs.guesses = _add(stubs, GUESSES, names.lines())
        elsewhere = _defined_elsewhere(names.undefined, request, base)
        if elsewhere:
            stubs.left += [f"{file} defines {name}: add it to the sources" for name, file in elsewhere.items()]
            break
        stubs.undefined = _add(stubs, UNDEFINED, names.undefined_lines())
    stubs.needed = stubs.folder.is_dir()
    if stubs.problem is not None and not stubs.left:
        stubs.left.append(f"{stubs.problem.where}: {stubs.problem.why}")
    return stubs


def _texts(request: Request) -> str:
    base = request.folder or Path.cwd()
    found = []
    for source in request.sources:
        path = (base / source).resolve()
        beside = [p for p in path.parent.glob("*.h*") if p.is_file()]
        found += [p.read_text(errors="replace") for p in (path, *beside)]
    for folder in request.include:
        found += [p.read_text(errors="replace") for p in sorted((base / folder).glob("*.h*"))[:100]]
    return "\n".join(found)


def _headers(stubs: Stubs, missing: Sequence[str], request: Request) -> bool:
    """Write an empty stand-in for each missing header; True if at least one was written."""
    done = False
    for name in missing:
        path = stubs.folder / name
        if name.startswith("/") or ".." in Path(name).parts:
            note = (f'#include "{name}" leads out of the folder of stand-ins: put a file there, or name its folder '
                    "in include=[...]")
            if note not in stubs.left:
                stubs.left.append(note)
            continue
        if path.exists():
            continue
        path.parent.mkdir(parents=True, exist_ok=True)
        up = "../" * (len(Path(name).parts) - 1)
        path.write_text(f"/* Stand-in for {name}. */\n#include \"{up}{GUESSES}\"\n", encoding="utf-8")
        stubs.written.append(path)
        if not (stubs.folder / GUESSES).exists():
            _add(stubs, GUESSES, {})
        done = True
    return done


def _with(request: Request, more: Sequence[Path]) -> tuple[tuple[Path, str], ...]:
    return (*request.own_flags, *((path, "-O1") for path in more)) if request.own_flags else ()


def _defined_elsewhere(names: Iterable[str], request: Request, base: Path) -> dict[str, str]:
    """Undefined names that another source under the same folder defines: that source is what is missing."""
    listed = {((request.folder or Path.cwd()) / source).resolve() for source in request.sources}
    plain = [name for name in names if re.fullmatch(r"[A-Za-z]\w*", name)]
    found: dict[str, str] = {}
    for path in sorted(base.rglob("*.c*"))[:MOST_FILES] if plain else ():
        if path.suffix not in SOURCES or path.resolve() in listed or FOLDER in path.parts:
            continue
        text = path.read_text(errors="replace")
        for name in plain:
            if re.search(rf"^[\w][\w\s*]*\b{name}\s*\([^;{{}}]*\)\s*\{{", text, re.M):
                found.setdefault(name, str(path.relative_to(base)))
    return found


def _names_there(text: str) -> set[str]:
    """Names that an earlier run, or the author, already gave: they stay as they are."""
    defined = (r"#define (\w+)|typedef [^;{]*?(\w+);|\} (\w+);|(\w+)\((?:\.\.\.)?\) \{|#include <([\w.]+)>"
               r"|/\* guess: (\S+) \*/")
    return {name for found in re.findall(defined, text) for name in found if name}


def _add(stubs: Stubs, file: str, lines: dict[str, str]) -> dict[str, str]:
    """Write guesses; the lines of an earlier run, which the author may have changed, stay. What is new is returned."""
    path = stubs.folder / file
    kept = stubs.kept.setdefault(file, path.read_text(encoding="utf-8") if path.exists() else "")
    new = {name: text for name, text in lines.items() if name not in _names_there(kept)}
    if (not new and path.exists()) or (not lines and file != GUESSES):
        return new
    path.parent.mkdir(parents=True, exist_ok=True)
    own = "\n".join(["", *new.values(), ""]) if new else ""
    path.write_text((kept or _HEADS[file]) + own, encoding="utf-8")
    if path not in stubs.written:
        stubs.written.append(path)
    return new


def stub_lines(stubs: Stubs, base: Path) -> list[str]:
    """What to print."""
    out = []

    def shown(path: Path) -> str:
        return str(path.relative_to(base)) if path.is_relative_to(base) else str(path)

    out += [f"wrote  {shown(path)}" for path in stubs.written]
    ready = {name: text for name, text in stubs.guesses.items() if not text.startswith("#include")}
    values = [name for name, text in ready.items() if text.startswith("#define") and text.count("\n") == 0]
    functions = [name for name, text in ready.items() if "does nothing" in text]
    rest = [name for name in ready if name not in values and name not in functions]
    if values:
        out.append(f"guess  value 0: {', '.join(values)}: give the real values where a checked routine uses them")
    if functions:
        out.append(f"guess  does nothing, gives 0: {', '.join(functions)}")
    if rest:
        out.append(f"guess  types and registers: {', '.join(rest)}")
    if ready:
        out.append(f"       all in {shown(stubs.folder / GUESSES)}; lines you change there are kept")
    if stubs.undefined:
        out.append(f"guess  declared but nowhere defined, gives 0: {', '.join(stubs.undefined)}")
    if stubs.builds and not stubs.written and not ready:
        out.append("nothing is missing: the sources build" + (" with the stubs that are there" if stubs.needed else ""))
    elif stubs.builds:
        out.append("the sources build now")
    if stubs.needed:
        out.append(f'in the sheet: include=["{FOLDER}"]'
                   + (f', headers=["{FOLDER}/{GUESSES}"]' if stubs.forced else "")
                   + (f', and "{FOLDER}/{UNDEFINED}" among the sources' if (stubs.folder / UNDEFINED).exists() else ""))
    if not stubs.builds:
        out.append("left for you, before it builds:")
        out += [f"  {line}" for line in stubs.left]
        if len(stubs.left) == 1 and stubs.problem is not None:
            out.append(f"  {stubs.problem.todo}")
    return out
