"""preflash replay: one witness again, with outputs of every build, the right answer and its steps, and events."""

from __future__ import annotations

import contextlib
import math
from fractions import Fraction
from pathlib import Path

import numpy as np

from firmware_shim.crew import Crew
from firmware_shim.engine import FLAG_KINDS, NUMPY_TYPES
from firmware_shim.job import Job
from reference import precision
from verify.binding import Bench, claims_for, make_benches
from verify.claims.accurate import Accurate
from verify.claims.base import Case
from verify.claims.protective import event_place
from verify.errors import UsageError, nearest_words
from verify.evidence import Evidence
from verify.explaining import number_entry
from verify.machines.replaying import Asked, replayed_script
from verify.machines.script import parse_script
from verify.paths.replaying import stage_lines
from verify.probing import Prober
from verify.reports.numbers import away, times
from verify.reports.terminal import value_line, wrapped
from verify.routine import Bound, Routine
from verify.sheet import Sheet, load_sheet
from verify.witnesses import WitnessFile, ordinal_of


def replay(path: Path, name: str | None, words: list[str], width: int) -> int:
    """Replay the inputs given, or all stored witnesses. Exit 1 when a claim of accuracy fails again."""
    sheet = load_sheet(path)
    names = [routine.name for routine in sheet.routines] + [machine.name for machine in sheet.machines]
    if name is not None and name not in names:
        raise UsageError(f"no routine {name!r} in the sheet", where=str(path), why="it describes others",
                         todo=nearest_words(name, names))
    every = make_benches(sheet)
    benches = [bench for bench in every if bench.built is not None]
    if not benches:
        assert every[0].problem is not None
        raise every[0].problem
    scripts = wanted_scripts(sheet, name, words)
    wanted = wanted_inputs(sheet, benches[0], name, words, bool(scripts))
    assert benches[0].engine is not None
    builts = {bench.build: bench.built for bench in benches if bench.built is not None}
    failed = False
    with Crew(benches[0].engine, 1) as crew:
        prober = Prober(crew, builts, 7)
        for routine, raws in wanted:
            lines, wrong = replayed(routine, raws, benches, prober, width)
            failed |= wrong
            print("\n".join(lines))
        for asked in scripts:
            lines, wrong = replayed_script(asked, benches, crew, width)
            failed |= wrong
            print("\n".join(lines))
    return 1 if failed else 0


def wanted_scripts(sheet: Sheet, name: str | None, words: list[str]) -> list[Asked]:
    """Scripts of machines to replay: the one given, or all stored ones that still fit."""
    stored = WitnessFile.load(sheet.file.with_name(sheet.file.stem.removesuffix("_sheet") + "_witnesses.txt"))
    found = []
    for machine in sheet.machines:
        if name not in (None, machine.name):
            continue
        if words and name is not None:
            found.append(Asked(machine, parse_script(" ".join(words), machine)))
            continue
        for _, _, line in stored.scripts(machine.name):
            with contextlib.suppress(UsageError):
                found.append(Asked(machine, parse_script(line, machine)))
    return list(dict.fromkeys(found))


def wanted_inputs(sheet: Sheet, bench: Bench, name: str | None, words: list[str],
                  others: bool) -> list[tuple[Routine, tuple[bytes, ...]]]:
    """(routine, raw inputs) to replay; others: whether there are scripts as well."""
    if others and name is not None:
        return []
    if name is not None and words:
        bound = bench.bounds[name]
        return [(bound.routine, parsed(bound, words))]
    stored = WitnessFile.load(sheet.file.with_name(sheet.file.stem.removesuffix("_sheet") + "_witnesses.txt"))
    found = []
    for routine in sheet.routines:
        if name not in (None, routine.name):
            continue
        for _, _, raws in stored.entries(routine.name):
            if all(grid.name in raws for grid in routine.inputs):
                found.append((routine, tuple(raws[grid.name] for grid in routine.inputs)))
    found = list({(routine.name, raws): (routine, raws) for routine, raws in found}.values())
    if not found and not others:
        raise UsageError("no stored witnesses", where=str(stored.path), why="no claim has failed here",
                         todo="give inputs, for example: preflash replay SHEET ROUTINE volts=0.5")
    return found


def parsed(bound: Bound, words: list[str]) -> tuple[bytes, ...]:
    """Raw inputs from name=value words: bits 0x3c800000, hex float 0x1p-6, or decimal."""
    given = dict(word.partition("=")[::2] for word in words)
    names = [grid.name for grid in bound.domain.grids]
    for word in given:
        if word not in names:
            raise UsageError(f"no input {word!r}", where=bound.routine.name, why="inputs are " + ", ".join(names),
                             todo=nearest_words(word, names))
    raws = []
    for grid, number in zip(bound.domain.grids, bound.domain.type_numbers, strict=True):
        kind, text = NUMPY_TYPES[number], given.get(grid.name, "")
        try:
            if text.startswith("0x") and "p" not in text and len(text) == 2 + 2 * kind.itemsize:
                raws.append(bytes.fromhex(text[2:])[::-1])
            elif kind.kind == "f":
                value = float.fromhex(text) if "0x" in text else float(text)
                raws.append(np.array(value).astype(kind).tobytes())
            else:
                raws.append(np.array(round(Fraction(text) / grid.scale)).astype(kind).tobytes())
        except (ValueError, OverflowError, ZeroDivisionError) as problem:
            raise UsageError(f"{grid.name}={text!r} is no value", where=bound.routine.name,
                             why=str(problem) or "it is missing",
                             todo=f"write for example {grid.name}=0.5, {grid.name}=0x1p-1 or its bits") from problem
    return tuple(raws)


def replayed(routine: Routine, raws: tuple[bytes, ...], benches: list[Bench], prober: Prober,
             width: int) -> tuple[list[str], bool]:
    """Lines of one replay, and whether an accuracy claim fails."""
    lines, wrong = ["", routine.name], False
    host = benches[0].bounds[routine.name]
    for number, (raw, kind, grid) in enumerate(zip(raws, host.domain.type_numbers, host.domain.grids, strict=True)):
        entry = number_entry(raw, kind, grid.scale, grid.name, grid.unit)
        lines += wrapped("input" if number == 0 else "", value_line(entry), width)
    values = host.domain.values_of(raws)
    for bench in benches:
        if routine.name not in bench.bounds:
            continue  # a path that ends in a machine, where no machine runs
        bound = bench.bounds[routine.name]
        lines += output_lines(bound, raws, prober, width)
        ordinal = ordinal_of(bound, {grid.name: raw for grid, raw in zip(bound.domain.grids, raws, strict=True)})
        for text in stage_lines(bound, ordinal, prober) if bound.stages and ordinal is not None else []:
            lines += wrapped("", text, width)
        answer = prober.outside(bound, [raws])[0]
        wrong |= answer is None
        for claim in bound.routine.claims:
            if not isinstance(claim, Accurate) or answer is None or values is None or routine.reference is None:
                continue
            holds, error = claim.exactly(bound, answer, values)
            limit = float(claim.limit)
            text = error.why or f"{away(error.middle, limit)} {claim.unit}".strip()
            if limit and math.isfinite(error.middle):
                text += f" = {times(abs(error.middle) / limit)}"
            word = {True: "holds", False: "FAILS", None: "OPEN"}[holds] if ordinal is not None else "not claimed here"
            lines += wrapped("", f"{claim.label()}: {text}: {word}", width)
            wrong |= holds is False and ordinal is not None
        told, failing = claims_at(bound, raws, prober)
        wrong |= failing
        for text in told:
            lines += wrapped("", text, width)
    if routine.reference is not None and values is not None:
        lines += wrapped("wanted", f"steps of {getattr(routine.reference, '__name__', 'the reference')}:", width)
        for label, text in precision.intermediates(routine.reference, values, routine.constants, 100):
            lines += wrapped("", f"{label} = {text}", width)
    return lines, wrong


def claims_at(bound: Bound, raws: tuple[bytes, ...], prober: Prober) -> tuple[list[str], bool]:
    """Every other claim at this input (order: with the one before it; clamps: all its inputs outside)."""
    claims = [claim for claim in claims_for(bound) if not isinstance(claim, Accurate)]
    slotted = [(claim, claim.test(bound)) for claim in claims]
    tests = tuple(test for _, test in slotted if test is not None)
    names = {grid.name: raw for grid, raw in zip(bound.domain.grids, raws, strict=True)}
    ordinal = ordinal_of(bound, names)
    evidence = Evidence("replay", tests, bound.domain.bin_edges())
    lines = []
    if ordinal is None:
        lines.append("outside the sheet's range")
        claims = [claim for claim in claims if claim.name == "clamps"]
    else:
        first = max(0, ordinal - 1)
        segment = np.array([[first, ordinal + 1 - first, 31]], np.int64)
        evidence.add(prober.crew.run(Job(bound.library, bound.loop, bound.domain.axes(), bound.output_type, segment,
                                         bound.output_scale, tests, events=bound.build.endswith("strict"),
                                         regions=bound.regions, default_nan=bound.default_nan,
                                         peripherals=bound.peripherals)))
    failing = False
    total = evidence.total()
    for claim, test in slotted:
        if claim not in claims:
            continue
        if ordinal is not None and (claim.name == "clamps" or getattr(claim, "whole_range", False)):
            where = "inside the range" if claim.name == "clamps" else "alone: it is about all of them"
            lines.append(f"{claim.label()}: not judged at one input {where}")
            continue
        if hasattr(claim, "at_input") and ordinal is not None:
            # Its own evidence is about the whole range.
            text, wrong = claim.at_input(bound, ordinal, prober)
            lines.append(f"{claim.label()}: {text}")
            failing |= wrong
            continue
        found = claim.assess(Case(bound, evidence, total, tests.index(test) if test else -1, False, prober))
        word = "FAILS" if found.failing else "holds" if found.valid and not found.blocked else "not judged here"
        failing |= found.failing > 0
        lines.append(f"{claim.label()}: {word}" + (f": {found.error_text}" if found.failing else ""))
    return lines, failing


def output_lines(bound: Bound, raws: tuple[bytes, ...], prober: Prober, width: int) -> list[str]:
    """Result, status flags with their place, and recorded events in one build."""
    result = prober.observed(bound, raws)
    lines = []
    if result.load_problem:
        return wrapped(bound.build, result.load_problem, width)
    if result.stops:
        return wrapped(bound.build, f"{result.stops[0].kind}: {result.stops[0].why}", width)
    scale = Fraction(1) if bound.float_output else bound.routine.output.scale
    entry = number_entry(result.outputs, bound.output_type, scale, "result", bound.routine.output.unit)
    lines += wrapped(bound.build, value_line(entry), width)
    for kind, name in enumerate(FLAG_KINDS):
        if bound.build == "host" and result.flags and result.flags[0] >> kind & 1:
            lines += wrapped("", f"{name} in {prober.culprit_of(bound, raws, kind)[0]}", width)
    for event in result.events:
        lines += wrapped("", f"{event.text} at {event_place(event)}", width)
    return lines
