"""The store of finished builds: keyed by content, written whole or not at all."""

from __future__ import annotations

import contextlib
import functools
import hashlib
import json
import os
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from firmware_shim import debug_info
from firmware_shim.board_places import LOOPS
from firmware_shim.build_inputs import (
    as_spelled,
    asked_for,
    flag_files,
    folders_of_flags,
    hash_of,
    searched_folders,
    shadows,
    takes_in,
)
from firmware_shim.compiler import Compiler, is_wrapper, programs_of, write_whole
from firmware_shim.debug_info import DebugInfo
from firmware_shim.errors import SourceMissing
from firmware_shim.parts_again import Earlier, with_lines

if TYPE_CHECKING:
    from firmware_shim.build import Request

FORMAT = 4
_REMEMBERED = 8
_ABANDONED_SECONDS = 3600.0
# Variables by which a compiler finds headers and its own parts, or changes its options.
_VARIABLES = ("CPATH", "C_INCLUDE_PATH", "CPLUS_INCLUDE_PATH", "GCC_EXEC_PREFIX", "COMPILER_PATH", "LIBRARY_PATH",
              "CCC_OVERRIDE_OPTIONS", "SOURCE_DATE_EPOCH")

# Of a wrapper's environment, what changes from one command to the next by itself.
_VOLATILE = ("PWD", "OLDPWD", "SHLVL", "_", "COLUMNS", "LINES", "PYTEST_CURRENT_TEST")

Manifest = dict[str, Any]


def folder(given: Path | None) -> Path:
    """The cache folder: as given, else under $XDG_CACHE_HOME, else under ~/.cache.

    By its real name, as lists of what a compiler read are: what is generated there would look like a source that changes.
    """
    if given is not None:
        return Path(given).resolve()
    base = os.environ.get("XDG_CACHE_HOME", "")
    return ((Path(base) if os.path.isabs(base) else Path.home() / ".cache") / "preflash").resolve()


@functools.cache
def _own_text(runtime: Path) -> str:
    """One hash over all of this package's own text: a changed tool builds anew, whichever part of it made the code."""
    digest = hashlib.sha256()
    own = Path(__file__).parent
    for path in sorted([*own.glob("*.py"), *runtime.rglob("*.[ch]"), *runtime.glob("*.ld")]):
        digest.update(path.read_bytes())
    return digest.hexdigest()


def environment_of_a_wrapper() -> list[tuple[str, str]]:
    """All variables that a script in the compiler's place could look at."""
    return sorted(item for item in os.environ.items() if item[0] not in _VOLATILE)


@dataclass(frozen=True)
class Identity:
    """All of a request that can be known without compiling; ``folders`` are searched for headers; ``base`` is its own."""

    key: str
    folders: tuple[str, ...]
    base: str


def around(compiler: Compiler) -> dict[str, Any]:
    """What a compiler's work depends on besides its command and what it reads."""
    return {
        "variables": {v: os.environ.get(v, "") for v in _VARIABLES},
        # A compiler finds its assembler and linker on the path; a wrapper may read any variable.
        "tools": programs_of(("as", "ld")),
        "environment": environment_of_a_wrapper() if is_wrapper(compiler.path) else [],
    }


def identity(request: Request, sources: tuple[Path, ...], compiler: Compiler, runtime: Path) -> Identity:
    """The identity of a request on this machine, with this compiler and this version of the tool."""
    base = (request.folder or Path.cwd()).absolute()
    folders = [as_spelled(os.path.join(base, f)) for f in request.include]
    folders += [str(s.parent) for s in sources]
    flags = " ".join([request.flags, *(words for _, words in request.own_flags)])
    data = {
        "flag_files": flag_files(flags, base),
        "format": FORMAT,
        "request": {k: str(v) if k != "folder" else "" for k, v in asdict(request).items()},
        "folder": str(base),
        "sources": [str(s) for s in sources],
        "compiler": compiler.identity,
        "own": _own_text(runtime),
        **around(compiler),
    }
    text = json.dumps(data, sort_keys=True)
    return Identity(hashlib.sha256(text.encode()).hexdigest(), tuple(dict.fromkeys(folders)), str(base))


def find(cache: Path, wanted: Identity) -> tuple[Manifest, Path] | None:
    """The build made from exactly these files, if there is one."""
    try:
        entries = json.loads((cache / "requests" / f"{wanted.key}.json").read_text())
    except (OSError, ValueError):
        return None
    hashes: dict[str, str] = {}
    for entry in entries:
        for path in entry["hashes"]:
            if path not in hashes:
                hashes[path] = hash_of(Path(path))
        if any(hashes[path] != expected for path, expected in entry["hashes"].items()):
            continue
        if shadows(list(entry["hashes"]), entry["folders"], entry["asked"]) != entry["shadows"]:
            continue
        home = cache / "builds" / entry["key"]
        manifest = _manifest(home)
        if manifest is not None:
            return manifest, home / "library.so"
    return None


def earlier(cache: Path, wanted: Identity) -> list[Earlier]:
    """Finished builds of the same request from other texts, the newest first."""
    try:
        entries = json.loads((cache / "requests" / f"{wanted.key}.json").read_text())
    except (OSError, ValueError):
        return []
    homes = [cache / "builds" / entry["key"] for entry in entries]
    return [Earlier(home, manifest) for home in homes if (manifest := _manifest(home)) is not None]


def _manifest(home: Path) -> Manifest | None:
    """What a finished build says about itself; None if it is not there or not whole."""
    try:
        manifest: Manifest = json.loads((home / "manifest.json").read_text())
    except (OSError, ValueError):
        return None
    sums: dict[str, str] = manifest.get("sums", {})
    # A supply that fails leaves files empty or cut.
    whole = manifest.get("format") == FORMAT and sums and all(hash_of(home / name) == known for name, known in sums.items())
    return manifest if whole else None


def _sums(folder: Path, manifest: Manifest) -> dict[str, str]:
    """File -> hash of all that will be loaded, or run."""
    names = ["library.so", LOOPS, *manifest.get("parts", {}).values(), *manifest.get("objects", ())]
    return {name: hash_of(folder / name) for name in dict.fromkeys(names) if (folder / name).exists()}


class Workshop:
    """A temporary folder next to the finished builds; ``keep`` moves it into its place."""

    def __init__(self, cache: Path, place: Path) -> None:
        self.cache, self.folder, self.started_ns = cache, place, time.time_ns()

    def keep(self, wanted: Identity, manifest: Manifest) -> tuple[Manifest, Path] | None:
        """Store the finished build under its key; None if a file changed while it was made."""
        hashes: dict[str, str] = {**manifest["hashes"], **manifest.get("linked", {})}
        for path, expected in hashes.items():
            try:
                status = os.stat(path)
            except OSError:
                return None
            # Saved (or put in its place) during the build, perhaps after it was read: the hash may be of other text.
            if max(status.st_mtime_ns, status.st_ctime_ns) > self.started_ns or not expected:
                return None
        generated = {p.name: hash_of(p) for p in sorted(self.folder.glob("unit*.c*"))}
        asked, sure = asked_for(manifest["hashes"])
        sure = sure and not any(map(takes_in, self.folder.glob("unit*.s")))
        # Where not all that was read is known, only what came of it tells one build from another.
        made = "" if sure else hash_of(self.folder / "library.so")
        text = json.dumps([wanted.key, hashes, generated, made], sort_keys=True)
        key = hashlib.sha256(text.encode()).hexdigest()
        manifest = {**manifest, "key": key, "format": FORMAT, "sums": _sums(self.folder, manifest)}
        # Where a part is an earlier build's, the objects are wanted for its lines.
        wanted_objects = manifest.get("objects", ())
        for kind in ("*.d", "*.s", *(() if manifest.get("again") else ("*.o",))):
            for left in self.folder.glob(kind):
                if left.name not in wanted_objects:
                    left.unlink()
        (self.folder / "manifest.json").write_text(json.dumps(manifest))
        home = self.cache / "builds" / key
        home.parent.mkdir(parents=True, exist_ok=True)
        try:
            os.rename(self.folder, home)
        except OSError:
            # The same build is there already, perhaps by another process: use it, unless it is damaged.
            if _manifest(home) is None:
                os.rename(home, self.folder.with_name(self.folder.name + "-damaged"))
                os.rename(self.folder, home)
                shutil.rmtree(self.folder.with_name(self.folder.name + "-damaged"), ignore_errors=True)
        if sure:  # else it is built again each time
            self._remember(wanted, key, manifest, asked)
        return manifest, home / "library.so"

    def _remember(self, wanted: Identity, key: str, manifest: Manifest, asked: list[str]) -> None:
        hashes: dict[str, str] = {**manifest["hashes"], **manifest.get("linked", {})}
        folders = [*folders_of_flags(manifest["kept"]), *wanted.folders]
        index = self.cache / "requests" / f"{wanted.key}.json"
        try:
            entries = [e for e in json.loads(index.read_text()) if e["key"] != key]
        except (OSError, ValueError):
            entries = []
        folders += searched_folders(manifest["hashes"], wanted.base)
        entry = {"key": key, "hashes": hashes, "folders": folders, "asked": asked,
                 "shadows": shadows(list(hashes), folders, asked)}
        write_whole(index, json.dumps([entry, *entries[: _REMEMBERED - 1]]))


def cache_of(place: Path) -> Path:
    """The cache to which a workshop's folder belongs."""
    return place.parent.parent


@contextlib.contextmanager
def workshop(cache: Path) -> Iterator[Workshop]:
    """A fresh temporary folder under the cache, removed at the end unless it was kept."""
    yard = cache / "making"
    yard.mkdir(parents=True, exist_ok=True)
    _clear_abandoned(yard)
    place = Path(tempfile.mkdtemp(dir=yard, prefix="build-"))
    try:
        yield Workshop(cache, place)
    finally:
        shutil.rmtree(place, ignore_errors=True)


def made_and_kept(
    cache: Path, wanted: Identity, sources: Sequence[Path], make: Callable[[Path], Manifest],
) -> tuple[Manifest, Path]:
    """Make a build in a temporary folder and store it; anew when a file changed meanwhile.

    Errors: SourceMissing after three times; those of ``make``.
    """
    for _ in range(3):
        with workshop(cache) as work:
            kept = work.keep(wanted, make(work.folder))
        if kept is not None:
            return kept
    raise SourceMissing(
        "the sources keep changing", ", ".join(s.name for s in sources), "they changed during three builds",
        "wait until they are saved, then run again",
    )


def _clear_abandoned(yard: Path) -> None:
    # Left by processes that were killed.
    for place in yard.glob("build-*"):
        with contextlib.suppress(OSError):
            if time.time() - place.stat().st_mtime > _ABANDONED_SECONDS:
                shutil.rmtree(place, ignore_errors=True)


def cached_info(library: Path) -> DebugInfo:
    """A library's debug information, decoded once and kept beside it. Errors: SourceMissing."""
    store = library.with_name(f"debug_info_of_{library.stem}.json")
    try:
        return debug_info.from_json(store.read_text())
    except (OSError, ValueError, KeyError, TypeError):
        pass
    told = with_lines(library)
    if told is None:
        return DebugInfo({}, (), (), {})
    info = debug_info.read_debug_info(told)
    with contextlib.suppress(OSError):
        write_whole(store, info.to_json())
    return info
