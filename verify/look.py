"""preflash look: a first answer for one C function, without a sheet."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from firmware_shim.build import Request, build
from firmware_shim.crew import Crew
from firmware_shim.debug_info import Function
from firmware_shim.engine import NUMPY_TYPES
from firmware_shim.errors import CompileFailed
from reference import pitch
from reference.spot import note_name
from verify.binding import cache_folder, make_benches, prototype_text, type_number
from verify.claims.accurate import accurate
from verify.claims.base import doubles_of
from verify.errors import UsageError
from verify.grids import Grid, binary32, integers
from verify.hunting.plan import Plan
from verify.number_formats import INT_RANGES
from verify.probing import Prober
from verify.progress import ProgressLine
from verify.reports.record import exit_code
from verify.reports.terminal import failure_lines, open_lines, worst_place
from verify.session import Check
from verify.sheet import Sheet

PLOT_ROWS, PLOT_COLUMNS = 9, 60


def look(target: str, low: float | None, high: float | None, flags: str, include: Sequence[str], width: int) -> int:
    """Compile, run over the range, print what it does and every protective finding; exit code as for check."""
    file, colon, name = target.rpartition(":")
    if not colon or not file or not name:
        raise UsageError("look needs a file and a function", where=target, why="one of them is missing",
                         todo="write for example preflash look pitch.c:hz_from_volts")
    path = Path(file).resolve()
    request = Request((path,), tuple(Path(folder).resolve() for folder in include), flags, (name,))
    try:
        built = build(request, cache_folder())
    except CompileFailed as problem:
        print(problem)
        return 3
    function = built.info.functions[name]
    grids = guessed_grids(function, low, high)
    sheet = Sheet(sources=[str(path)], flags=flags, include=[str(folder) for folder in request.include])
    sheet.file = path.with_name("look_sheet.py")
    sheet.function(name, inputs=grids, output="", claims=[])
    guess = pitch_guess(sheet, name, grids)
    if guess is not None:
        sheet.routines.clear()
        _zero, base = guess
        sheet.function(name, inputs=grids, output="Hz", reference=pitch.hz_from_volts,
                       constants={"zero_volt_hz": base},
                       claims=[accurate(cents=1, because="below every published just-noticeable difference")])
    progress = ProgressLine()
    record = Check(sheet, Plan(), progress, keep_witnesses=False).run()
    progress.clear()
    entry = record["routines"][0]
    entry["place"] = target
    for claim in entry["claims"]:
        if claim["witness"]:
            values = " ".join(f"{i['name']}={i['bits']}" for i in claim["witness"]["inputs"])
            claim["witness"]["replay"] = f"keep the sheet below, then preflash replay {path.stem}_sheet.py {name} {values}"
    lines = [f"{prototype_text(function)}   ({Path(function.file).name}:{function.line})"]
    lines += [f"range: {grid.text()}" for grid in grids]
    points = 11 if guess else PLOT_COLUMNS
    places = np.linspace(float(grids[0].low), float(grids[0].high), points)
    if guess:
        # What a few round voltages never show: the worst of all that were run.
        worst = [c["worst"]["at"] for c in entry["claims"] if c["claim"] == "accurate" and c["worst"]]
        places = np.unique([*places, *(float.fromhex(at[0]["hex"]) for at in worst[:1])])
    table = outputs_of(sheet, name, places)
    lines += [""] + (spot_lines(table, guess) if guess else table_lines(table, grids)) + [""]
    for claim in entry["claims"]:
        if claim["verdict"] == "fails":
            lines += failure_lines(entry, claim, width, False)
        elif claim["verdict"] != "holds":
            lines += open_lines(entry, claim, width, False)
    if guess is None:
        lines += ["", "No reference: whether the results are right was not judged, only what is listed here."]
    held = [claim for claim in entry["claims"] if claim["verdict"] == "holds"]
    lines += ["", *(f"holds: {c['label']}, {c['build']}, {c['verdict_text'].partition('(')[2].rstrip(')')}"
                     + (f"; worst {worst_place(c)}" if worst_place(c) else "") for c in held)]
    lines += ["", "To keep this as a sheet, write these lines to " + path.stem + "_sheet.py and say what must hold:", ""]
    lines += sheet_lines(path, name, grids, flags, guess)
    print("\n".join(lines))
    return exit_code(record)


def guessed_grids(function: Function, low: float | None, high: float | None) -> list[Grid]:
    """One grid per parameter: the range given, else 0 to 5 for floats and the whole type up to 16 bits."""
    found = []
    for number, parameter in enumerate(function.parameters):
        kind = type_number(parameter.ctype)
        name = parameter.name or f"input{number + 1}"
        if kind is None:
            raise UsageError(f"look cannot drive parameter {name}", where=prototype_text(function),
                             why=f"its type is {parameter.ctype.name}",
                             todo="functions of plain numbers can be looked at in this version")
        bottom, top = (low, high) if number == 0 else (None, None)
        if NUMPY_TYPES[kind].kind == "f":
            unit = "V" if "volt" in name.lower() or name.lower() in ("v", "cv") else ""
            found.append(binary32(name, 0 if bottom is None else bottom, 5 if top is None else top, unit))
            continue
        size = NUMPY_TYPES[kind].itemsize
        least, most = INT_RANGES["int" if NUMPY_TYPES[kind].kind == "i" else "uint", size]
        if size > 2:
            least, most = max(least, 0), min(most, 65535)
        found.append(integers(name, least if bottom is None else int(bottom), most if top is None else int(top), ""))
    if not found:
        raise UsageError("look needs a function with an input", where=prototype_text(function),
                         why="it has no parameters", todo="name a function of one number")
    return found


def pitch_guess(sheet: Sheet, name: str, grids: Sequence[Grid]) -> tuple[str, str] | None:
    """(note at 0 V, exact frequency of it) if the function doubles per unit of its one float input."""
    if len(grids) != 1 or grids[0].kind != "float32" or float(grids[0].high - grids[0].low) < 1:
        return None
    table = outputs_of(sheet, name, np.linspace(float(grids[0].low), float(grids[0].high), 41))
    volts, got = table[:, 0], table[:, 1]
    if not (np.all(np.isfinite(got)) and np.all(got > 0)):
        return None
    octaves = np.log2(got) - volts
    middle = float(np.median(octaves))
    if np.mean(np.abs(octaves - middle) < 0.25) < 0.7 or np.ptp(got) == 0:
        return None
    note = round(69 + 12 * (float(np.median(octaves)) - math.log2(440)))
    return note_name(440 * 2 ** ((note - 69) / 12)).split()[0], f"440 * 2**({note - 69}/12)"


def spot_lines(table: np.ndarray, guess: tuple[str, str]) -> list[str]:
    """The spot table of a pitch routine: volts, note, wanted, got, cents."""
    note = guess[1].partition("**(")[2].partition("/")[0]
    base = 440 * 2 ** (int(note) / 12)
    lines = [f"It doubles per volt: compared with 1 V per octave from {guess[0]} at 0 V (a guess from its outputs).", "",
             "     volts   note       wanted Hz          got Hz       cents"]
    for volts, got in table:
        wanted = base * 2**volts
        cents = 1200 * math.log2(got / wanted) if got > 0 and math.isfinite(got) else math.nan
        shown = note_name(wanted).split()[0]
        lines.append(f"  {volts:8.4f}   {shown:<5} {wanted:14.6f}  {got:14.6f}  {cents:+10.4f}")
    return lines


def table_lines(table: np.ndarray, grids: Sequence[Grid]) -> list[str]:
    """A small table and a plot of the output over the first input."""
    held = [f"{grid.name} held at {float(grid.value(held_at(grid))):.9g} {grid.unit}".strip() for grid in grids[1:]]
    lines = [f"  shown with {' and '.join(held)}; what is found below comes from all inputs moving:", ""] if held else []
    lines += [f"  {grids[0].name:>14}   result"]
    lines += [f"  {value:14.9g}   {got:.9g}" for value, got in table[:: max(1, len(table) // 10)]]
    return [*lines, "", *plot_lines(table)]


def held_at(grid: Grid) -> int:
    """Place at which an input is held: the middle of its range, or half the top where that is zero, which may hide all."""
    middle = grid.count // 2
    return middle if grid.value(middle) else 3 * grid.count // 4


def plot_lines(table: np.ndarray) -> list[str]:
    """The output as a plot of characters."""
    good = table[np.isfinite(table[:, 1])]
    if len(good) < 2:
        return ["  (no finite output to plot)"]
    low, high = float(good[:, 1].min()), float(good[:, 1].max())
    canvas = [[" "] * PLOT_COLUMNS for _ in range(PLOT_ROWS)]
    left, span = table[0, 0], (table[-1, 0] - table[0, 0]) or 1.0
    for value, got in good:
        column = round((value - left) / span * (PLOT_COLUMNS - 1))
        row = round((high - got) / ((high - low) or 1.0) * (PLOT_ROWS - 1))
        canvas[row][column] = "*"
    labels = [f"{high:.6g}", *[""] * (PLOT_ROWS - 2), f"{low:.6g}"]
    lines = [f"  {label:>12} |{''.join(row).rstrip()}" for label, row in zip(labels, canvas, strict=True)]
    return [*lines, f"  {'':>12} +{'-' * PLOT_COLUMNS}", f"  {'':>12}  {left:<.6g} to {table[-1, 0]:.6g}"]


def sheet_lines(path: Path, name: str, grids: Sequence[Grid], flags: str, guess: tuple[str, str] | None) -> list[str]:
    """The look as a sheet."""
    inputs = []
    for grid in grids:
        word = "binary32" if grid.kind == "float32" else "integers"
        inputs.append(f'{word}("{grid.name}", {float(grid.low):g}, {float(grid.high):g}, "{grid.unit}")'
                      if word == "binary32" else f'integers("{grid.name}", {int(grid.low)}, {int(grid.high)}, "{grid.unit}")')
    words = sorted({"Sheet", *(i.partition("(")[0] for i in inputs), *(["accurate", "clamps", "rising"] if guess else [])})
    lines = (["from reference import pitch"] if guess else []) + [f"from verify import {', '.join(words)}", ""]
    lines += [f'firmware = Sheet(sources=["{path.name}"], flags="{flags}")', "firmware.function(", f'    "{name}",',
              f"    inputs=[{', '.join(inputs)}],", f'    output="{"Hz" if guess else ""}",']
    if guess:
        lines += ["    reference=pitch.hz_from_volts,", f'    constants={{"zero_volt_hz": "{guess[1]}"}},',
                  '    claims=[accurate(cents=1, because="below what a listener can tell"),',
                  '            rising(because="a rising voltage must not lower the pitch"),',
                  '            clamps(nan="finite", because="an input beyond its range must do no harm")],']
    else:
        lines += ["    claims=[],"]
    return [*lines, ")"]


def outputs_of(sheet: Sheet, name: str, points: np.ndarray) -> np.ndarray:
    """Array (n, 2) of input value and output near the given points of the first input, others as held_at() says."""
    benches = make_benches(sheet, ("host",))
    bench = benches[0]
    assert bench.engine is not None and bench.built is not None
    bound = bench.bounds[name]
    domain = bound.domain
    ordinals = domain.grids[0].nearest_indices(points) * domain.strides()[0]
    for grid, stride in zip(domain.grids[1:], domain.strides()[1:], strict=True):
        ordinals = ordinals + held_at(grid) * stride
    ordinals = np.unique(ordinals)
    with Crew(bench.engine, 1) as crew:
        raws = Prober(crew, {"host": bench.built}, 7).outputs(bound, [int(o) for o in ordinals])
    got = doubles_of(raws, NUMPY_TYPES[bound.output_type], bound.output_scale)
    return np.stack([domain.doubles(ordinals)[0], got], axis=1)
