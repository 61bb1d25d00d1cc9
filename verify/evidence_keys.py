"""What evidence is about, by content: the library that a routine runs in, and all else that could change what it says."""

from __future__ import annotations

import functools
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from firmware_shim.board_places import LOOPS
from firmware_shim.build import Built
from firmware_shim.build_inputs import hash_of
from firmware_shim.loaded_sections import Place, loaded

WHOLE = ""


def build_keys(builts: Mapping[str, Built], routine: str = WHOLE) -> tuple[dict[str, str], dict[str, tuple[Place, ...]]]:
    """(what each build's evidence of a routine is about, where the strict build keeps lines), by name of the build.

    The strict build's own lines are left out only where the host build of the same text is at hand: there
    every loaded byte counts, so that a line number which the author's code uses is never left out.
    """
    keys: dict[str, str] = {}
    places: dict[str, tuple[Place, ...]] = {}
    host = builts.get("host")
    host_part = loaded(host.library_of(routine)) if host is not None else None
    for name, built in builts.items():
        masked = name == "strict" and host_part is not None
        library = built.library_of(routine)
        part = host_part if built is host else loaded(library, built.source_hashes if masked else ())
        if part is None:
            keys[name] = f"{built.key} {hash_of(library)}"
            continue
        both = host_part.key if host_part is not None and masked else ""
        if library.with_name(LOOPS).exists():  # what runs beside a finished image
            beside = loaded(library.with_name(LOOPS))
            both += beside.key if beside is not None else built.key
        keys[name] = f"{part.key} {both} {built.compiler.version} {' '.join(built.kept_flags)}"
        places[name] = part.places
    return keys, places


class Keys:
    """Keys of the routines of a check. shared: what changes the evidence of all of them."""

    def __init__(self, builts: Mapping[str, Built], shared: list[Any]) -> None:
        self.builts, self.shared = builts, shared
        self.of = functools.cache(functools.partial(build_keys, builts))
        self.libraries = {str(built.library_of(routine)): (name, routine)
                          for name, built in builts.items() for routine in (WHOLE, *built.parts)}

    def about(self, build: str, routine: str) -> str:
        """What is run: one routine in one build."""
        return self.of(routine)[0][build]

    def places(self, build: str, routine: str) -> tuple[Place, ...]:
        """Where the library of one routine keeps lines of the text."""
        return self.of(routine)[1].get(build, ())

    def surroundings(self, routine: str) -> str:
        """All else: what is shared, and the same routine in the other builds, with which some claims compare."""
        return repr([*self.shared, sorted(self.of(routine)[0].items())])

    def both(self, routine: str) -> tuple[dict[str, str], str]:
        """(what is run, by build; all else)."""
        return self.of(routine)[0], self.surroundings(routine)

    def contents(self, paths: Iterable[str]) -> dict[str, str]:
        """What libraries hold that results are compared with, by path: such evidence is about that, not about the path."""
        found = {}
        for path in paths:
            if path in self.libraries:
                found[path] = self.about(*self.libraries[path])
            elif path:
                part = loaded(Path(path))
                found[path] = part.key if part is not None else path
        return found
