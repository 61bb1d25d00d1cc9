"""The author's C compiled for the board's core, with the author's flags, and linked at a fixed address."""

from __future__ import annotations

import functools
import hashlib
import importlib.util
import os
import re
import shlex
import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from firmware_shim import board_pip, build_cache, compile_messages, linking
from firmware_shim import build as host_build
from firmware_shim.board_code import keep_code_facts
from firmware_shim.board_places import EVENTS_AT, PROGRESS_AT
from firmware_shim.board_ready import finished_file
from firmware_shim.board_ready import make as make_ready
from firmware_shim.build import Built, Request
from firmware_shim.compiler import Compiler, Ran, find_compiler, run
from firmware_shim.cores import Core, CoreConflict, core_named
from firmware_shim.errors import CompileFailed, CompilerMissing, ShimError
from firmware_shim.flags import TARGET, HostFlags, host_flags
from firmware_shim.installing import how_to_install
from firmware_shim.own_parts import compile_part
from firmware_shim.parts_again import TELLS
from firmware_shim.pip_compiler import direct, names_it, program

RUNTIME = Path(__file__).parent / "runtime"
STANDARD_COMPILER = "arm-none-eabi-gcc"
# No -fdata-sections: variables would no longer be reached by their distance from one another, which is other code.
_OWN = ("-g", "-fno-lto", "-ffunction-sections")
_PARTS = ("board_build.py", "board_places.py", "board_ready.py", "board_ready_texts.py", "cores.py", "board_code.py",
          "runtime/board.ld", "runtime/board_ready.ld", "runtime/board_start.c", "runtime/board_serve.c",
          "runtime/board_served.h", "board_pip.py", "runtime/board_musl.c")


class BoardMissing(ShimError):
    """What the board build needs is not installed: compiler, C library or emulator."""

    code = "S121"


@dataclass(frozen=True)
class BoardRequest(Request):
    """A request for the board: ``core`` as in cores.CORES; ``tool`` hash of what this tool adds."""

    core: str = ""
    tool: str = ""


def _tool_text() -> str:
    digest = hashlib.sha256()
    for name in _PARTS:
        digest.update((Path(__file__).parent / name).read_bytes())
    return digest.hexdigest()


def build_board(request: Request, core_name: str, cache: Path | None = None) -> Built:
    """Build the sources of a request for a core, or take the image from the cache.

    Shape:  as build.build; the variant "board strict" has the checks that record;
            ``request.compiler`` names the board's compiler (default arm-none-eabi-gcc, else the package ziglang);
            the library is an ELF executable for the core, its debug information as of any build.
    Errors: any ShimError; BoardMissing and CoreConflict block the board's verdicts only.
    """
    cache = build_cache.folder(cache)
    core = core_named(core_name)
    compiler = board_compiler(request.compiler, core, cache)
    pip = board_pip.is_pip(compiler)
    if pip and request.image is not None:
        raise BoardMissing("a finished image needs the cross compiler", str(request.image),
                           "the package ziglang builds sources only",
                           f"{board_pip.CROSS}, or leave image= out")
    variant = "board strict" if request.variant == "board strict" else "board"
    # What a path renders is measured here, from the samples; the board runs what comes before.
    chains = tuple(replace(chain, rendered=None) for chain in request.chains if chain.stages)
    wanted = BoardRequest(**{**request.by_field(), "variant": variant, "chains": chains,
                              "apart": request.apart and not pip}, core=core.name, tool=_tool_text())
    sources = host_build._check_sources(replace(wanted, variant="host"))
    finished = finished_file(wanted, core) if wanted.image is not None and variant == "board" else None
    identity = build_cache.identity(wanted, sources, compiler, RUNTIME)
    found = build_cache.find(cache, identity)
    if found is not None:
        return _built(*found, compiler, core, reused=True)
    plan = host_build._plan(wanted, sources, compiler, own=_OWN, sort=lambda text, base, language: board_flags(
        text, compiler, core, base, language))
    archives = board_pip.libraries(core, cache, Path(compiler.path)) if pip else []
    link = functools.partial(_link, core=core, archives=tuple(map(str, archives)))

    earlier = build_cache.earlier(cache, identity)

    def make(folder: Path) -> build_cache.Manifest:
        try:
            manifest = (host_build._make(plan, folder, link, earlier) if finished is None
                        else make_ready(plan, folder, finished, core, link))
        except CompileFailed as problem:
            raise _for_board(problem, core) from problem
        linked = {str(path): build_cache.hash_of(path) for path in archives} if pip else linked_files(folder)
        return {**manifest, "core": core.name, "linked": linked, "libraries": [path.name for path in wanted.libraries]}

    kept = build_cache.made_and_kept(cache, identity, sources, make)
    for file in kept[0].get("parts", {}).values() or [kept[1].name]:  # what will run
        keep_code_facts(kept[1].with_name(file), core, kept[0].get("again", {}).get(file))
    return _built(*kept, compiler, core, reused=False)


def linked_files(folder: Path) -> dict[str, str]:
    """Path -> hash of what the linker took from elsewhere: the C library's archives, start-up objects.

    Another version of them makes another image of the same sources.
    """
    try:
        lines = (folder / "image.map").read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return {}
    paths = dict.fromkeys(os.path.normpath(line.removeprefix("LOAD ").strip()) for line in lines if line.startswith("LOAD /"))
    return {path: build_cache.hash_of(Path(path)) for path in paths if not path.startswith(f"{folder}/")}


def _built(manifest: build_cache.Manifest, library: Path, compiler: Compiler, core: Core, *, reused: bool) -> Built:
    nano = " nano" if any("nano" in word for word in manifest["kept"]) else ""
    from firmware_shim.board_served import user_mode_emulator

    sweeps = f"; sweeps by {version}" if (version := user_mode_emulator()[1]) and core.unaligned else ""
    own = f"; before it {', '.join(manifest['libraries'])}" if manifest["libraries"] else ""
    named = replace(compiler, c_library=compiler.c_library + nano + own,
                    processor=f"{core.name}, emulated as {model_text(core)}{sweeps}")
    return host_build._built(manifest, library, named, reused=reused)


def model_text(core: Core) -> str:
    """The emulator's model of a core, with what it has beyond the core."""
    name = core.model.removeprefix("UC_CPU_ARM_").replace("_", "-").title()
    return f"{name} ({core.model_note})" if core.model_note else name


def package_chosen(named: str | None) -> Path | None:
    """The package's program where it builds for the board: named, or nothing else is there. Errors: CompilerMissing."""
    words = tuple(shlex.split(named or ""))
    if names_it(words):
        return Path(direct(words, "Sheet(board_compiler=...)")[0])
    return program() if not words and shutil.which(STANDARD_COMPILER) is None else None


def library_to_make(named: str | None, core_name: str, cache: Path | None = None) -> Callable[[], object] | None:
    """What makes the C library that a board build by the package still lacks; None where nothing is to be made."""
    try:
        zig = package_chosen(named)
    except CompilerMissing:
        return None  # the build says so
    core = core_named(core_name)
    if zig is None or not board_pip.library_missing(core, cache, zig):
        return None
    return functools.partial(board_pip.libraries, core, cache, zig)


def how_to_get_one() -> str:
    """One line on each of the two compilers for the board."""
    return (f"{board_pip.CROSS}, or name it: Sheet(board_compiler=...); "
            f"or, with another C library than the board's: {how_to_install('compiler')}")


def board_compiler(named: str | None, core: Core, cache: Path | None) -> Compiler:
    """The cross compiler and its C library. Errors: BoardMissing with one line on how to get it."""
    if importlib.util.find_spec("unicorn") is None or importlib.util.find_spec("capstone") is None:
        raise BoardMissing("no emulator for the board", "Python packages unicorn and capstone", "they are not installed",
                           how_to_install("board"))
    word = named or STANDARD_COMPILER
    zig = package_chosen(named)
    if zig is not None:
        return board_pip.pip_compiler(core, cache, zig)
    if shutil.which(word.split()[0]) is None:
        raise BoardMissing("no compiler for the board", f"'{word}' was looked for on the path", "it is not there",
                           how_to_get_one())
    try:
        compiler = find_compiler(word, cache)
    except CompilerMissing as problem:
        raise BoardMissing("the compiler for the board does not work", problem.where, problem.why,
                           how_to_get_one()) from problem
    if not compiler.target.startswith(("arm", "thumb")):
        raise BoardMissing(f"'{word}' does not compile for Arm", compiler.version, f"it compiles for {compiler.target}",
                           how_to_get_one())
    return replace(compiler, c_library=_c_library(compiler), processor=core.name, processor_features="")


def _c_library(compiler: Compiler) -> str:
    ran = run([*compiler.command, "-E", "-dM", "-include", "stdlib.h", "-x", "c", os.devnull])
    version = re.search(r'^#define (?:_NEWLIB_VERSION|__PICOLIBC_VERSION__) "(.*)"', ran.out, re.M)
    if ran.code != 0:
        raise BoardMissing("the board's C library is not there", compiler.path, (ran.err.strip().splitlines() or ["?"])[0],
                           how_to_get_one())
    name = "picolibc" if "__PICOLIBC__" in ran.out else "newlib"
    return f"{name} {version[1] if version else '(version not told)'}"


def board_flags(text: str, compiler: Compiler, core: Core, folder: Path, language: str) -> HostFlags:
    """The author's flags for the board: target options are kept here; a missing target is the core's own.

    Errors: UnknownFlag; CoreConflict when -mcpu names another core.
    """
    sorted_flags = host_flags(text, compiler, folder=folder, language=language)
    target: list[str] = []
    dropped = []
    for words, why in sorted_flags.dropped:
        if why == TARGET or words.startswith(("--specs=nano", "-specs=nano")):
            target += words.split()
        else:
            dropped.append((words, why))
    cpus = [word.partition("=")[2] for word in target if word.startswith("-mcpu=")]
    if cpus and cpus[-1] not in core.cpus and cpus[-1].partition("+")[0] not in core.cpus:
        raise CoreConflict(
            f"the flags are for {cpus[-1]}, the sheet's core is {core.name}", f"-mcpu={cpus[-1]}",
            f"code for {cpus[-1]} may use instructions that {core.name} lacks, or be slower than it need be",
            f"write -mcpu={core.cpus[0]}, or name the core that is on the board",
        )
    if board_pip.is_pip(compiler):
        return board_pip.pip_flags(sorted_flags, compiler, core, language)
    if not cpus and not any(word.startswith("-march=") for word in target):
        target = [*core.options, *target]
    elif not any(word in ("-mthumb", "-marm") for word in target):
        target.append("-mthumb")
    return HostFlags((*target, *sorted_flags.kept), tuple(dropped), sorted_flags.added)


def _own_names(plan: host_build._Plan) -> list[str]:
    package = ["board_musl"] if board_pip.is_pip(plan.compiler) else []
    return ["board_start", "board_serve", *package, *(["recorder"] if plan.request.variant == "board strict" else [])]


def _own_objects(plan: host_build._Plan, work: Path, target: Sequence[str]) -> None:
    """Start, server and recorder, compiled for the same target. Errors: CompileFailed."""
    start = [*[word for word in target if "specs" not in word], "-O2", "-std=gnu11", "-ffreestanding", "-fno-lto",
             *(("-fno-sanitize=all",) if board_pip.is_pip(plan.compiler) else ())]
    for name in _own_names(plan):
        words = [f"-DPF_EVENTS_AT={EVENTS_AT:#x}u", f"-DPF_POSITION_AT={PROGRESS_AT:#x}u", f"-I{RUNTIME}"]
        compile_part(plan.compiler, work, name, [*start, *(words if name == "recorder" else [])])


def _link(plan: host_build._Plan, work: Path, objects: Sequence[str], part: linking.Part | None, core: Core,
          archives: Sequence[str] = ()) -> Ran:
    """archives: of the package's library, which then links as well."""
    flags = plan.flags_of(plan.sources[0])
    target = [word for word in flags.kept if word.startswith(("-m", "--specs", "-specs"))]
    if part is None:
        _own_objects(plan, work, target)
    before = [str((plan.request.folder or Path.cwd()).absolute() / path) for path in plan.request.libraries]
    if archives:
        own = [f"{name}.o" for name in _own_names(plan)]
        return board_pip.link(plan.compiler, work, [*objects, *own], [*before, *archives], plan.sources, linking.MAPPED)
    command = [*plan.compiler.command, *target, "-nostartfiles", "-T", str(RUNTIME / "board.ld"),
               "-Wl,--no-warn-rwx-segments", "-o", part.file if part else linking.WHOLE, *objects,
               *(f"{name}.o" for name in _own_names(plan))]
    command += (["-Wl,-Map=image.map"] if part is None else
                ["-Wl,--gc-sections", TELLS, *(f"-Wl,--undefined={name}" for name in (*part.symbols, *linking.RECORDER))])
    if any(plan.language(source) == "c++" for source in plan.sources):
        # Where the C++ library is not installed, code that needs nothing of it still links.
        where = run([*plan.compiler.command, *target, "-print-file-name=libstdc++.a"]).out.strip()
        command += ["-lstdc++"] if os.path.isabs(where) else []
    ran = run([*command, "-Wl,--start-group", *before, "-lm", "-lc", "-lgcc", "-Wl,--end-group"], folder=work)
    if ran.code != 0:
        raise compile_messages.link_failure(ran, plan.sources, linking.MAPPED)
    return ran


def _for_board(problem: CompileFailed, core: Core) -> CompileFailed:
    """The same failure in words that fit the board."""
    texts = [text.replace("on the host", f"for {core.name}").replace("for the host", "for the board")
             .replace("the host's assembler does not know this instruction", "the assembler refuses")
             for text in (problem.what, problem.where, problem.why, problem.todo)]
    return CompileFailed(*texts, file=problem.file, line=problem.line, column=problem.column, text=problem.text,
                         missing_headers=problem.missing_headers, symbol=problem.symbol, log=problem.log)
