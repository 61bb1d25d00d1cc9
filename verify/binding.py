"""Sheet meets C: builds the sources, matches prototypes, makes screens, and gives Bound routines."""

from __future__ import annotations

import hashlib
import shlex
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from firmware_shim.build import Built, Request, build
from firmware_shim.clang_strict import build_clang_strict
from firmware_shim.compile_commands import flags_for
from firmware_shim.compile_messages import without_effect
from firmware_shim.compiler import find_compiler, write_whole
from firmware_shim.cores import CoreConflict, core_named
from firmware_shim.debug_info import CType, DebugInfo
from firmware_shim.engine import TYPE_NUMBERS, build_engine, compile_own
from firmware_shim.errors import ShimError
from firmware_shim.memory_map import left_out, regions_of
from reference import tracing
from verify.cache_place import cache_folder
from verify.calls import call_code, prototype_text, reachable, target_of
from verify.claims.accurate import Accurate
from verify.claims.base import Claim
from verify.conversions import second_pass
from verify.domain import MOST_ORDINALS, Domain
from verify.errors import BindingError
from verify.grids import fits, rounded_list
from verify.image_notes import image_notes
from verify.interrupted_functions import machines_of
from verify.machines.code import code_of
from verify.paths.binding import as_run, chain_code, path_target, runs_in, with_stages
from verify.routine import Board, Bound, Routine
from verify.sheet import ALL_BUILDS, KNOWN_BUILDS, Sheet
from verify.strict_beside_host import beside_host
from verify.stub_notes import guess_notes
from verify.thinning import thinned

__all__ = ["cache_folder", "prototype_text", "reachable"]


def build_board(request: Request, core: str, cache: Path) -> Built:
    """The board's build; its modules are wanted with a board only. Errors: ShimError."""
    from firmware_shim import board_build

    return board_build.build_board(request, core, cache)


@dataclass(frozen=True)
class Bench:
    """One build of the sheet, ready to run: bound routines, or the reason why it is blocked.

    apart: routines that cannot run in it although others do, with the reason; levels: the same at other optimisation;
    unseen: why clang's checks are missing beside the strict build.
    """

    build: str
    built: Built | None
    bounds: Mapping[str, Bound]
    engine: Path | None = None
    problem: ShimError | None = None
    apart: Mapping[str, ShimError] = field(default_factory=dict)
    levels: Mapping[str, Built] = field(default_factory=dict)
    unseen: ShimError | None = None


def request_for(sheet: Sheet, variant: str) -> Request:
    """The build request of a sheet."""
    flags = sheet.flags if isinstance(sheet.flags, str) else " ".join(sheet.flags)
    own: tuple[tuple[Path, str], ...] = ()
    if sheet.compile_commands:
        database = sheet.file.parent / sheet.compile_commands
        sources = [(sheet.file.parent / source).absolute() for source in sheet.sources]
        own = tuple((source, shlex.join(words)) for source, words in flags_for(database, sources).items())
    known = {routine.name for routine in sheet.routines}
    # Where a setter may come in the middle of a function, both are one machine.
    interrupted = machines_of(sheet.routines) if variant == "board" else []
    return Request(
        sources=tuple(Path(source) for source in sheet.sources),
        include=tuple(Path(folder) for folder in sheet.include),
        flags=flags,
        routines=tuple(routine.name for routine in sheet.routines if routine.call is None and routine.stages is None),
        chains=tuple(chain_code(routine) for routine in sheet.routines if routine.stages is not None),
        variant=variant,
        compiler=sheet.board_compiler if variant.startswith("board") else sheet.compiler,
        defines=tuple(sheet.defines),
        headers=tuple(Path(header) for header in sheet.headers),
        folder=sheet.file.parent,
        own_flags=own,
        machines=tuple(code_of(machine) for machine in (*sheet.machines, *interrupted)),
        calls=tuple(call_code(routine) for routine in sheet.routines if routine.call is not None),
        peripherals=tuple(sorted(sheet.peripherals.items())),
        image=Path(sheet.image) if sheet.image and variant == "board" else None,
        init_array=bool(sheet.init_array) and variant == "board",
        libraries=tuple(map(Path, sheet.board_libraries)) if variant.startswith("board") else (),
        together=tuple((routine.name, other) for routine in sheet.routines for claim in routine.claims
                       if (other := claim.partner_of(routine)) and other in known),
    )


def make_benches(sheet: Sheet, builds: tuple[str, ...] | None = None) -> list[Bench]:
    """Build all variants (in parallel) and bind every routine.

    Errors: BindingError when sheet and C disagree; ShimErrors become blocked benches, but those that
    are the sheet's own mistakes (missing source, unknown symbol) are raised.
    """
    from firmware_shim.errors import SourceMissing, SymbolMissing, UnsupportedPrototype

    cache = cache_folder()
    variants = builds or tuple(sheet.builds)

    apart: dict[str, ShimError] = {}

    def attempt(variant: str) -> Built | ShimError:
        try:
            if variant == "board" and sheet.image:
                return finished_image(request_for(sheet, variant), sheet.core or "", cache, apart)
            if variant.startswith("board"):
                return build_board(request_for(sheet, variant), sheet.core or "", cache)
            if variant == "narrow":
                from firmware_shim.narrow_build import build_narrow  # wanted with such a build only

                return build_narrow(request_for(sheet, variant), cache)
            if variant == "clang strict":
                return build_clang_strict(request_for(sheet, variant), cache)
            return build(request_for(sheet, variant), cache)
        except ShimError as problem:
            return problem

    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(len(variants)) as pool:
        results = list(pool.map(attempt, variants))
    for result in results:
        if isinstance(result, SourceMissing | SymbolMissing | UnsupportedPrototype):
            raise result
    if builds is None and sheet.builds is ALL_BUILDS and widths_matter(sheet, dict(zip(variants, results, strict=True))):
        # What overflows there and not here is seen in no other build.
        variants, results = (*variants, "board strict"), [*results, attempt("board strict")]
    second = second_pass(results[1], attempt) if builds is None and sheet.builds in (KNOWN_BUILDS, ALL_BUILDS) else None
    unseen = second if isinstance(second, ShimError) else None  # nobody asked for it: said, but nothing is blocked
    if isinstance(second, Built):
        variants, results = (*variants, "clang strict"), [*results, second]
    benches = []
    for variant, result in zip(variants, results, strict=True):
        if isinstance(result, ShimError):
            benches.append(Bench(variant, None, {}, None, result))
            continue
        own = find_compiler(sheet.compiler, cache).line if variant.startswith(("board", "clang")) else result.compiler.line
        engine = build_engine(own, cache)
        missing = apart if variant == "board" else {}
        benches.append(Bench(variant, result, bind_all(sheet, result, cache, own, missing), engine, apart=missing,
                             unseen=unseen if variant == "strict" else None))
    return beside_host(with_hosts(sheet, benches, cache))


def finished_image(request: Request, core: str, cache: Path, apart: dict[str, ShimError]) -> Built:
    """A finished image; routines that it has no code of are put apart, with the reason. Errors: ShimError."""
    while True:
        try:
            return build_board(request, core, cache)
        except CoreConflict as problem:
            gone = set(problem.routines)
            left = replace(request, routines=tuple(name for name in request.routines if name not in gone),
                           calls=tuple(call for call in request.calls if call.name not in gone),
                           machines=tuple(machine for machine in request.machines if machine.name not in gone),
                           chains=tuple(chain for chain in request.chains if not gone & set(chain.stages)))
            if not gone or not (left.routines or left.calls or left.machines):
                raise
            apart.update(dict.fromkeys(gone, problem))
            request = left


def notes_of_image(sheet: Sheet, name: str, built: Built | None) -> tuple[str, ...]:
    """What a finished image means for a routine or a machine of the sheet."""
    if built is None or not sheet.image:
        return ()
    return image_notes(request_for(sheet, "board"), sheet.core or "", str(built.library), name, built.key, cache_folder())


def apart_of(routine: Routine, apart: Mapping[str, ShimError]) -> bool:
    """Whether a routine, or a stage of a path, cannot run in a build."""
    stages = routine.stages.routines if routine.stages is not None else ()
    return any(one.name in apart for one in (routine, *stages))


def widths_matter(sheet: Sheet, results: Mapping[str, Built | ShimError]) -> bool:
    """Whether a routine of the sheet uses objects that are narrower on the board, whose build exists."""
    host = results["host"]
    if isinstance(host, ShimError) or isinstance(results["board"], ShimError):
        return False
    info = host.info
    return any(info.width_differences.get(function) for routine in sheet.routines if routine.stages is None
               for function in (target_of(routine, info)[3] or {routine.name}))


def ready_engine(sheet: Sheet) -> Path | None:
    """The engine of this computer's compiler, compiled when it is not there yet; None when there is no compiler."""
    try:
        return build_engine(find_compiler(sheet.compiler, cache_folder()).line, cache_folder())
    except ShimError:
        return None


def with_hosts(sheet: Sheet, benches: list[Bench], cache: Path) -> list[Bench]:
    """The board's routines learn of the host's, and of the way to build them once more."""
    host = next((bench for bench in benches if bench.build == "host"), None)

    def joined(name: str, bound: Bound) -> Bound:
        def rebuilt(flag: str) -> Bound | None:
            request = request_for(sheet, "board")
            if request.image is not None:
                return None  # its code is what it is
            try:
                built = build_board(replace(request, flags=f"{request.flags} {flag}"), sheet.core or "", cache)
            except ShimError:
                return None
            return replace(bind(bound.routine, built, built.info, bound.peripherals), board=bound.board)

        board = Board(sheet.core or "", float(sheet.sample_rate_hz), sheet.clock_hz and float(sheet.clock_hz),
                      sheet.default_nan, rebuilt, board_library)
        return replace(bound, board=board, host=host.bounds.get(name) if host else None)

    board = next((bench for bench in benches if bench.build == "board"), None)
    board_library = board.built.compiler.c_library if board is not None and board.built is not None else ""
    said = {name: notes_of_image(sheet, name, board.built) for name in board.bounds} if board else {}
    if any(said.values()):
        benches = [replace(bench, bounds={name: replace(bound, notes=(*bound.notes, *said.get(name, ())))
                                          for name, bound in bench.bounds.items()}) for bench in benches]
    return [bench if bench.build != "board" else
            replace(bench, bounds={name: joined(name, bound) for name, bound in bench.bounds.items()}) for bench in benches]


def bind_all(sheet: Sheet, built: Built, cache: Path, compiler: str = "",
             apart: Mapping[str, ShimError] | None = None) -> dict[str, Bound]:
    """Bind every routine of the sheet to one build. compiler: this computer's own, for the screens; apart: not these."""
    info = built.info
    words = tuple(sorted(sheet.peripherals.items()))
    run_here = [routine for routine in sheet.routines
                if runs_in(routine, built.variant) and not apart_of(routine, apart or {})]
    bounds = with_stages({routine.name: bind(routine, built, info, words) for routine in run_here})
    if not built.variant.endswith("strict"):
        bounds = with_screens(bounds, compiler or built.compiler.line, cache)
    for name, bound in bounds.items():
        partners = {}
        for claim in bound.routine.claims:
            other = claim.partner_of(bound.routine)
            if other:
                problem = claim.partner_problem(bound, bounds.get(other))
                if problem:
                    raise BindingError(f"{claim.name} with {other!r} does not fit {name}", where=bound.routine.place,
                                       why=problem, todo="inverses meet in one C type, coefficients have the same inputs")
                partners[other] = bounds[other]
            if isinstance(claim, Accurate) and claim.check_bound(bound):
                raise BindingError(f"{claim.label()} does not fit {name}", where=bound.routine.place,
                                   why=f"the C returns {bound.prototype.split()[0]}",
                                   todo=claim.check_bound(bound))
        bounds[name] = replace(bound, partners=partners)
    return bounds


def type_number(ctype: CType) -> int | None:
    """The engine's number of a C type, None when it cannot be driven."""
    kind = ctype.kind
    if kind in ("bool", "enum"):
        kind = "int" if kind == "enum" and ctype.signed else "uint"
    return TYPE_NUMBERS.get((kind, ctype.bytes))


def bind(routine: Routine, built: Built, info: DebugInfo, peripherals: tuple[tuple[int, int], ...] = ()) -> Bound:
    """Match one routine of the sheet with its C function, or with the call that it writes out."""
    routine = as_run(routine, built.variant)
    function, shown, definition, reached = target_of(routine, info) if routine.stages is None else path_target(routine, info)
    place = f"{routine.place}; {definition}: {shown}"
    if len(function.parameters) != len(routine.inputs):
        given = ", ".join(grid.name for grid in routine.inputs)
        raise BindingError(f"{routine.name}: wrong number of inputs", where=place,
                           why=f"the sheet gives {len(routine.inputs)} ({given}), the C function takes "
                               f"{len(function.parameters)}",
                           todo="give one input for each parameter, in the same order")
    grids, numbers = [], []
    for grid, parameter in zip(routine.inputs, function.parameters, strict=True):
        number = type_number(parameter.ctype)
        problem = fits(grid, parameter.ctype.kind, parameter.ctype.bytes) if number is not None else (
            f"parameters of type {parameter.ctype.name} cannot be driven yet")
        if problem:
            raise BindingError(f"{routine.name}: input {grid.name!r} does not fit the parameter", where=place,
                               why=f"parameter {parameter.name or '?'} is {parameter.ctype.name}",
                               todo=problem)
        assert number is not None
        grids.append(rounded_list(grid, parameter.ctype.kind, parameter.ctype.bytes))
        numbers.append(number)
    output = type_number(function.result)
    if output is None:
        raise BindingError(f"{routine.name}: the result cannot be read", where=place,
                           why=f"it is {function.result.name}", todo="functions that return a number can be checked")
    if function.result.kind == "float" and routine.output.fraction_bits:
        raise BindingError(f"{routine.name}: fixed_output does not fit", where=place,
                           why="the C function returns a floating-point number",
                           todo=f'write output="{routine.output.unit}"')
    domain = Domain(tuple(grids), tuple(numbers))
    if domain.count > MOST_ORDINALS or (len(grids) > 1 and domain.count > 2**32):
        domain = thinned(domain)
    library = built.library_of(routine.name)
    elsewhere = left_out(built.library, library)
    lengths = {a.count for a in info.constant_arrays
               if (not reached or not a.scope or a.scope in reached) and a.name not in elsewhere}
    called = sorted(reached) if reached else [routine.name]
    # A pointer is narrower on every board.
    wide = [text for function in called for text in info.width_differences.get(function, ()) if " *)" not in text]
    notes = tuple(f"width differs on the board: {text}" for text in dict.fromkeys(wide)) if built.variant != "narrow" else ()
    silent = [function for function in called if function in without_effect() and not built.variant.startswith("board")]
    notes += (f"does nothing on this computer, only counted: {', '.join(silent)}",) if silent else ()
    notes += guess_notes(info, called, built.source_hashes)
    notes += tuple(f"declared: the word at 0x{at:08x} reads as 0x{value:08x} before each call" for at, value in peripherals)
    return Bound(
        routine=routine,
        build=built.variant,
        library=str(library),
        loop=built.loops[routine.name],
        domain=domain,
        output_kind="float" if function.result.kind == "float" else "integer",
        output_type=output,
        prototype=shown,
        definition=definition,
        array_lengths=tuple(sorted(lengths)),
        regions=regions_of(library)
        if built.variant in ("host", "board") and (routine.stages is None or routine.stages.voice is None) else (),
        notes=notes,
        identity=built.key,
        peripherals=peripherals,
    )


def with_screens(bounds: dict[str, Bound], compiler: str, cache: Path) -> dict[str, Bound]:
    """Trace every reference into a screen, compile all screens as one library."""
    screens: dict[str, Any] = {}
    missing: dict[str, str] = {}
    for name, bound in bounds.items():
        routine = bound.routine
        if routine.reference is None:
            continue
        if any(g.kind == "list" and not g.exact_in_binary64 for g in bound.domain.grids):
            missing[name] = "values of the list are not exact in binary64"
            continue
        if any(abs(end) > 2**53 * g.scale for g in bound.domain.grids for end in (g.low, g.high)):
            missing[name] = "inputs beyond 2^53 are not exact in binary64"
            continue
        ranges = [(grid.value(0), grid.value(grid.count - 1)) for grid in bound.domain.grids]
        steps = [grid.grain for grid in bound.domain.grids]
        screen = tracing.screen(routine.reference, ranges, routine.constants, steps)
        if screen is None:
            missing[name] = str(tracing.why_no_screen(routine.reference, ranges, routine.constants, steps))
        else:
            screens[name] = screen
    if not screens:
        return {name: replace(bound, screen_missing=missing.get(name, "")) for name, bound in bounds.items()}
    symbols = {name: f"pf_screen_{number}" for number, name in enumerate(sorted(screens))}
    text = "\n".join(screens[name].c_source(symbols[name]) for name in sorted(screens))
    folder = cache / "own"
    folder.mkdir(parents=True, exist_ok=True)
    source = folder / f"screens-{hashlib.sha256(text.encode()).hexdigest()[:24]}.c"
    if not source.exists() or source.read_bytes() != text.encode():
        write_whole(source, text)
    library = str(compile_own([source], "screens", compiler, cache))
    return {
        name: replace(bound, screen=screens.get(name), screen_missing=missing.get(name, ""),
                      screen_at=(library, symbols[name]) if name in screens else None)
        for name, bound in bounds.items()
    }


def judged_in(claim: Claim, build: str) -> bool:
    """Whether a claim is judged in a build; in 32 bits, whatever is judged on this computer and on the board alike."""
    if build == "narrow":
        return {"host", "board"} <= set(claim.builds)
    return ("strict" if build == "board strict" else build) in claim.builds


def claims_for(bound: Bound) -> list[Claim]:
    """The claims that are judged in this build."""
    found = []
    for claim in bound.routine.claims:
        if not judged_in(claim, bound.build) or (claim.name == "finite" and not bound.float_output):
            continue
        if claim.name == "no_hidden_events" and bound.board is not None and core_named(bound.board.core).fpu == "none":
            continue  # arithmetic by library calls raises no flags
        found.append(claim)
    return found
