"""The routine in the image that will be flashed, or in an object file of the author's own build system.

The image is taken as it is: segments at their addresses, .data copied, .bss cleared; no start-up code of a vendor
runs. What is built here is only the loops that call into it, in a file of their own beside it.
"""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

from elftools.common.exceptions import ELFError
from elftools.elf.elffile import ELFFile

from firmware_shim import build as host_build
from firmware_shim import build_cache, chain_source, compile_messages, linking, loop_source
from firmware_shim.board_places import LOOPS
from firmware_shim.board_ready_texts import Units, units
from firmware_shim.compiler import Ran, run
from firmware_shim.cores import Core, CoreConflict
from firmware_shim.debug_info import DebugInfo, Function
from firmware_shim.errors import CompileFailed, SourceMissing

RUNTIME = Path(__file__).parent / "runtime"
HEAP_BYTES = 1 << 20
# Tag_CPU_arch of the Arm build attributes (Addenda to the ABI, IHI 0045): what each core runs.
ARCHITECTURES = {"v6-M": {0, 11, 12}, "v7-M": {0, 10, 11, 12}, "v7E-M": {0, 10, 11, 12, 13},
                 "v8-M": {0, 10, 11, 12, 13, 16, 17}}


def _refused(path: Path, why: str, todo: str, routines: list[str] | None = None) -> CoreConflict:
    problem = CoreConflict("the finished image cannot be used", path.name, why, todo)
    problem.routines = tuple(routines or ())
    return problem


def _attribute(elf: Any, tag: str) -> int:
    section = elf.get_section_by_name(".ARM.attributes")
    for part in section.iter_subsections() if section is not None else ():
        for scope in part.iter_subsubsections():
            for attribute in scope.iter_attributes():
                if attribute.tag == tag:
                    return int(attribute.value)
    return 0


def _name_of(architecture: int) -> str:
    """An architecture as its owner calls it."""
    known = {0: "one before Armv4", 10: "Armv7", 11: "Armv6-M", 12: "Armv6S-M", 13: "Armv7E-M", 14: "Armv8-A",
             16: "Armv8-M Baseline", 17: "Armv8-M Mainline", 21: "Armv8.1-M Mainline"}
    return known.get(architecture, "another") + f", Tag_CPU_arch {architecture}"


class Finished:
    """What is known of a finished file. Errors: CoreConflict."""

    def __init__(self, path: Path, core: Core) -> None:
        self.path = path
        if not path.is_file():
            raise _refused(path, "there is no such file", f"check the path in Sheet(image=...); looked for: {path}")
        try:
            with open(path, "rb") as stream:
                elf = ELFFile(stream)
                if elf["e_machine"] != "EM_ARM" or elf["e_type"] not in ("ET_EXEC", "ET_REL"):
                    raise _refused(path, "it is neither an executable nor an object file for Arm",
                                   "name the .elf that your build system makes (not .bin or .hex), or one of its .o files")
                self.whole = elf["e_type"] == "ET_EXEC"
                self.hard_float = _attribute(elf, "TAG_ABI_VFP_ARGS") == 1
                architecture = _attribute(elf, "TAG_CPU_ARCH")
                text = elf.get_section_by_name(".text")
                self.text = (text["sh_addr"], text["sh_addr"] + text["sh_size"]) if text is not None else (0, 0)
                self.memory_end = max((s["p_vaddr"] + s["p_memsz"] for s in elf.iter_segments()
                                       if s["p_type"] == "PT_LOAD" and s["p_flags"] & 2), default=0x20000000)
                table: Any = elf.get_section_by_name(".symtab")
                every = [s for s in (table.iter_symbols() if table is not None else ()) if s["st_shndx"] != "SHN_UNDEF"]
                self.symbols = {s.name: s["st_value"] for s in every}
                self.functions = {s.name for s in every if s["st_info"]["type"] == "STT_FUNC"}
        except (OSError, ELFError) as problem:
            raise _refused(path, str(problem) or "it cannot be read", "check the path in Sheet(image=...)") from problem
        if architecture not in ARCHITECTURES[core.architecture]:
            raise _refused(path, f"it is built for another architecture than {core.name} has ({_name_of(architecture)})",
                           "name the core that is on the board, or the image that is for it")
        if self.hard_float and core.fpu == "none":
            raise _refused(path, f"it passes floating-point numbers in registers that {core.name} lacks",
                           "name the core that is on the board, or the image that is for it")
        if self.whole and not self.text[1]:
            raise _refused(path, "it has no section .text", "keep the code in a section .text")

    def info(self) -> DebugInfo:
        """Debug information. Errors: CoreConflict."""
        try:
            return build_cache.cached_info(self.path)
        except SourceMissing as problem:
            raise _refused(self.path, problem.why, "build it with -g: what is flashed stays the same") from problem

    def routines(self, names: tuple[str, ...]) -> list[Function]:
        """The functions asked for. Errors: CoreConflict with the remedy, UnsupportedPrototype."""
        known, found = self.info().functions, []
        gone: list[str] = []
        absent: list[str] = []
        for name in names:
            function = known.get(name)
            if name in self.functions and function is not None:
                loop_source.check_prototype(function)
                found.append(replace(function, inline=False))
            else:
                (absent if function is None else gone).append(name)
        if gone:
            raise _refused(self.path, f"{', '.join(gone)}: inlined into the callers, no code of its own is left",
                           "write __attribute__((noinline, used)) before it, or let the sheet's sources be compiled instead",
                           gone)
        if absent:
            raise _refused(self.path, f"{', '.join(absent)}: not in it, or its unit was built without -g",
                           "check the name, or build that unit with -g", absent)
        return found


def prototype(function: Function) -> str:
    """A declaration from debug information alone."""
    types = [loop_source.element_type(parameter.ctype) for parameter in function.parameters]
    return f"extern {loop_source.element_type(function.result)} {function.name}({', '.join(map(str, types)) or 'void'});\n"


def make(plan: host_build._Plan, work: Path, finished: Finished, core: Core, link: Any) -> build_cache.Manifest:
    """The loops, linked against the finished file; the folder then holds library.so. Errors: ShimError."""
    request = plan.request
    functions = finished.routines(request.routines)
    abi = "-mfloat-abi=" + ("hard" if finished.hard_float else "softfp" if core.fpu != "none" else "soft")
    texts = _texts(plan, work, finished, abi)
    words = dict(request.peripherals)
    unit = work / "loops.c"
    text = "".join(prototype(f) + loop_source.loop(f, words) for f in functions)
    text += chain_source.generate_all(request.chains, chain_source.types_of(functions, request.calls))
    unit.write_text((loop_source.call_source.HELPERS if words else "") + text)
    flags = plan.flags_of(plan.sources[0])
    target = [word for word in flags.kept if word.startswith("-m") and not word.startswith("-mfloat-abi")]
    target.append(abi)
    compile_it = [*plan.compiler.command, *target, "-O2", "-std=gnu11", "-ffreestanding", "-fno-lto", "-w", "-c"]
    ran = run([*compile_it, unit.name, "-o", "loops.o"], folder=work)
    if ran.code != 0:
        raise compile_messages.compile_failure(unit, ran)
    ran = (_beside if finished.whole else _together)(plan, work, finished, compile_it, target, link, texts)
    return {
        "variant": request.variant, "key": "", "kept": target, "dropped": [],
        "machines": texts.manifest.get("machines", {}),
        "loops": {name: loop_source.loop_symbol(name) for name in request.all_loops()},
        "hashes": {**{f: h for f, h in texts.manifest.get("hashes", {}).items() if not f.startswith(f"{work}/")},
                   str(finished.path): build_cache.hash_of(finished.path)},
        "log": ran.err, "image": str(finished.path), "inlined": texts.inlined,
    }


def _texts(plan: host_build._Plan, work: Path, finished: Finished, abi: str) -> Units:
    """The units of calls and machines, if the request has any. Errors: ShimError."""
    request = plan.request
    if not (request.calls or request.machines):
        return Units({})
    made = units(plan, work, set(finished.symbols), finished.info(), (abi,))
    for name, why in made.refused.items():
        raise _refused(finished.path, f"{name}: {why}", "or check it in a sheet without image=",
                       [n for n, reason in made.refused.items() if reason == why])
    return made


def _together(plan: host_build._Plan, work: Path, finished: Finished, compile_it: list[str], target: list[str],
              link: Any, texts: Units) -> Ran:
    """An object file: linked with the loops as a compiled source would be."""
    shutil.copy(finished.path, work / "finished.o")
    names = [word for name in plan.request.routines for word in ("--globalize-symbol", name)]
    tool = run([*plan.compiler.command, "-print-prog-name=objcopy"]).out.strip()
    run([tool, *names, "finished.o"], folder=work)
    try:
        ran: Ran = link(plan, work, ["finished.o", "loops.o", *texts.objects], None)
    except CompileFailed as problem:
        raise _refused(finished.path, f"it does not link: {problem.why}",
                       "name the finished .elf instead: it has everything that the object needs") from problem
    return ran


def _beside(plan: host_build._Plan, work: Path, finished: Finished, compile_it: list[str], target: list[str],
            link: Any, texts: Units) -> Ran:
    """An executable: taken as it is, the loops in a file of their own."""
    ran = run([*compile_it, "-DPF_READY", str(RUNTIME / "board_start.c"), "-o", "board_start.o"], folder=work)
    if ran.code != 0:
        raise compile_messages.compile_failure(RUNTIME / "board_start.c", ran)
    places = {name: finished.symbols[name] | 1 for name in plan.request.routines}
    places |= {name: finished.symbols[name] | (name in finished.functions) for name in texts.weak}
    places |= {"__pf_own_start": finished.text[0], "__pf_own_end": finished.text[1],
               "__pf_heap_end": (finished.memory_end + 4095) // 4096 * 4096 + HEAP_BYTES}
    first, last = ("__init_array_start", "__init_array_end")
    constructors = plan.request.init_array
    if constructors and not {first, last} <= set(finished.symbols):
        raise _refused(finished.path, f"it has no {first} and {last}",
                       "drop init_array=True, or name them in the linker script")
    places |= {"__pf_init_start": finished.symbols[first] if constructors else 0,
               "__pf_init_end": finished.symbols[last] if constructors else 0}
    ran = run([*plan.compiler.command, *target, "-nostdlib", "-T", str(RUNTIME / "board_ready.ld"), "-o", LOOPS, "loops.o",
               *texts.objects, "board_start.o", *[f"-Wl,--defsym={name}={value:#x}" for name, value in places.items()],
               "-Wl,--no-warn-rwx-segments", "-Wl,--start-group", "-lm", "-lc", "-lgcc", "-Wl,--end-group"], folder=work)
    if ran.code != 0:
        raise compile_messages.link_failure(ran, plan.sources, linking.MAPPED)
    shutil.copy(finished.path, work / "library.so")
    return ran


def finished_file(request: host_build.Request, core: Core) -> Finished:
    """The file that the request names. Errors: CoreConflict."""
    base = (request.folder or Path.cwd()).absolute()
    return Finished(base / str(request.image), core)

