"""Compiles the author's C, unchanged, into a library that can be driven block by block."""

from __future__ import annotations

import contextlib
import dataclasses
import functools
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from firmware_shim import (
    assigning,
    build_cache,
    chain_source,
    compile_messages,
    linking,
    loop_source,
    machine_source,
    sections_apart,
)
from firmware_shim.build_inputs import as_spelled
from firmware_shim.compiler import Compiler, Ran, find_compiler, run
from firmware_shim.debug_info import DebugInfo, Function
from firmware_shim.errors import CompileFailed, SourceMissing
from firmware_shim.flags import HostFlags, host_flags
from firmware_shim.own_parts import compile_part, own_parts
from firmware_shim.parts_again import Earlier
from firmware_shim.source_names import CPP, CPP_SOURCES, HEADERS, SOURCES
from firmware_shim.strict_flags import first_header, strict_flags

if TYPE_CHECKING:
    from concurrent.futures import ThreadPoolExecutor

    from firmware_shim.call_source import CallCode
    from firmware_shim.chain_source import ChainCode
    from firmware_shim.machine_source import MachineCode

_RUNTIME = Path(__file__).parent / "runtime"
_NO_CHECKS = ("-fno-sanitize=all",)  # some compilers add their own when nothing is said
_OWN = ("-g", "-fPIC", "-fno-lto", "-fno-semantic-interposition", *sections_apart.FLAGS)
_DISCOVERY = ("-O0", "-g", "-fno-lto", *_NO_CHECKS)
_DISCOVERY_KEEP = {
    "gcc": ("-fkeep-static-functions", "-fkeep-inline-functions"),
    "clang": ("-Xclang", "-femit-all-decls"),
}


@dataclass(frozen=True)
class Request:
    """What to build.

    Shape: ``sources`` C or C++ files, or headers whose functions are wanted; ``include`` folders;
           ``flags`` as on the author's command line; ``routines`` names that get a loop; ``variant``
           "host" (the author's own code) or "strict" (with checks that record); ``defines`` "NAME" or
           "NAME=VALUE"; ``headers`` included before each source; ``folder`` resolves relative paths in
           all of these (default: the current folder); ``own_flags`` (source, flags) of sources that are
           compiled in a way of their own: they come before ``flags``; ``calls`` that the sheet writes out; ``chains`` paths;
           ``peripherals`` (address, value) of 32-bit words, set before each call; for the board only: ``image`` a
           finished .elf or .o to run instead of the sources, ``init_array`` run its constructors first, ``libraries``
           archives that are linked before the compiler's own C library; ``apart`` whether each routine gets a library of
           its own, ``together`` (routine, another whose loop it is run with); ``objects`` whether the units' objects are
           kept beside the library.
    """

    sources: tuple[Path, ...]
    include: tuple[Path, ...] = ()
    flags: str = ""
    routines: tuple[str, ...] = ()
    variant: str = "host"
    compiler: str | None = None
    defines: tuple[str, ...] = ()
    headers: tuple[Path, ...] = ()
    folder: Path | None = None
    own_flags: tuple[tuple[Path, str], ...] = ()
    machines: tuple[MachineCode, ...] = ()
    calls: tuple[CallCode, ...] = ()
    chains: tuple[ChainCode, ...] = ()
    peripherals: tuple[tuple[int, int], ...] = ()
    image: Path | None = None
    init_array: bool = False
    libraries: tuple[Path, ...] = ()
    apart: bool = True
    together: tuple[tuple[str, str], ...] = ()
    objects: bool = False

    def by_field(self) -> dict[str, Any]:
        """Name -> value, for a request of another kind."""
        return {field.name: getattr(self, field.name) for field in dataclasses.fields(Request)}

    def all_loops(self) -> list[str]:
        """Names of all that gets a loop."""
        return [*self.routines, *(call.name for call in self.calls), *(chain.name for chain in self.chains)]


@dataclass(frozen=True)
class Built:
    """A finished library and all that was learned on the way.

    Shape: ``key`` SHA-256 over everything the library depends on; ``loops`` routine -> symbol of its
           loop; ``parts`` routine -> file of a library that holds what it reaches and nothing else;
           ``source_hashes`` path -> SHA-256 of every source and header used; ``reused`` whether it
           came from the cache; ``info`` the whole library's debug information, decoded when first asked.
    """

    variant: str
    library: Path
    key: str
    compiler: Compiler
    kept_flags: tuple[str, ...]
    dropped_flags: tuple[tuple[str, str], ...]
    loops: dict[str, str]
    machines: dict[str, str]
    source_hashes: dict[str, str]
    log: str
    reused: bool
    parts: Mapping[str, str] = field(default_factory=dict)
    objects: tuple[Path, ...] = ()

    def library_of(self, name: str) -> Path:
        """The library in which a routine runs: its own, else the whole."""
        return self.library.with_name(self.parts[name]) if name in self.parts else self.library

    @functools.cached_property
    def info(self) -> DebugInfo:
        """Errors: SourceMissing if the library has gone."""
        return build_cache.cached_info(self.library)


@dataclass(frozen=True)
class _Plan:
    """A checked request: absolute paths, sorted flags, the folder to work in."""

    request: Request
    sources: tuple[Path, ...]
    compiler: Compiler
    common: tuple[str, ...]
    flags: Mapping[str, HostFlags]
    forced: dict[Path, tuple[str, ...]] = field(default_factory=dict)
    own: tuple[str, ...] = _OWN

    def language(self, source: Path) -> str:
        return "c++" if source.suffix in CPP else "c"

    def command(self, source: Path) -> tuple[str, ...]:
        return (*self.flags_of(source).all, *self.common, *self.forced.get(source, ()))

    def flags_of(self, source: Path) -> HostFlags:
        return self.flags.get(str(source)) or self.flags[self.language(source)]


def build(request: Request, cache: Path | None = None) -> Built:
    """Build, or take from the cache if nothing it depends on has changed.

    Shape:  ``cache`` defaults to $XDG_CACHE_HOME/preflash or ~/.cache/preflash.
    Errors: any ShimError, each naming its cause; nothing half-built is left behind.
    """
    cache = build_cache.folder(cache)
    compiler = find_compiler(request.compiler, cache)
    sources = _check_sources(request)
    identity = build_cache.identity(request, sources, compiler, _RUNTIME)
    found = build_cache.find(cache, identity)
    if found is not None:
        manifest, library = found
        return _built(manifest, library, compiler, reused=True)
    plan = _plan(request, sources, compiler)
    earlier = build_cache.earlier(cache, identity)
    kept = build_cache.made_and_kept(cache, identity, sources, lambda folder: _make(plan, folder, earlier=earlier))
    with contextlib.suppress(SourceMissing):
        build_cache.cached_info(kept[1])  # decoded here, while other builds of the sheet are still being compiled
    return _built(*kept, compiler, reused=False)


def _built(manifest: build_cache.Manifest, library: Path, compiler: Compiler, *, reused: bool) -> Built:
    return Built(
        variant=manifest["variant"],
        library=library,
        key=manifest["key"],
        compiler=compiler,
        kept_flags=tuple(manifest["kept"]),
        dropped_flags=tuple((a, b) for a, b in manifest["dropped"]),
        loops=dict(manifest["loops"]),
        machines=dict(manifest["machines"]),
        source_hashes=dict(manifest["hashes"]),
        log=manifest["log"],
        reused=reused,
        parts=dict(manifest.get("parts", {})),
        objects=tuple(library.with_name(name) for name in manifest.get("objects", ())),
    )


def _check_sources(request: Request) -> tuple[Path, ...]:
    base = request.folder or Path.cwd()
    if request.variant not in ("host", "strict"):
        raise SourceMissing(
            f"no build is called '{request.variant}'", "the request", "known: host, strict",
            "name one of them",
        )
    if not request.sources:
        raise SourceMissing("no source to build", "the request", "its list is empty", "name at least one")
    paths = tuple(dict.fromkeys(Path(os.path.abspath(base / s)) for s in request.sources))
    for path in (*paths, *(base / h for h in (*request.headers, *request.libraries))):
        if not path.is_file():
            near = assigning.nearest(path.name, os.listdir(path.parent) if path.parent.is_dir() else [], 0.7)
            todo = f"did you mean {', '.join(near)}?" if near else "check the path"
            raise SourceMissing(f"{path.name} is not there", str(path), "no such file", todo)
        if not os.access(path, os.R_OK):
            raise SourceMissing(f"{path.name} cannot be read", str(path), "its permissions keep others out",
                                f"let it be read: chmod u+r {path.name}")
    for folder in request.include:
        if not (base / folder).is_dir():
            raise SourceMissing(
                f"the include folder {folder} is not there", str(base / folder), "no such folder",
                "check the path",
            )
    for path in paths:
        if path.suffix not in (*SOURCES, *HEADERS):
            raise SourceMissing(
                f"{path.name} is not C or C++", str(path), f"its name ends in '{path.suffix}'",
                f"name files ending in .c, {', '.join((*CPP_SOURCES, *HEADERS))}",
            )
    return paths


def _plan(
    request: Request, sources: tuple[Path, ...], compiler: Compiler,
    sort: Callable[[str, Path, str], HostFlags] | None = None, own: tuple[str, ...] = _OWN,
) -> _Plan:
    """sort: the author's flags, a folder and a language, sorted for another target than this computer."""
    def sorted_flags(text: str, language: str) -> HostFlags:
        return sort(text, base, language) if sort else host_flags(text, compiler, folder=base, language=language)

    base = (request.folder or Path.cwd()).absolute()
    common = [f"-I{base / folder}" for folder in request.include]
    common += [f"-D{define}" for define in request.defines]
    common += ["-isystem", str(_RUNTIME / "intrinsics")]  # arm_acle.h for this computer
    for header in request.headers:
        common += ["-include", str(base / header)]
    plan = _Plan(request, sources, compiler, tuple(common), {})
    languages = dict.fromkeys(plan.language(s) for s in sources)
    flags = {language: sorted_flags(request.flags, language) for language in languages}
    for source, words in request.own_flags:
        path = Path(os.path.abspath(base / source))
        flags[str(path)] = sorted_flags(f"{words} {request.flags}", plan.language(path))
    return replace(plan, flags=flags, own=own)


def _make(plan: _Plan, work: Path, link: linking.Link = linking.link_shared,
          earlier: Sequence[Earlier] = ()) -> build_cache.Manifest:
    """Discovery, generated units, link: everything inside one temporary folder."""
    from concurrent.futures import ThreadPoolExecutor  # its import costs more than a warm build

    workers = max(1, min(len(plan.sources) + 1, os.cpu_count() or 1))
    with ThreadPoolExecutor(workers) as pool:
        parts = [pool.submit(compile_part, plan.compiler, work, name) for name in own_parts(plan.request)]
        infos = _discover(plan, work, pool)
        wanted = {*plan.request.routines, *(name for call in plan.request.calls for name in call.called())}
        if any(all(name not in i.functions for i in infos) for name in wanted):
            infos = _with_inline_only(infos, _discover(plan, work, pool, ("-fgnu89-inline",)))
        cpp = [plan.language(source) == "c++" for source in plan.sources]
        chosen = assigning.assign(plan.request.routines, plan.sources, infos, cpp)
        calls = assigning.assign_calls(plan.request.calls, plan.sources, infos, cpp)
        functions = [function for part in chosen.values() for function in part]
        types = chain_source.types_of(functions, plan.request.calls)
        paths = chain_source.generate_all(plan.request.chains, types, cpp=cpp[0])
        jobs = []
        for at, (source, info) in enumerate(zip(plan.sources, infos, strict=True)):
            here = [m for m in plan.request.machines if _home(m, infos, cpp) == at]
            jobs.append(pool.submit(_compile_unit, plan, work, at, source, info, chosen.get(at, []), here,
                                    calls.get(at, []), "" if at else paths))
        units = [job.result() for job in jobs]
        objects = [made.name for made, _, _ in units]
        objects += [part.result() for part in parts]
    linked = linking.link_all(plan, work, objects, link, earlier)
    hashes = dict(sorted((f, h) for _, files, _ in units for f, h in files.items()))
    flags = plan.flags_of(plan.sources[0])
    ways = dict.fromkeys(plan.flags_of(source).all + plan.forced.get(source, ()) for source in plan.sources)
    names = plan.request.all_loops()
    return {
        "variant": plan.request.variant,
        "key": "",
        "kept": list(dict.fromkeys(word for way in ways for word in way)) if len(ways) > 1 else list(*ways),
        "dropped": [list(pair) for pair in flags.dropped],
        "machines": {m.name: machine_source.prefix(m.name) for m in plan.request.machines},
        "loops": {name: loop_source.loop_symbol(name) for name in names},
        "hashes": hashes,
        "log": "".join(log for _, _, log in units) + linked.said.err,
        "parts": linked.apart,
        "again": linked.again,
        "objects": [made.name for made, _, _ in units] if plan.request.objects else [],
    }


def _unit_suffix(plan: _Plan, source: Path) -> str:
    return ".cpp" if plan.language(source) == "c++" else ".c"


def _with_inline_only(infos: list[DebugInfo], wider: list[DebugInfo]) -> list[DebugInfo]:
    """Adds functions that C99 calls inline definitions: no code exists unless somebody asks for it."""
    out = []
    for info, more in zip(infos, wider, strict=True):
        extra = {n: replace(f, inline=True) for n, f in more.functions.items() if n not in info.functions}
        out.append(replace(info, functions={**info.functions, **extra}))
    return out


def _discover(
    plan: _Plan, work: Path, pool: ThreadPoolExecutor, c_only: tuple[str, ...] = ()
) -> list[DebugInfo]:
    """What each source defines, learned from an unoptimised compile of it alone."""

    def one(at: int, source: Path) -> tuple[DebugInfo | None, Ran, Path]:
        unit = work / f"look{at}{_unit_suffix(plan, source)}"
        unit.write_text(loop_source.unit(source, (), has_main=False) + loop_source.END)
        made = f"look{at}.o"
        keep = _DISCOVERY_KEEP[plan.compiler.family]
        more = c_only if plan.language(source) == "c" else ()
        command = [*plan.compiler.command, *plan.command(source), *_DISCOVERY, *keep, *more]
        ran = run([*command, "-c", unit.name, "-o", made], folder=work)
        if source not in plan.forced and compile_messages.wants_core_names(ran.err):
            plan.forced[source] = ("-include", str(_RUNTIME / "intrinsics" / "core_intrinsics.h"))
            return one(at, source)
        if ran.code != 0:
            return None, ran, unit
        from firmware_shim.dwarf_reader import read  # its import costs more than a warm build

        try:
            info = read(work / made, whole=False)
        except SourceMissing:  # nothing but declarations: no code, so no debug information
            info = DebugInfo({}, (), (), {})
        (work / made).unlink()
        unit.unlink()
        return info, ran, unit

    found = list(pool.map(one, range(len(plan.sources)), plan.sources))
    pairs = zip(plan.sources, found, strict=True)
    failed = [(source, ran, unit) for source, (info, ran, unit) in pairs if info is None]
    if failed:
        missing: dict[str, None] = {}
        for source, ran, unit in failed:
            names = compile_messages.missing_headers(plan.compiler, plan.command(source), unit, work, ran.err)
            missing.update(dict.fromkeys(names))
        raise compile_messages.compile_failure(failed[0][0], failed[0][1], tuple(missing))
    return [info for info, _, _ in found if info is not None]


def _home(machine: MachineCode, infos: list[DebugInfo], cpp: list[bool]) -> int:
    """The unit that carries a machine: the one that defines most of the functions its texts name; a class needs C++."""
    words, classes = machine.words(), machine.of_class()
    names = [{part for name in info.functions for part in name.partition("(")[0].split("::")} for info in infos]
    return max(range(len(infos)), key=lambda at: (classes and cpp[at], len(words & names[at]), -at))


def _compile_unit(
    plan: _Plan, work: Path, at: int, source: Path, info: DebugInfo, functions: list[Function],
    machines: Sequence[MachineCode] = (), calls: Sequence[CallCode] = (), paths: str = "",
) -> tuple[Path, dict[str, str], str]:
    cpp = plan.language(source) == "c++"
    unit = work / f"unit{at}{_unit_suffix(plan, source)}"
    main = info.functions.get("main")
    text = loop_source.unit(source, functions, has_main=main is not None, cpp=cpp, calls=calls,
                            known=info.functions.values(), words=dict(plan.request.peripherals))
    unit.write_text(text + machine_source.generate_all(machines, cpp=cpp) + paths + loop_source.END)
    made, rule = unit.with_suffix(".o"), unit.with_suffix(".d")
    strict = strict_flags(plan.compiler, plan.request.variant) or _NO_CHECKS
    own = (*plan.own, f"-ffile-prefix-map={work}={linking.MAPPED}", *strict)
    early = first_header(plan.compiler, plan.request.variant)
    words = [*plan.command(source), *own, "-MD", "-MF", rule.name]
    ran = sections_apart.compile_apart([*plan.compiler.command, *early, *words], unit.name, made.name, work)
    if ran.code != 0 and early:  # an author's own sprintf, and the like, does not go with it
        words.append("-U_FORTIFY_SOURCE")
        ran = sections_apart.compile_apart([*plan.compiler.command, *words], unit.name, made.name, work)
    if ran.code != 0:
        failure: CompileFailed = compile_messages.compile_failure(source, ran)
        raise machine_source.failed_machine(assigning.failed_call(failure, calls), machines)
    files = [as_spelled(os.path.join(work, f)) for f in compile_messages.rule_files(rule.read_text())]
    used = [f for f in files if f != str(unit)]
    return made, {f: build_cache.hash_of(Path(f)) for f in used}, ran.err
