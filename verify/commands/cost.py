"""preflash cost: what each routine costs on the board."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from verify.routine import Routine
    from verify.sheet import Sheet

from verify.console import ERRORS

NAME = "cost"
HELP = "count what each routine costs on the board: instructions, cycles, stack, code; and its time on this computer"
EXAMPLE = "preflash cost voice_sheet.py"
EXITS = f"0 all counted, {ERRORS}"


def add(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("sheet", type=Path, metavar="SHEET", help="sheet with core=..., and clock_hz=... for shares")
    parser.add_argument("routines", nargs="*", metavar="ROUTINE", help="only these routines")
    parser.add_argument("--core", metavar="CORE", help="count for another core than the sheet's")
    parser.add_argument("--thorough", action="store_true", help="count every value up to 2^24 points")
    parser.add_argument("--workers", type=int, metavar="N", help="worker processes (default: one per processor)")


def wanted_names(asked: list[str], names: list[str], paths: list[Routine]) -> list[str]:
    """The routines to count: those asked for, and the stages of paths asked for."""
    stages = {path.name: [name for name in path.stages.names() if name in names] for path in paths if path.stages is not None}
    return list(dict.fromkeys(name for one in asked for name in stages.get(one, [one]))) or names


def times_here(sheet: Sheet, names: list[str]) -> dict[str, dict[str, Any]]:
    """Time on this computer of each function and machine among the names, as plain data."""
    from firmware_shim.crew import Crew
    from firmware_shim.errors import ShimError
    from verify.binding import make_benches
    from verify.host_cost import host_cost, machine_host_cost
    from verify.machines.check import stand_of
    from verify.probing import Prober

    try:
        (host,) = make_benches(sheet, ("host",))
        if host.problem is not None:
            raise host.problem
    except ShimError as problem:  # it may be C for the board alone
        return {name: {"problem": problem.what} for name in names}
    built = host.built
    assert built is not None and host.engine is not None
    with Crew(host.engine, 1) as crew:  # alone: two at once would disturb each other
        prober = Prober(crew, {"host": built}, 7)
        machines = {machine.name: machine for machine in sheet.machines}

        def entry(name: str) -> dict[str, Any]:
            if name in host.apart:
                return {"problem": host.apart[name].what}
            if name in machines:
                return machine_host_cost(stand_of(machines[name], built), crew).entry()
            return host_cost(host.bounds[name], prober).entry()

        return {name: entry(name) for name in names}


def run(options: argparse.Namespace) -> int:
    """Count, print, store reports/NAME_cost.json. Exit 3 when a routine could not be counted."""
    from firmware_shim.crew import Crew
    from verify.binding import make_benches
    from verify.board_library import library_first
    from verify.console import only_one, width
    from verify.cost import hunted_cost
    from verify.cost_report import entry_of, machine_entry_of, record_of, render
    from verify.errors import UsageError, nearest_words
    from verify.host_cost import lines_alone
    from verify.machines.check import stand_of
    from verify.machines.costs import hunted
    from verify.paths.cost import path_cost
    from verify.probing import Prober
    from verify.progress import ProgressLine
    from verify.reports.record import plain, save_record
    from verify.reports.terminal import wrapped
    from verify.sheet import check_core, load_sheet

    sheet = load_sheet(options.sheet)
    if options.core:
        sheet.core = options.core
        check_core(sheet)
    if sheet.core is None:
        raise UsageError("the sheet names no core", where=str(options.sheet), why="a call costs something on a core only",
                         todo='write Sheet(..., core="cortex-m4f", clock_hz=168_000_000), or give --core cortex-m4f')
    machines = {machine.name: machine for machine in sheet.machines}
    names = [*(routine.name for routine in sheet.routines if routine.stages is None), *machines]
    paths = [routine for routine in sheet.routines if routine.stages is not None]
    for name in options.routines:
        if name not in (*names, *(path.name for path in paths)):
            raise UsageError(f"no routine {name!r} in the sheet", where=str(options.sheet), why="it describes others",
                             todo=nearest_words(name, names))
    line = ProgressLine()
    library_first(sheet, line)
    (bench,) = make_benches(sheet, ("board",))
    wanted = wanted_names(options.routines, names, paths)
    if bench.built is None or bench.engine is None:
        assert bench.problem is not None
        print(bench.problem)
        for text in lines_alone(list(times_here(sheet, wanted).items())):
            print("\n".join(wrapped("host", text, width())))
        return 3
    entries = []
    lacking = False
    with Crew(bench.engine, options.workers) as crew:
        prober = Prober(crew, {"board": bench.built}, 7)
        for name in wanted:
            def show(done: int, total: int, name: str = name) -> None:
                line(f"{name}: counting", min(done, total), total)

            if name in machines and name not in bench.apart:
                stand = stand_of(machines[name], bench.built, default_nan=sheet.default_nan, core=sheet.core)
                found = hunted(stand, crew, 7, thorough=options.thorough, progress=show)
                entries.append(machine_entry_of(stand, found))
                continue
            if name in bench.apart:
                line.clear()
                print(bench.apart[name])
                lacking = True
                continue
            bound = bench.bounds[name]
            entries.append(entry_of(bound, hunted_cost(bound, prober, thorough=options.thorough, progress=show)))
    line.clear()
    times = times_here(sheet, wanted)
    entries = [{**entry, "host": times[entry["name"]]} if entry["name"] in times else entry for entry in entries]
    compiler = bench.built.compiler
    record = record_of(sheet, entries, compiler.version, compiler.c_library, list(bench.built.kept_flags))
    asked = [path for path in paths if not options.routines or path.name in options.routines]
    record["paths"] = [path_cost(path, entries) for path in asked]
    print(render(record, width()), end="")
    folder = sheet.file.parent / "reports"
    with only_one(folder):
        save_record(plain(record), folder / f"{sheet.file.stem.removesuffix('_sheet')}_cost.json")
    return 0 if all(entry["counted"] for entry in entries) and not lacking else 3
