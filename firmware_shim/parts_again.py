"""A routine's library of an earlier build, taken again where all that the linker took into it is as it was.

What a linker takes is its own list, from the time it made the library: all else of the objects may have changed in
content, but not in its headers and symbols. Lines of such a library have moved, though: its debug information comes
from a link of the present objects, made when somebody asks for it. One library of each build is linked anew by chance
and compared.
"""

from __future__ import annotations

import contextlib
import functools
import json
import os
import random
import re
import shutil
import struct
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from firmware_shim.build_inputs import hash_of
from firmware_shim.compiler import Ran, run
from firmware_shim.engine import OwnPartFailed
from firmware_shim.loads import Loads
from firmware_shim.object_files import ObjectFile

LIST = "parts.json"
TELLS = "-Wl,--print-gc-sections"
_TOLD = re.compile(r"removing unused section '(.*)' in file '(.*)'")
_NO_OBJECT = (ValueError, struct.error, IndexError, KeyError)
_MOST_LOOKED_AT = 4


@dataclass(frozen=True)
class Earlier:
    """A finished build of the same request: its folder, and what its manifest says."""

    home: Path
    manifest: Mapping[str, Any]

    @functools.cached_property
    def parts(self) -> dict[str, Any]:
        """What is known of its parts, by file; none where that cannot be read."""
        try:
            found: dict[str, Any] = json.loads((self.home / LIST).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return {}
        return found


@dataclass
class Shelf:
    """The present objects beside earlier builds. known: what is kept of each part of this build, by file."""

    work: Path
    earlier: Sequence[Earlier]
    known: dict[str, Any] = field(default_factory=dict)
    again: dict[str, Path] = field(default_factory=dict)
    hashes: dict[tuple[str, tuple[str, ...]], str] = field(default_factory=dict)

    @functools.cached_property
    def objects(self) -> dict[str, ObjectFile] | None:
        """Every object of the build by name; None where one is not understood: then all is linked."""
        try:
            return {path.name: ObjectFile(path.read_bytes()) for path in sorted(self.work.glob("*.o"))}
        except (OSError, *_NO_OBJECT):
            return None

    @functools.cached_property
    def fitting(self) -> list[Earlier]:
        """Earlier builds that were linked with the same files of the system."""
        found = self.earlier[:_MOST_LOOKED_AT] if self.objects is not None else []
        return [one for one in found if all(
            hash_of(Path(path)) == known for path, known in one.manifest.get("linked", {}).items())]

    def about(self, gone: Mapping[str, Sequence[str]]) -> str:
        """What of the present objects a link depends on that leaves these sections out; "" where that is not known."""
        try:
            return repr([(name, self._hashed(name, tuple(gone.get(name, ())))) for name in self.objects or {}])
        except _NO_OBJECT:
            return ""

    def _hashed(self, name: str, gone: tuple[str, ...]) -> str:
        if (name, gone) not in self.hashes:
            assert self.objects is not None
            self.hashes[name, gone] = self.objects[name].without(gone)
        return self.hashes[name, gone]

    def note(self, file: str, ran: Ran) -> None:
        """Keep what the linker said of a part."""
        if self.objects is None:
            return
        gone: dict[str, list[str]] = {}
        for section, name in _TOLD.findall(ran.err):
            gone.setdefault(name, []).append(section)
        about = self.about(gone)
        if about:
            self.known[file] = {"gone": {name: gone[name] for name in gone if name in self.objects}, "about": about,
                                "command": list(ran.command)}

    def take(self, file: str) -> bool:
        """Whether an earlier build's part was taken."""
        for one in self.fitting:
            known = one.parts.get(file)
            if known is None or self.about(known["gone"]) != known["about"]:
                continue
            with contextlib.suppress(OSError):
                for path in (one.home / file, *one.home.glob(f"{Path(file).stem}.entries"),
                             *one.home.glob(f"facts-{Path(file).stem}-*.json")):
                    shutil.copy(path, self.work / path.name)
                self.known[file], self.again[file] = known, one.home / file
                with contextlib.suppress(OSError):
                    Loads(str(one.home / file)).carry_to(str(self.work / file))
                return True
        return False

    def one_by_chance(self) -> list[str]:
        """A part taken, to be linked anew; none where none was."""
        return [random.choice(sorted(self.again))] if self.again else []

    def made_again(self, file: str, link: Callable[[str], bool]) -> bool:
        """Link a part that was taken; the new one stays. link: makes the part of a file, and notes it.

        Errors: OwnPartFailed where what is loaded differs.
        """
        taken = (self.work / file).read_bytes()
        del self.again[file]
        (self.work / file).unlink()  # so no note is about it
        if not link(file) or not same_when_loaded(taken, (self.work / file).read_bytes()):
            raise OwnPartFailed(
                "a library of an earlier build and a new link of it differ", file,
                "nothing that the linker takes into it seemed to have changed",
                "run preflash forget, then again, and report this: the rule by which libraries are taken again is unsound")
        return True

    def write(self) -> None:
        """Keep all that is known beside the build."""
        (self.work / LIST).write_text(json.dumps(self.known), encoding="utf-8")


def same_when_loaded(one: bytes, other: bytes) -> bool:
    """Whether two libraries are the same but for debug information and names."""
    try:
        return ObjectFile(one).loaded() == ObjectFile(other).loaded()
    except _NO_OBJECT:
        return one == other


@functools.lru_cache(maxsize=64)
def with_lines(library: Path) -> Path | None:
    """The file that holds debug information of the present text for a library: itself, or for one of an earlier build a
    link of the present objects; None where that cannot be made.

    Errors: OwnPartFailed where it would load otherwise.
    """
    try:
        manifest = json.loads(library.with_name("manifest.json").read_text(encoding="utf-8"))
        if library.name not in manifest.get("again", {}):
            return library
        command = json.loads(library.with_name(LIST).read_text(encoding="utf-8"))[library.name]["command"]
    except (OSError, ValueError, KeyError):
        return library
    made = library.with_name(f"lines_of_{library.name}")
    if made.exists():
        return made
    scratch = library.with_name(f".{made.name}.{os.getpid()}")
    try:
        ran = run([scratch.name if word == library.name else word for word in command], folder=library.parent)
        if ran.code != 0:
            return None
        if not same_when_loaded(scratch.read_bytes(), library.read_bytes()):
            raise OwnPartFailed("a library of an earlier build and a new link of it differ", str(library),
                                "its lines cannot be told", "run preflash forget, then again, and report this")
        os.replace(scratch, made)
        return made
    except OSError:
        return None
    finally:
        scratch.unlink(missing_ok=True)
