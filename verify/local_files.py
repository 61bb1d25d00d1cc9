"""What a sheet reads while it runs: local modules, files, folders. Its evidence rests on them as on its own text.

Local is what belongs neither to Python and its installed packages nor to preflash. A local module is always
compiled from its source: Python's own cache goes by size and time, and would miss an edit that keeps both.
"""

from __future__ import annotations

import contextlib
import hashlib
import importlib
import importlib.abc
import importlib.machinery
import importlib.util
import os
import sys
import sysconfig
import threading
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import CodeType, ModuleType
from typing import Any

_OWN = Path(__file__).resolve().parent.parent
_PACKAGES = tuple(f"{_OWN}/{package}/" for package in ("verify", "reference", "firmware_shim"))
_NEVER = ("/proc", "/sys", "/dev")


def _installed() -> tuple[str, ...]:
    """Folders of Python, of its packages and of preflash itself, each with a slash at its end."""
    places = {sysconfig.get_path(name) for name in ("stdlib", "platstdlib", "purelib", "platlib")}
    places |= {*_PACKAGES, *_NEVER}
    return tuple(sorted(f"{os.path.realpath(place)}/" for place in places))


_PLACES = _installed()
_DEMO = f"{_OWN}/firmware_shim/demo/"


def is_own(path: str) -> bool:
    """Whether a file is part of preflash itself."""
    real = os.path.realpath(path)
    return real.startswith(_PACKAGES) and not real.startswith(_DEMO)


def is_local(path: str) -> bool:
    """Whether a file can be one of the user's."""
    real = os.path.realpath(path)
    return real.startswith(_DEMO) or not real.startswith(_PLACES)


def _state(path: str) -> str:
    """Hash of a file, or of the names in a folder; "" where there is none (it may come to be)."""
    try:
        if os.path.isdir(path):
            return hashlib.sha256("\0".join(sorted(os.listdir(path))).encode("utf-8", "surrogateescape")).hexdigest()
        if not os.path.isfile(path):
            return ""
        with open(path, "rb") as stream:
            return hashlib.sha256(stream.read()).hexdigest()
    except OSError:
        return ""


@dataclass
class LocalFiles:
    """Path -> states seen: before it was read and after all was read. Both, as it may be saved in between."""

    seen: dict[str, list[str]] = field(default_factory=dict)
    thread: int = field(default_factory=threading.get_ident)
    noting: bool = False

    def note(self, path: str, text: bytes | None = None) -> None:
        """Keep the state of one path: of these bytes, or as it is now."""
        if self.noting or threading.get_ident() != self.thread or not is_local(path):
            return
        self.noting = True
        try:
            state = hashlib.sha256(text).hexdigest() if text is not None else _state(path)
            self.seen.setdefault(os.path.abspath(path), []).append(state)
        finally:
            self.noting = False

    def late(self, ours: Path | None = None) -> list[str]:
        """Paths read apart from what Python and Hypothesis look through by themselves: modules' sources, own notes; and
        apart from files below a folder of ours."""
        files = [getattr(module, "__file__", None) for module in list(sys.modules.values())]
        sources = {os.path.abspath(file) for file in files if file}
        usual = sources.union(map(os.path.abspath, sys.path))
        below = f"{os.path.abspath(ours)}/" if ours is not None else ""
        return sorted(path for path in self.seen if path not in usual and "/.hypothesis/" not in path
                      and not Path(path).name.startswith("<") and not (below and path.startswith(below)))

    def states(self, folder: Path) -> tuple[tuple[str, str], ...]:
        """(path from the folder, its states) in order, for a key."""
        return tuple(sorted((os.path.relpath(path, folder), " ".join(sorted(set(found))))
                            for path, found in self.seen.items()))


_readers: list[LocalFiles] = []
_imported: set[str] = set()


class _FromSource(importlib.machinery.SourceFileLoader):
    """Compiles the source each time, and notes the very bytes."""

    def get_code(self, fullname: str) -> CodeType:
        path = self.get_filename(fullname)
        text = self.get_data(path)
        for reader in _readers:
            reader.note(path, text)
        code: CodeType = self.source_to_code(text, path)
        return code


class _LocalFinder(importlib.abc.MetaPathFinder):
    """Finds local modules while a sheet is read; leaves all others to Python."""

    def find_spec(self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None,
                  ) -> importlib.machinery.ModuleSpec | None:
        found = importlib.machinery.PathFinder.find_spec(fullname, path, target)
        if found is None or not found.origin or not found.origin.endswith(".py") or not is_local(found.origin):
            return None
        _imported.add(fullname)
        return importlib.util.spec_from_file_location(
            fullname, found.origin, loader=_FromSource(fullname, found.origin),
            submodule_search_locations=found.submodule_search_locations)


def _told(event: str, arguments: tuple[Any, ...]) -> None:
    if not _readers or event not in ("open", "os.scandir") or not isinstance(arguments[0], str | bytes | os.PathLike):
        return
    path = os.fsdecode(arguments[0])
    for reader in _readers:
        reader.note(path)


_hooked = False


@contextlib.contextmanager
def reading() -> Iterator[LocalFiles]:
    """Note what this thread reads inside."""
    global _hooked
    if not _hooked:
        sys.addaudithook(_told)  # for the life of the process: it cannot be taken back
        _hooked = True
    reader = LocalFiles()
    _readers.append(reader)
    try:
        yield reader
    finally:
        _readers.remove(reader)


@contextlib.contextmanager
def reading_a_sheet() -> Iterator[LocalFiles]:
    """The same, with local modules imported anew: another sheet's module of that name, or an older text, may be loaded."""
    for name in _imported:
        sys.modules.pop(name, None)
    _imported.clear()
    importlib.invalidate_caches()
    finder = _LocalFinder()
    sys.meta_path.insert(0, finder)
    try:
        with reading() as reader:
            yield reader
            for path in list(reader.seen):
                reader.note(path)
    finally:
        sys.meta_path.remove(finder)


def loaded_before(names: Mapping[str, Any], reader: LocalFiles) -> bool:
    """Whether a sheet uses a local module that something else had loaded: what text it has is not known."""
    for value in names.values():
        module = value if isinstance(value, ModuleType) else sys.modules.get(getattr(value, "__module__", None) or "")
        file = getattr(module, "__file__", None)
        if file and is_local(file) and os.path.abspath(file) not in reader.seen:
            return True
    return False
