"""Where the edits of a challenge are laid: copies of the sources, one edit at a time, built for this computer."""

from __future__ import annotations

import shlex
from dataclasses import dataclass, replace
from pathlib import Path

from firmware_shim.build import Built, Request, build
from firmware_shim.compiler import run
from firmware_shim.source_names import SOURCES
from verify.binding import request_for
from verify.errors import UsageError
from verify.mutants import Mutant
from verify.sheet import Sheet


@dataclass
class Bed:
    """Where mutants are laid: a copy of one source at a time, all else as it is."""

    sheet: Sheet
    folder: Path
    request: Request
    paths: dict[Path, Path]

    @classmethod
    def make(cls, sheet: Sheet, folder: Path) -> Bed:
        """Copies of the sources below a temporary folder."""
        base = sheet.file.parent
        sources = [(base / source).resolve() for source in sheet.sources]
        paths = {}
        for number, source in enumerate(sources):
            if source.suffix in SOURCES:
                paths[source] = folder / str(number) / source.name
                paths[source].parent.mkdir()
                paths[source].write_bytes(source.read_bytes())
        if not paths:
            raise UsageError("no source to challenge", where=sheet.file.name, why="the sheet names headers only",
                             todo="name the C or C++ files in sources")
        request = request_for(sheet, "host")
        # A copy finds the headers that lie beside its original where quotes look for them.
        quoted = [shlex.join(["-iquote", str(source.parent)]) for source in dict.fromkeys(s.parent / "x" for s in paths)]
        moved = {str(source): str(copy) for source, copy in paths.items()}
        own = tuple((Path(moved.get(str(source.resolve()), str(source))), flags) for source, flags in request.own_flags)
        # Nothing of a mutant is kept for later, so that libraries for each routine would serve nobody.
        request = replace(request, sources=tuple(Path(moved.get(str(s), str(s))) for s in sources), own_flags=own,
                          flags=" ".join([request.flags, *quoted]), apart=False, objects=True)
        return cls(sheet, folder, request, paths)

    def built(self, mutant: Mutant | None, original: bytes = b"", slot: int = 0, more: str = "") -> Built:
        """The host build of a mutant (None: of the untouched copies). slot: one folder per build under way; more: flags.

        Errors: ShimError when it does not compile.
        """
        cache = self.folder / "cache"
        request = replace(self.request, flags=f"{self.request.flags} {more}") if more else self.request
        if mutant is None:
            return build(request, cache)
        place = self.paths[mutant.source]
        copy = place.parent / f"slot{slot}" / place.name
        copy.parent.mkdir(exist_ok=True)
        copy.write_bytes(mutant.applied(original))
        sources = tuple(copy if s == place else s for s in request.sources)
        own = tuple((copy if s == place else s, flags) for s, flags in request.own_flags)
        return build(replace(request, sources=sources, own_flags=own), cache)

    def refused(self, built: Built, mutant: Mutant, original: bytes) -> str:
        """What the author's own build would say: an error that the sheet's -Werror... makes of a warning; "" for none.

        Such options are left out of all builds here, where they would change nothing.
        """
        warnings = [flag for flag, _ in built.dropped_flags if flag.startswith(("-W", "-pedantic"))]
        if not any(flag.startswith(("-Werror", "-pedantic-errors")) for flag in warnings):
            return ""
        place = self.paths[mutant.source]
        tried = place.parent / "refused" / place.name
        tried.parent.mkdir(exist_ok=True)
        folders = [f"-I{folder}" for folder in (mutant.source.parent, *self.request.include)]
        said = []
        for text in (original, mutant.applied(original)):
            tried.write_bytes(text)
            ran = run([*built.compiler.command, *built.kept_flags, *warnings, *folders, "-fsyntax-only", tried.name],
                      folder=tried.parent)
            said.append("" if ran.code == 0 else next((line for line in ran.err.splitlines() if "error:" in line), "error"))
        return "" if said[0] else said[1].partition("error: ")[2]
