"""The host compiler: which one it is, what it builds for, and how it is run."""

from __future__ import annotations

import contextlib
import ctypes
import fcntl
import functools
import hashlib
import json
import os
import platform
import re
import shlex
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from firmware_shim.errors import CompilerMissing, PlatformUnsupported
from firmware_shim.pip_compiler import direct, names_it, without_own_warning

TIME_LIMIT_SECONDS = 120.0
_INSTALL = "install one (Debian, Ubuntu: apt install gcc; Fedora: dnf install gcc), or set CC to its path"
# Features a compiler or C library may choose code by; the hash covers all of them.
_TELLING = ("sse4_2", "avx", "avx2", "fma", "avx512f", "asimd", "fphp", "sve")


@dataclass(frozen=True)
class Compiler:
    """A C compiler that has compiled an empty file on this machine.

    Shape: ``command`` is what is run (more than one word for a wrapper); ``path`` its first word,
           absolute; ``family`` "gcc" or "clang"; ``processor_features`` a SHA-256 over all features;
           ``programs`` one over the bytes of each program that the command names.
    """

    path: str
    command: tuple[str, ...]
    family: str
    version: str
    target: str
    c_library: str
    processor: str
    processor_features: str
    programs: str = ""

    @property
    def line(self) -> str:
        """The command as one text, for a shell."""
        return shlex.join(self.command)

    @property
    def identity(self) -> dict[str, object]:
        """All that decides what this compiler builds and what the result runs on."""
        return asdict(self)


@dataclass(frozen=True)
class Ran:
    """One finished compiler run: exit code, both outputs as text; ``timed_out`` if it was stopped; what was run."""

    code: int
    out: str
    err: str
    timed_out: bool = False
    command: tuple[str, ...] = ()


def run(
    command: Sequence[str], *, folder: Path | None = None, limit_seconds: float = TIME_LIMIT_SECONDS
) -> Ran:
    """Run a tool with plain English messages; stop it and all it started after the time limit.

    Errors: OSError if the program cannot be started; a time-out is reported in the result.
    """
    environment = {k: v for k, v in os.environ.items() if k not in ("GCC_COLORS", "LANGUAGE")}
    environment["LC_ALL"] = "C"
    with subprocess.Popen(
        list(command),
        cwd=folder,
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        errors="replace",
        start_new_session=True,
    ) as process:
        try:
            out, err = process.communicate(timeout=limit_seconds)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            out, err = process.communicate()
            return Ran(-1, out, without_own_warning(err), timed_out=True)
        except BaseException:
            os.killpg(process.pid, signal.SIGKILL)
            raise
    return Ran(process.returncode, out, without_own_warning(err), command=tuple(command))


def find_compiler(explicit: str | None = None, cache: Path | None = None) -> Compiler:
    """The compiler named, else ``CC``, else gcc, clang, cc: first on the path.

    Shape:  ``explicit`` and ``CC`` may hold several words ("ccache gcc"); ``cache`` is a folder that
            keeps what was found out about a compiler binary, by its path, size and time.
    Errors: CompilerMissing (none there, or cannot compile an empty file); PlatformUnsupported.
    """
    require_platform()
    chosen, named_by = explicit, "the compiler asked for"
    if not chosen:
        chosen, named_by = os.environ.get("CC", "").strip(), "the environment variable CC"
    if chosen:
        words = direct(tuple(shlex.split(chosen)), named_by)
        path = shutil.which(words[0]) if words else None
        if path is None:
            raise CompilerMissing(
                f"the C compiler '{chosen}' is not there", named_by, "no such program on the path", _INSTALL
            )
        return _look(words, os.path.abspath(path), named_by, cache)
    for name in ("gcc", "clang", "cc"):
        path = shutil.which(name)
        if path is not None:
            return _look((name,), os.path.abspath(path), f"'{name}', found on the path", cache)
    raise CompilerMissing("no C compiler", "gcc, clang and cc were looked for", "none on the path", _INSTALL)


def require_platform() -> None:
    """Raise PlatformUnsupported unless this is Linux on x86-64 or AArch64."""
    machine = platform.machine()
    if sys.platform != "linux" or machine not in ("x86_64", "aarch64"):
        raise PlatformUnsupported(
            "this computer cannot run the host build",
            f"{sys.platform} on {machine}",
            "floating-point modes and containment are known for Linux on x86-64 and AArch64",
            "run preflash there; on Windows inside its Linux subsystem",
        )


def _look(words: tuple[str, ...], path: str, named_by: str, cache: Path | None) -> Compiler:
    command = (path, *words[1:])
    real = os.path.realpath(path)
    status = os.stat(real)
    key = (command, real, status.st_size, status.st_mtime_ns, str(cache) if cache else "")
    found = _probe_once(*key, named_by)
    features = processor_features()
    return Compiler(
        path=path,
        command=command,
        family=found["family"],
        version=found["version"],
        target=found["target"],
        c_library=c_library(),
        processor=features[0],
        processor_features=features[1],
        programs=programs_of(command),
    )


def programs_of(command: Sequence[str]) -> str:
    """SHA-256 over the bytes of the programs in a command: a wrapper may change and keep its size, time and version."""
    digest = hashlib.sha256()
    for word in command:
        path = shutil.which(word) if not word.startswith("-") else None
        if path is not None:
            status = os.stat(path)
            digest.update(_bytes_hash(os.path.realpath(path), status.st_dev, status.st_ino, status.st_size,
                                      status.st_mtime_ns, status.st_ctime_ns))
    return digest.hexdigest()


def is_wrapper(path: str) -> bool:
    """Whether a program is a script, whose doing may depend on any variable of the environment."""
    try:
        with open(path, "rb") as stream:
            return stream.read(2) == b"#!"
    except OSError:
        return False


@functools.lru_cache(maxsize=32)
def _bytes_hash(path: str, *_: int) -> bytes:
    with open(path, "rb") as stream:
        return hashlib.file_digest(stream, "sha256").digest()


@functools.lru_cache(maxsize=32)
def _probe_once(
    command: tuple[str, ...], real: str, size: int, time_ns: int, cache: str, named_by: str
) -> Mapping[str, str]:
    # A wrapper may lead to another compiler tomorrow: only a plain compiler binary is remembered on disk.
    plain = len(command) == 1 and re.search(r"(gcc|clang)[-\d.]*$", os.path.basename(real)) is not None
    store: Path | None = None
    if cache and plain:
        text = json.dumps([command, real, size, time_ns])
        store = Path(cache) / "compilers" / (hashlib.sha256(text.encode()).hexdigest()[:32] + ".json")
        try:
            kept = json.loads(store.read_text())
            return {"family": kept["family"], "version": kept["version"], "target": kept["target"]}
        except (OSError, ValueError, KeyError):
            pass
    found = _probe(command, named_by)
    if store is not None:
        write_whole(store, json.dumps(found))
    return found


def _probe(command: tuple[str, ...], named_by: str) -> dict[str, str]:
    with tempfile.TemporaryDirectory(prefix="preflash-") as folder:
        empty = Path(folder, "empty.c")
        empty.write_text("")
        try:
            made = run([*command, "-c", "-o", "empty.o", "empty.c"], folder=Path(folder))
            macros = run([*command, "-dM", "-E", "-x", "c", "empty.c"], folder=Path(folder))
            version = run([*command, "--version"], folder=Path(folder))
            target = run([*command, "-dumpmachine"], folder=Path(folder))
        except OSError as error:
            raise CompilerMissing(
                f"the C compiler '{' '.join(command)}' cannot be run", named_by, str(error), _INSTALL
            ) from error
        complaint = (made.err.strip().splitlines() or [f"exit code {made.code}, no message"])[0]
        if made.code != 0 or not Path(folder, "empty.o").exists():
            raise CompilerMissing(
                f"'{' '.join(command)}' cannot compile an empty file", named_by, complaint, _INSTALL
            )
    if "__clang__" in macros.out:
        family = "clang"
    elif "__GNUC__" in macros.out:
        family = "gcc"
    else:
        raise CompilerMissing(
            f"'{' '.join(command)}' is neither gcc nor clang",
            named_by,
            "its predefined macros name neither",
            "set CC to a gcc or clang",
        )
    lines = version.out.strip().splitlines() or ["unknown version"]
    told = f"{lines[0].strip()} (ziglang)" if names_it(command) else lines[0].strip()
    return {"family": family, "version": told, "target": target.out.strip()}


@functools.cache
def c_library() -> str:
    """Name and version of the C library this process runs on, for example "glibc 2.36"."""
    try:
        version = ctypes.CDLL(None).gnu_get_libc_version
        version.restype = ctypes.c_char_p
        return "glibc " + version().decode()
    except (AttributeError, OSError):
        pass
    try:
        told = run(["ldd", "--version"], limit_seconds=5.0)
        return " ".join((told.out + told.err).split()[:6]) or "unknown C library"
    except OSError:
        return "unknown C library"


@functools.cache
def processor_features() -> tuple[str, str]:
    """Short text for people and SHA-256 over all processor features that the system lists."""
    try:
        text = Path("/proc/cpuinfo").read_text(errors="replace")
    except OSError:
        text = ""
    flags = re.search(r"^(?:flags|Features)\s*:\s*(.*)$", text, re.MULTILINE)
    model = re.search(r"^(?:model name|CPU part)\s*:\s*(.*)$", text, re.MULTILINE)
    have = sorted(set(flags.group(1).split())) if flags else []
    name = model.group(1).strip() if model else platform.machine()
    telling = " ".join(f for f in _TELLING if f in have)
    return f"{name} ({telling})", hashlib.sha256(" ".join(have).encode()).hexdigest()


def write_whole(path: Path, content: str | bytes) -> None:
    """Write a file whole or not at all; the folder is made if needed. Errors: OSError."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, partial = tempfile.mkstemp(dir=path.parent, prefix=".partial-")
    try:
        with os.fdopen(handle, "w" if isinstance(content, str) else "wb") as out:
            out.write(content)
        os.replace(partial, path)
    except BaseException:
        os.unlink(partial)
        raise


@contextlib.contextmanager
def locked(path: Path, how: int = fcntl.LOCK_EX) -> Iterator[None]:
    """Wait until no other process is at what this file stands for; where no lock can be made, go on without.

    how: fcntl.LOCK_SH where others may be at it too, but for one that wants it alone.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        lock = open(path, "a")  # noqa: SIM115 - held open while it counts
    except OSError:
        yield
        return
    try:
        with contextlib.suppress(OSError):
            fcntl.flock(lock, how)
        yield
    finally:
        lock.close()
