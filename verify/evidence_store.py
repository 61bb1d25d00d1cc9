"""Evidence kept between runs, by content. Verdicts are never stored. When in doubt it is hunted again.

An edit that leaves every loaded byte of the firmware as it was (a comment, say) keeps the evidence; lines
that stand in it are looked up again.
"""

from __future__ import annotations

import contextlib
import fcntl
import functools
import hashlib
import json
import os
import pickle
import re
import shutil
import time
from collections.abc import Mapping, Sequence
from dataclasses import replace
from importlib import metadata
from pathlib import Path

from firmware_shim.build import Built
from firmware_shim.build_inputs import hash_of
from firmware_shim.compiler import locked
from firmware_shim.engine import processor_key
from firmware_shim.job import Test
from firmware_shim.loaded_sections import Place
from verify.errors import UsageError
from verify.evidence import Evidence, join_events
from verify.evidence_keys import Keys
from verify.hunt import identity
from verify.hunting.plan import Plan
from verify.routine import Bound
from verify.sheet import Sheet
from verify.whole_files import whole_file

PACKAGES = ("preflash", "numpy", "mpmath", "cffi", "hypothesis", "unicorn", "capstone")
MOST_BYTES = 2 << 30
LOCK = ".in_use"
LIBRARIES = ("libm.so.6", "libmvec.so.1", "libc.so.6", "libstdc++.so.6", "libgcc_s.so.1")
SAVES_PER_LOOK = 32
# A library that was used this lately may be loaded again by a run that is still under way.
IN_USE_SECONDS = 3600.0


@functools.lru_cache(maxsize=64)
def _library_hash(path: Path, *_: int) -> str:
    return hash_of(path)


def library_hash(path: Path) -> str:
    """The same for a file of the system, read again in this process only when its inode, size or times have changed."""
    try:
        known = os.stat(path)
    except OSError:
        return ""
    return _library_hash(path, known.st_dev, known.st_ino, known.st_size, known.st_mtime_ns, known.st_ctime_ns)


@functools.cache
def own_text() -> str:
    """Hash of all text of the three packages: an edit of preflash itself invalidates everything."""
    digest = hashlib.sha256()
    root = Path(__file__).resolve().parent.parent
    for package in ("verify", "reference", "firmware_shim"):
        for path in sorted((root / package).rglob("*")):
            if path.suffix in (".py", ".c", ".h", ".ld") and "demo" not in path.parts:
                digest.update(path.read_bytes())
    return digest.hexdigest()


@functools.cache
def package_versions() -> tuple[str, ...]:
    """preflash and the packages that judge, with their versions."""
    found = []
    for package in PACKAGES:
        try:
            found.append(f"{package} {metadata.version(package)}")
        except metadata.PackageNotFoundError:
            found.append(f"{package} ?")
    return tuple(found)


def system_libraries() -> list[str]:
    """Hashes of the libraries that the firmware is loaded with, and of what the loader is told to put before them."""
    found = []
    for line in sorted({part.split()[-1] for part in Path("/proc/self/maps").read_text(encoding="utf-8").splitlines()}):
        name = Path(line).name
        if name.startswith(("libc.so", "libm.so", "libc-", "libm-", "ld-")):
            found.append(f"{line} {library_hash(Path(line))}")
    places = ("/lib/x86_64-linux-gnu", "/lib/aarch64-linux-gnu", "/lib64", "/usr/lib64", "/usr/lib", "/lib32", "/usr/lib32",
              "/lib/i386-linux-gnu")
    told = [part for part in re.split("[:;]", os.environ.get("LD_LIBRARY_PATH", "")) if part]
    for folder in (*told, *places):
        found += [f"{folder}/{name} {library_hash(Path(folder, name))}" for name in LIBRARIES if Path(folder, name).exists()]
    for variable in ("LD_PRELOAD", "LD_AUDIT"):
        words = re.split("[: ]", os.environ.get(variable, ""))
        found += [f"{variable} {word} {library_hash(Path(word))}" for word in words if word]
    return [*found, *(f"{name}={os.environ[name]}" for name in ("LD_LIBRARY_PATH", "GLIBC_TUNABLES") if name in os.environ)]


def touch(path: Path) -> None:
    """Note that a part of the cache is in use."""
    with contextlib.suppress(OSError):
        os.utime(path)


def in_use(cache: Path) -> contextlib.AbstractContextManager[None]:
    """Keep `preflash forget` of another process away from the cache while this one works with it.

    A cache that cannot be written is reported by the build, with its folder.
    """
    return locked(cache / LOCK, fcntl.LOCK_SH)


class EvidenceStore:
    """Files under cache/evidence, one per identity."""

    def __init__(self, cache: Path, sheet: Sheet, builts: Mapping[str, Built], engine: Path, plan: Plan) -> None:
        self.cache, self.folder, self.saves = cache, cache / "evidence", 0
        self.fresh = plan.fresh
        versions = list(package_versions())
        if any(name.startswith("board") for name in builts):
            from firmware_shim.board_served import user_mode_emulator  # dear, and wanted with a board only

            versions.append(user_mode_emulator()[1])
        nearby = [hash_of(path) for path in sorted(sheet.file.parent.glob("*.py"))]
        read = [hash_of(sheet.file), sheet.local_files, nearby]
        self.keys = Keys(builts, [read, hash_of(engine), own_text(), system_libraries(), processor_key(), versions,
                                  plan.seed])
        for path in (engine, *(built.library.with_name("manifest.json") for built in builts.values())):
            touch(path)

    def identity(self, bound: Bound, tests: Sequence[Test], kind: str = "") -> str:
        """What the evidence of a routine in one build is about."""
        name = bound.routine.name
        about = replace(bound, identity=f"{self.keys.about(bound.build, name)} {bound.peripherals}")
        others = self.keys.contents({test.second_library for test in tests})
        return identity(about, tests, kind + self.keys.surroundings(name), others)

    def path(self, evidence: Evidence) -> Path:
        """Where this evidence lies."""
        return self.folder / f"{evidence.identity}.evidence"

    def load_points(self, key: str) -> list[tuple[int, ...]] | None:
        """Where an earlier run's generated examples led; None when there is none."""
        if self.fresh:
            return None
        try:
            return [tuple(point) for point in json.loads((self.folder / f"{key}.points").read_text(encoding="utf-8"))]
        except (OSError, ValueError, TypeError):
            return None

    def save_points(self, key: str, points: Sequence[tuple[int, ...]]) -> None:
        """Write whole or not at all."""
        with contextlib.suppress(OSError):
            self.folder.mkdir(parents=True, exist_ok=True)
            with whole_file(self.folder / f"{key}.points") as stream:
                json.dump(list(points), stream)

    def load(self, evidence: Evidence, build: str, routine: str) -> None:
        """Merge stored evidence of the same identity, if there is any and it can be read."""
        for screen in {test.screen[0] for test in evidence.tests if test.screen}:
            touch(Path(screen))
        if self.fresh:
            return
        try:
            with open(self.path(evidence), "rb") as stream:  # arrays are read to where they stay
                stored, places = pickle.load(stream)
            if isinstance(stored, Evidence) and stored.identity == evidence.identity:
                if not look_up_again(stored, places, self.keys.places(build, routine)):
                    return
                evidence.adopt(stored)
                os.utime(self.path(evidence))
        except (OSError, pickle.UnpicklingError, EOFError, AttributeError, ValueError, TypeError):
            return

    def drop(self, evidence: Evidence) -> None:
        """What turned out not to be so is not met again."""
        with contextlib.suppress(OSError):
            self.path(evidence).unlink()

    def save(self, evidence: Evidence, build: str, routine: str) -> None:
        """Write whole or not at all."""
        evidence.settle()
        self.folder.mkdir(parents=True, exist_ok=True)
        try:
            with whole_file(self.path(evidence), "wb") as stream:
                pickle.dump((evidence, self.keys.places(build, routine)), stream, protocol=pickle.HIGHEST_PROTOCOL)
        except OSError:
            return
        # A look through the whole cache takes longer than most saves.
        if self.saves % SAVES_PER_LOOK == 0:
            bound_size(self.cache)
        self.saves += 1


def look_up_again(stored: Evidence, before: Sequence[Place], now: Sequence[Place]) -> bool:
    """Give the events of stored evidence their present lines; False where that cannot be done for sure."""
    if tuple(before) == tuple(now) or not stored.events:
        return True
    if [(p.address, p.file) for p in before] != [(p.address, p.file) for p in now]:
        return False
    moved: dict[tuple[str, int, int], set[tuple[int, int]]] = {}
    for old, new in zip(before, now, strict=True):
        moved.setdefault((old.file, old.line, old.column), set()).add((new.line, new.column))
    events = []
    for event in stored.events:
        found = moved.get((event.file, event.line, event.column), set())
        if len(found) != 1:
            return False
        line, column = next(iter(found))
        events.append(replace(event, line=line, column=column))
    stored.events = join_events(events)
    return True


def kept_parts(cache: Path) -> list[tuple[float, int, Path]]:
    """(last use, bytes, path) of everything that the cache can do without, oldest use first."""
    found = []
    for path in [*cache.glob("evidence/*"), *cache.glob("builds/*"), *cache.glob("own/*"), *cache.glob("requests/*")]:
        try:
            inside = list(path.iterdir()) if path.is_dir() else [path]
            stats = [part.stat() for part in inside]
        except OSError:
            continue  # removed by another run just now
        if stats:
            found.append((max(s.st_mtime for s in stats), sum(s.st_size for s in stats), path))
    return sorted(found)


def bound_size(cache: Path, most_bytes: int = MOST_BYTES) -> None:
    """Remove what was not used for the longest time when the cache grows too large."""
    parts = kept_parts(cache)
    total = sum(size for _, size, _ in parts)
    for used, size, path in parts:
        if total <= most_bytes:
            return
        if path.parent.name != "evidence" and time.time() - used < IN_USE_SECONDS:
            continue
        total -= size
        if path.is_dir():
            shutil.rmtree(path, ignore_errors=True)
        else:
            with contextlib.suppress(OSError):
                path.unlink()


def forget(cache: Path) -> int:
    """Remove everything that is cached; returns how many bytes that were.

    Errors: UsageError when another run works with the cache, or when it cannot be written.
    """
    if not cache.is_dir():
        return 0
    try:
        with open(cache / LOCK, "a") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            size = sum(path.lstat().st_size for path in cache.rglob("*") if not path.is_dir())
            for path in cache.iterdir():
                if path.is_dir() and not path.is_symlink():
                    shutil.rmtree(path)
                elif path.name != LOCK:
                    path.unlink()
            return size
    except BlockingIOError as problem:
        raise UsageError("the cache is in use", where=str(cache), why="another preflash works with it",
                         todo="wait until it is done, then run again") from problem
    except OSError as problem:
        raise UsageError("the cache cannot be emptied", where=str(cache), why=str(problem),
                         todo="make the folder writable") from problem
