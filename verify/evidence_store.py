"""Evidence kept between runs, by content. Verdicts are never stored. When in doubt it is hunted again."""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import os
import pickle
import tempfile
from collections.abc import Iterator
from importlib import metadata
from pathlib import Path

from firmware_shim.build import Built
from firmware_shim.engine import processor_key
from verify.evidence import Evidence
from verify.hunting.plan import Plan
from verify.sheet import Sheet

PACKAGES = ("preflash", "numpy", "mpmath", "cffi", "hypothesis")
MOST_BYTES = 512 << 20
LOCK = ".in_use"


def file_hash(path: Path) -> str:
    """SHA-256 of a file, "" when it cannot be read."""
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return ""


def own_text() -> str:
    """Hash of all text of the three packages: an edit of preflash itself invalidates everything."""
    digest = hashlib.sha256()
    root = Path(__file__).resolve().parent.parent
    for package in ("verify", "reference", "firmware_shim"):
        for path in sorted((root / package).rglob("*")):
            if path.suffix in (".py", ".c", ".h") and "demo" not in path.parts:
                digest.update(path.read_bytes())
    return digest.hexdigest()


def system_libraries() -> list[str]:
    """Hashes of the C and maths libraries that the firmware is loaded with."""
    found = []
    for line in sorted({part.split()[-1] for part in Path("/proc/self/maps").read_text(encoding="utf-8").splitlines()}):
        name = Path(line).name
        if name.startswith(("libc.so", "libm.so", "libc-", "libm-", "ld-")):
            found.append(f"{line} {file_hash(Path(line))}")
    for path in ("/lib/x86_64-linux-gnu/libm.so.6", "/lib/aarch64-linux-gnu/libm.so.6"):
        found.append(f"{path} {file_hash(Path(path))}")
    return found


@contextlib.contextmanager
def in_use(cache: Path) -> Iterator[None]:
    """Keep `preflash forget` of another process away from the cache while this one works with it."""
    try:
        cache.mkdir(parents=True, exist_ok=True)
        lock = open(cache / LOCK, "a")  # noqa: SIM115 - held open for the whole run
    except OSError:
        yield  # a cache that cannot be written is reported by the build, with its folder
        return
    try:
        with contextlib.suppress(OSError):
            fcntl.flock(lock, fcntl.LOCK_SH)
        yield
    finally:
        lock.close()


class EvidenceStore:
    """Files under cache/evidence, one per identity."""

    def __init__(self, cache: Path, sheet: Sheet, builts: dict[str, Built], engine: Path, plan: Plan) -> None:
        self.folder = cache / "evidence"
        self.fresh = plan.fresh
        versions = []
        for package in PACKAGES:
            try:
                versions.append(f"{package} {metadata.version(package)}")
            except metadata.PackageNotFoundError:
                versions.append(f"{package} ?")
        keys = sorted(f"{name} {built.key} {file_hash(built.library)}" for name, built in builts.items())
        nearby = [file_hash(path) for path in sorted(sheet.path.parent.glob("*.py"))]
        self.surroundings = repr([file_hash(sheet.path), nearby, keys, file_hash(engine), own_text(),
                                  system_libraries(), processor_key(), versions, plan.seed])

    def path(self, evidence: Evidence) -> Path:
        """Where this evidence lies."""
        return self.folder / f"{evidence.identity}.evidence"

    def load(self, evidence: Evidence) -> None:
        """Merge stored evidence of the same identity, if there is any and it can be read."""
        if self.fresh:
            return
        try:
            stored = pickle.loads(self.path(evidence).read_bytes())
            if isinstance(stored, Evidence) and stored.identity == evidence.identity:
                evidence.merge(stored)
                evidence.settle()
                os.utime(self.path(evidence))
        except (OSError, pickle.UnpicklingError, EOFError, AttributeError, ValueError, TypeError):
            return

    def save(self, evidence: Evidence) -> None:
        """Write whole or not at all."""
        evidence.settle()
        self.folder.mkdir(parents=True, exist_ok=True)
        handle, part = tempfile.mkstemp(dir=self.folder)
        try:
            with os.fdopen(handle, "wb") as stream:
                pickle.dump(evidence, stream, protocol=pickle.HIGHEST_PROTOCOL)
            os.replace(part, self.path(evidence))
        except OSError:
            os.unlink(part)
            return
        self.bound_size()

    def bound_size(self) -> None:
        """Remove the oldest files when the folder grows too large."""
        files = sorted(self.folder.glob("*.evidence"), key=lambda p: p.stat().st_mtime)
        total = sum(path.stat().st_size for path in files)
        while files and total > MOST_BYTES:
            total -= files[0].stat().st_size
            files.pop(0).unlink(missing_ok=True)
