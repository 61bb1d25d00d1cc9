"""The board build without a cross compiler: clang, lld and musl of the package ziglang, linked bare-metal as by the other.

musl is not the C library that the board will have; whoever shows a verdict of this build shows that too. Its archives are
made by the package on first use for each kind of core, and kept beside the builds.
"""

from __future__ import annotations

import hashlib
import json
import os
import shlex
import shutil
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from firmware_shim import build_cache, compile_messages
from firmware_shim.board_places import NOT_NEWLIB
from firmware_shim.compiler import Compiler, Ran, find_compiler, run
from firmware_shim.cores import Core
from firmware_shim.errors import ShimError, UnknownFlag
from firmware_shim.flags import TARGET, HostFlags, complaint

RUNTIME = Path(__file__).parent / "runtime"
CROSS = "apt install gcc-arm-none-eabi libnewlib-arm-none-eabi (Debian, Ubuntu)"
_ARCHIVES = ("libc.a", "libzigc.a", "libcompiler_rt.a")
_MAKING_SECONDS = 3600.0
_HARD, _SOFT = "thumb-freestanding-eabihf", "thumb-freestanding-eabi"


class BoardLibraryFailed(ShimError):
    """The package could not make the board's C library."""

    code = "S125"


@dataclass(frozen=True)
class Kind:
    """How the compiler calls a core, and the core whose library serves it ("" where musl cannot be built)."""

    cpu: str
    library_cpu: str
    hard: bool

    @property
    def target(self) -> str:
        """Bare metal, by the core's way of passing floating-point numbers."""
        return _HARD if self.hard else _SOFT


KINDS = {
    "cortex-m0plus": Kind("cortex_m0plus", "", False),
    "cortex-m3": Kind("cortex_m3", "cortex_m3", False),
    "cortex-m4": Kind("cortex_m4", "cortex_m3", False),
    "cortex-m4f": Kind("cortex_m4+vfp4d16sp", "cortex_m4+vfp4d16sp", True),
    "cortex-m7f": Kind("cortex_m7+fp_armv8d16sp", "cortex_m4+vfp4d16sp", True),
    "cortex-m7d": Kind("cortex_m7+fp_armv8d16", "cortex_m7+fp_armv8d16", True),
    "cortex-m33": Kind("cortex_m33", "cortex_m3", False),
    "cortex-m33f": Kind("cortex_m33+fp_armv8d16sp", "cortex_m4+vfp4d16sp", True),
}


def is_pip(compiler: Compiler) -> bool:
    """Whether a board's compiler is the package's."""
    return compiler.family == "clang" and compiler.version.endswith("(ziglang)")


def pip_compiler(core: Core, cache: Path | None, zig: Path) -> Compiler:
    """The package's clang for a core, with musl's headers and nothing of this computer's. Errors: CompilerMissing."""
    kind = KINDS[core.name]
    headers = zig.parent / "lib" / "libc" / "include"
    words = [str(zig), "cc", "-target", kind.target, f"-mcpu={kind.cpu}", "-UNDEBUG", "-fomit-frame-pointer",
             "-fno-stack-protector", "-isystem", str(headers / "arm-linux-musl"), "-isystem", str(headers / "generic-musl")]
    found = find_compiler(shlex.join(words), cache)
    library = f"musl, {NOT_NEWLIB}" if kind.library_cpu else f"the compiler's own routines, {NOT_NEWLIB}"
    return replace(found, target=kind.target, c_library=library, processor=core.name, processor_features="")


def pip_flags(found: HostFlags, compiler: Compiler, core: Core, language: str) -> HostFlags:
    """The author's flags, sorted for a host, for this compiler, which is told of the core in words of its own.

    Errors: UnknownFlag for C++, for another way of passing floating-point numbers, for what it does not know.
    """
    if language != "c":
        raise _refused("C++ for the board", "the package has no C++ library for a board without an operating system")
    kept, dropped = list(found.kept), []
    wanted = "hard" if KINDS[core.name].hard else "soft"
    for words, why in found.dropped:
        name, _, value = words.partition("=")
        if name == "-mfloat-abi" and value != wanted:
            raise _refused(words, f"this compiler passes floating-point numbers the {wanted} way on {core.name}")
        if why != TARGET or name in ("-mcpu", "-mthumb", "-mfloat-abi", "-mfpu", "-march", "-mtune", "-mabi"):
            dropped.append((words, "said in this compiler's own words" if why == TARGET else why))
        elif said := complaint(tuple(words.split()), compiler, language):
            raise _refused(words, said)
        else:
            kept += words.split()
    return HostFlags(tuple(kept), tuple(dropped), found.added)


def _refused(flag: str, why: str) -> UnknownFlag:
    error = UnknownFlag(f"'{flag}' cannot be used with the compiler from pip", "the board build, package ziglang", why,
                        f"leave it out, or {CROSS}")
    error.flag = flag
    return error


def _place(core: Core, zig: Path, cache: Path) -> Path:
    kind, status = KINDS[core.name], zig.stat()
    about = json.dumps([str(zig), status.st_size, status.st_mtime_ns, kind.target, kind.library_cpu or kind.cpu])
    return cache / "board_libraries" / hashlib.sha256(about.encode()).hexdigest()[:32]


def library_missing(core: Core, cache: Path | None, zig: Path) -> bool:
    """Whether the C library of a core is still to be made."""
    return not (_place(core, zig, build_cache.folder(cache)) / "made").exists()


def libraries(core: Core, cache: Path | None, zig: Path) -> list[Path]:
    """The archives to link with, made where they are not there yet: about a minute, two without a free processor.

    Errors: BoardLibraryFailed with the package's first complaint.
    """
    place = _place(core, zig, build_cache.folder(cache))
    if not (place / "made").exists():
        place.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=place.parent, prefix=".making-") as folder:
            _make(core, zig, Path(folder))
            if not place.exists():
                os.rename(folder, place)
                os.mkdir(folder)  # for its removal
    return [path for name in _ARCHIVES if (path := place / name).exists()]


def _make(core: Core, zig: Path, folder: Path) -> None:
    kind = KINDS[core.name]
    musl = kind.library_cpu != ""
    target = ("thumb-linux-musleabihf" if kind.hard else "thumb-linux-musleabi") if musl else kind.target
    # Of its own text each time: what it has linked already it would not link, and so not name, again.
    entry = "int main(void)" if musl else "int _start(void)"
    (folder / "empty.c").write_text(f"{entry} {{ return 0; }} /* {os.getpid()} {time.time_ns()} */\n")
    command = ["env", "ZIG_VERBOSE_LINK=1", str(zig), "cc", "-target", target, f"-mcpu={kind.library_cpu or kind.cpu}", "-O2",
               "-fno-sanitize=all", "-static", "empty.c", "-o", "empty.elf", *(["-lm", "-lc"] if musl else [])]
    ran = run(command, folder=folder, limit_seconds=_MAKING_SECONDS)
    links = [line for line in ran.err.splitlines() if line.startswith("ld.lld") and "-o empty.elf" in line]
    found = [Path(word) for word in shlex.split(links[-1]) if Path(word).name in _ARCHIVES] if links else []
    if ran.code != 0 or not found:
        lines = [line for line in ran.err.splitlines() if "error" in line] or ["no message"]
        raise BoardLibraryFailed("the package ziglang cannot make the board's C library", f"{target}, {core.name}", lines[0],
                                 CROSS)
    for path in found:
        shutil.copy(path, folder / path.name)
    for name in ("empty.c", "empty.elf"):
        (folder / name).unlink(missing_ok=True)
    (folder / "made").write_text("")


def link(compiler: Compiler, work: Path, objects: Sequence[str], archives: Sequence[str], sources: Sequence[Path],
         mapped: str) -> Ran:
    """The image, by lld and the same linker script. Errors: CompileFailed."""
    ran = run([compiler.path, "ld.lld", "-m", "armelf_linux_eabi", "-Bstatic", "--build-id=none", "-T",
               str(RUNTIME / "board.ld"), "-o", "library.so", *objects, "--start-group", *archives,
               "--end-group"], folder=work)
    if ran.code != 0:
        raise compile_messages.link_failure(ran, sources, mapped)
    return ran
