"""Objects become one library with all routines, and one for each routine with nothing but what it reaches.

A routine runs in the library of its own. What it says rests on the bytes of that library and on nothing of its
neighbours: not even an access beside a table meets any. What is reached the linker finds, who knows every way in which
code and data may refer to each other; constructors, and whatever they reach, are in each of them.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from firmware_shim import chain_source, compile_messages, loop_source, machine_source
from firmware_shim.compiler import Ran, run
from firmware_shim.errors import CompileFailed
from firmware_shim.parts_again import TELLS, Earlier, Shelf

if TYPE_CHECKING:
    from firmware_shim.build import Request, _Plan

WHOLE = "library.so"
MAPPED = "/preflash"  # the temporary folder, in the library: one request gives the same bytes each time
# Symbolic: an author's function named like one of the C library's stays the author's.
_LINK = ("-Wl,-z,now", "-Wl,-z,defs", "-Wl,-Bsymbolic")
_VARIABLES = Path(__file__).parent / "runtime" / "globals.ld"
RECORDER = ("pf_recorder_attach", "pf_recorder_paint")
# What these find by name, or in a list of all that is there, no linker sees: any unit whose names end so.
_BY_NAME = (b"dlopen\0", b"dlsym\0", b"dlvsym\0", b"dlmopen\0", b"dladdr\0", b"dl_iterate_phdr\0")


@dataclass(frozen=True)
class Part:
    """One routine's library: its file, and the symbols by which it is entered."""

    file: str
    symbols: tuple[str, ...]


Link = Callable[["_Plan", Path, Sequence[str], Part | None], Ran]


def parts_of(request: Request) -> dict[str, Part]:
    """The libraries of a request's routines, by name; none where there is one, or one program of all."""
    if not request.apart or request.variant == "narrow" or request.image is not None:
        return {}
    rendered = {chain.name for chain in request.chains if chain.rendered}
    found = {}
    for name in request.all_loops():
        found[name] = [loop_source.loop_symbol(name), *([chain_source.render_symbol(name)] if name in rendered else [])]
    for machine in request.machines:
        found[machine.name] = list(machine_source.symbols(machine.name))
    if len(found) < 2:
        return {}
    whole = {name: [*symbols, *(symbol for one, other in request.together if one == name for symbol in found[other])]
             for name, symbols in found.items()}
    return {name: Part(f"part{number}.so", tuple(dict.fromkeys(symbols)))
            for number, (name, symbols) in enumerate(whole.items())}


@dataclass(frozen=True)
class Linked:
    """said: what the linker said of the whole; apart: the file of each routine's part; again: those of earlier builds."""

    said: Ran
    apart: dict[str, str]
    again: dict[str, str]


def link_all(plan: _Plan, work: Path, objects: Sequence[str], link: Link, earlier: Sequence[Earlier] = ()) -> Linked:
    """Link the whole, then each part that no earlier build holds as it would be now.

    A part that does not link by itself is left out: its routine runs in the whole library.

    Errors: CompileFailed when the whole does not link.
    """
    linked = link(plan, work, objects, None)
    parts = parts_of(plan.request)
    texts = [(work / name).read_bytes() for name in objects if parts and name.startswith("unit")]
    if not parts or any(name in text for text in texts for name in _BY_NAME):
        return Linked(linked, {}, {})
    shelf = Shelf(work, earlier)
    files = {part.file: part for part in parts.values()}

    def made(file: str) -> bool:
        try:
            ran = link(plan, work, objects, files[file])
        except CompileFailed:
            return False
        shelf.note(file, ran)
        return ran.code == 0

    from concurrent.futures import ThreadPoolExecutor  # its import costs more than a warm build

    left = [file for file in files if not shelf.take(file)]
    compared = shelf.one_by_chance()
    with ThreadPoolExecutor(max(1, min(len(parts), os.cpu_count() or 1))) as pool:
        again = [pool.submit(shelf.made_again, file, made) for file in compared]
        done = dict(zip(left, pool.map(made, left), strict=True))
        for one in again:
            one.result()
    shelf.write()
    apart = {name: part.file for name, part in parts.items() if done.get(part.file, True)}
    return Linked(linked, apart, {file: str(path) for file, path in shelf.again.items()})


def link_shared(plan: _Plan, work: Path, objects: Sequence[str], part: Part | None) -> Ran:
    """A shared library for this computer. Errors: CompileFailed."""
    # None of the author's flags here: with -ffast-math the compiler would add a start-up object that
    # turns subnormals to zero in the whole process.
    # No unit is for link-time optimisation: the linker is quicker by a fifth where it need not ask.
    command = [*plan.compiler.command, "-fno-lto", "-shared", "-o", part.file if part else WHOLE, *objects, *_LINK]
    if plan.request.variant == "strict" and plan.compiler.family == "gcc":
        if part is None:
            (work / _VARIABLES.name).write_bytes(_VARIABLES.read_bytes())
        command.append(f"-Wl,-T,{_VARIABLES.name}")
    if part is not None:
        entries = (work / part.file).with_suffix(".entries")
        entries.write_text(f"{{ global: {' '.join(f'{name};' for name in (*part.symbols, *RECORDER))} local: *; }};\n")
        command += ["-Wl,--gc-sections", TELLS, f"-Wl,--version-script={entries.name}"]
    if any(plan.language(s) == "c++" for s in plan.sources):
        command.append("-lstdc++")
    ran = run([*command, "-lm", "-ldl"], folder=work)
    if ran.code != 0:
        failure = compile_messages.link_failure(ran, plan.sources, MAPPED)
        raise machine_source.failed_machine(failure, plan.request.machines)
    return ran
