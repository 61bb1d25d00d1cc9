"""From what compiler and linker print to the first error, its place and all that is missing."""

from __future__ import annotations

import functools
import os
import re
import tempfile
from collections.abc import Sequence
from pathlib import Path

from firmware_shim.compiler import TIME_LIMIT_SECONDS, Compiler, Ran, run
from firmware_shim.errors import CompileFailed

_FULL = "No space left on device"
_FILE_LINE = r"^(?P<file>[^\s:][^:\n]*):(?P<line>\d+):"
_ERROR = re.compile(_FILE_LINE + r"(?:(?P<column>\d+):)? (?:fatal )?error: (?P<text>.*)$", re.M)
_ASSEMBLER = re.compile(_FILE_LINE + r" Error: (?P<text>.*)$", re.M)
_PLAIN = re.compile(r"^.*?(?:error|Error): (?P<text>.*)$", re.M)
_HEADER = re.compile(
    r"error: (?:'(?P<quoted>[^']+)' file not found|(?P<plain>\S.*?): No such file or directory)"
)
_UNKNOWN_NAME = re.compile(
    r"(?:implicit declaration of function|call to undeclared \w+|use of undeclared \w+|unknown type name|error:) "
    r"'(?P<name>\w+)'(?! file)(?: (?:was not declared|undeclared|does not name|has not been declared|is invalid in))?"
)
# What assembly meant for the board looks like to a compiler for this computer.
_BOARD_ASSEMBLY = re.compile(r" Error: |impossible constraint in 'asm'|unknown register name|in asm")
_UNDEFINED = re.compile(
    r"^(?:\S*ld(?:\.\w+)?: )?(?:(?P<file>/[^:\n]*):(?P<line>\d+): |.*?)"
    r"undefined reference to [`'](?P<name>[^']+)'",
    re.M,
)
_UNDEFINED_LLD = re.compile(
    r"undefined (?:hidden )?symbol: (?P<name>\S+)(?:\n>>> referenced by (?P<file>\S+?):(?P<line>\d+))?"
)
_TWICE = re.compile(r"multiple definition of [`'](?P<name>[^']+)'|duplicate symbol: (?P<other>\S+)")


def compile_failure(source: Path, ran: Ran, missing: tuple[str, ...] = ()) -> CompileFailed:
    """The error to raise for a compile that failed; ``missing`` are headers found missing elsewhere."""
    if ran.timed_out:
        return CompileFailed(
            f"{source.name} took longer than {TIME_LIMIT_SECONDS:.0f} s to compile",
            str(source),
            "the compiler was stopped",
            "look for a macro or an include that never ends",
            file=str(source),
            log=ran.err,
        )
    if _FULL in ran.err:
        return CompileFailed("the disk is full", tempfile.gettempdir(), _FULL, "free space there, then run again",
                             file=str(source), log=ran.err)
    found = _ERROR.search(ran.err) or _ASSEMBLER.search(ran.err)
    if found is None:
        plain = _PLAIN.search(ran.err)
        text = plain.group("text") if plain else ran.err.strip() or f"compiler's exit code {ran.code}"
        file, line, column = str(source), 0, 0
    else:
        file, line, text = found["file"], int(found["line"]), found["text"]
        column = int(found.groupdict().get("column") or 0)
        if file.endswith((".s", ".S")) and not Path(file).exists():
            file, line = str(source), 0
    if found is not None and found.re is _ASSEMBLER:
        text = f"the host's assembler does not know this instruction: {text}"
    place = ":".join([file, *(str(n) for n in (line, column) if n)])
    todo = "correct the line, then run again"
    why = text
    if missing:
        shown = ", ".join(missing)
        why = f"{text} (missing headers: {shown})"
        todo = "name the folders that hold them (include=[...]), or put empty files of these names beside the source"
        if not any("." in name for name in missing):
            todo = ("these are headers of the C++ library: install it for this compiler (Debian, Ubuntu: apt install g++, "
                    "for the board libstdc++-arm-none-eabi-newlib)")
    return CompileFailed(
        f"{source.name} does not compile on the host",
        place,
        why,
        todo,
        file=file,
        line=line,
        column=column,
        text=text,
        missing_headers=missing,
        log=ran.err,
    )


def link_failure(ran: Ran, sources: Sequence[Path], mapped: str) -> CompileFailed:
    """The error to raise for a link that failed: the symbol, and where it is used if known.

    ``mapped`` is the folder of the generated units as the linker knows it.
    """
    if _FULL in ran.err:
        return CompileFailed("the disk is full", tempfile.gettempdir(), _FULL, "free space there, then run again",
                             log=ran.err)
    names = ", ".join(s.name for s in sources)
    undefined = _UNDEFINED.search(ran.err) or _UNDEFINED_LLD.search(ran.err)
    if undefined is not None:
        every = dict.fromkeys(m["name"] for m in _UNDEFINED.finditer(ran.err))
        every.update(dict.fromkeys(m["name"] for m in _UNDEFINED_LLD.finditer(ran.err)))
        symbol = undefined["name"]
        file, line = undefined["file"] or "", int(undefined["line"] or 0)
        unit = re.fullmatch(re.escape(mapped) + r"/unit(\d+)\.\w+", file)
        if unit is not None:
            # Some linkers name the unit in place of the file it includes; the line is the file's own.
            file = str(sources[int(unit.group(1))])
        elif file and not os.path.isabs(file):
            file = next((str(s) for s in sources if s.name == file), file)
        others = [name for name in every if name != symbol]
        also = f"; also undefined: {', '.join(others)}" if others else ""
        return CompileFailed(
            f"'{symbol}' is used but none of the sources defines it",
            f"{file}:{line}" if file else names,
            f"undefined reference to '{symbol}'{also}",
            "add the source that defines it, or define it in a small file for the host",
            file=file,
            line=line,
            text=f"undefined reference to '{symbol}'",
            symbol=symbol,
            log=ran.err,
        )
    twice = _TWICE.search(ran.err)
    if twice is not None:
        symbol = twice["name"] or twice["other"]
        return CompileFailed(
            f"'{symbol}' is defined in more than one source",
            names,
            f"multiple definition of '{symbol}'",
            "name each source once, and let headers declare variables with extern",
            text=f"multiple definition of '{symbol}'",
            symbol=symbol,
            log=ran.err,
        )
    lines = [line for line in ran.err.splitlines() if line.strip()]
    first = next((line for line in lines if "error" in line.lower()), lines[0] if lines else "no message")
    return CompileFailed(
        "the sources do not link on the host", names, first, "see the whole log, in the record under blocked_builds",
        text=first, log=ran.err,
    )


def missing_headers(
    compiler: Compiler, command: Sequence[str], unit: Path, folder: Path, log: str
) -> list[str]:
    """Names of all headers that a unit includes and that are not found, in order.

    The compiler stops at the first; its dependency mode treats a missing header as one to be generated
    and goes on. Headers that only a missing header would have included cannot be known.
    """
    first = _HEADER.search(log)
    if first is None:
        return []
    names = [first["quoted"] or first["plain"]]
    ran = run([*compiler.command, *command, "-M", "-MG", str(unit)], folder=folder)
    for name in rule_files(ran.out):
        if not os.path.exists(folder / name) and name not in names:
            names.append(name)
    return names


@functools.cache
def core_names() -> frozenset[str]:
    """The upper-case core intrinsics and the words of the standard core headers that this package provides."""
    folder = Path(__file__).parent / "runtime" / "intrinsics"
    text = (folder / "core_intrinsics.h").read_text() + (folder / "core_words.h").read_text()
    names = set(re.findall(r"^PF_FN \w+ (__\w+)\(", text, re.M)) | set(re.findall(r"^#define (__\w+)[( ]", text, re.M))
    lists = (folder / "intrinsics_simd.h").read_text()
    names |= {"__" + upper for upper in re.findall(r"LIST\(\w+, (\w+), \w+\)", lists)}
    return frozenset(names | {f"__{way}REX{size}" for way in ("LD", "ST") for size in "BHW"})


@functools.cache
def without_effect() -> frozenset[str]:
    """Core intrinsics that do nothing on a host: barriers, waits, interrupt masks."""
    folder = Path(__file__).parent / "runtime" / "intrinsics"
    text = "".join((folder / name).read_text() for name in ("core_intrinsics.h", "arm_acle.h"))
    return frozenset(re.findall(r"^PF_FN \w+ (__\w+)\([^{\n]*\{[^}\n]*pf_(?:barrier|wait|mask)\(", text, re.M))


def wants_core_names(log: str) -> bool:
    """Whether a compile met core intrinsics that nothing declares, or core headers written in the board's assembly."""
    return any(m["name"] in core_names() for m in _UNKNOWN_NAME.finditer(log)) or bool(_BOARD_ASSEMBLY.search(log))


def rule_files(text: str) -> list[str]:
    """The files that a make rule lists after its target."""
    joined = text.replace("\\\n", " ")
    _, _, files = joined.partition(": ")
    words = re.findall(r"(?:\\.|[^\s\\])+", files.split("\n\n")[0])
    return [re.sub(r"\\(.)", r"\1", w).replace("$$", "$") for w in words]
