"""A path as sound: what enters it is carried on by the firmware's stages; beside it by their references, without rounding."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np

from firmware_shim.crew import Crew
from firmware_shim.engine import NUMPY_TYPES
from reference.trajectories import Script as WantedScript
from verify.binding import make_benches
from verify.errors import UsageError
from verify.grids import Grid
from verify.machines.check import stand_of
from verify.machines.machine import Machine, c_type_of, type_number
from verify.machines.observation import Observation
from verify.machines.running import observe
from verify.machines.script import Happening, Script
from verify.paths.budget import exactly
from verify.paths.entry import voice_argument
from verify.paths.walk import Walk, walked
from verify.probing import Prober
from verify.routine import Bound, Routine
from verify.sheet import Sheet


def heard_paths(sheet: Sheet) -> list[Routine]:
    """The paths of a sheet that end in a machine."""
    return [one for one in sheet.routines if one.stages is not None and one.stages.voice is not None]


def entered(path: Routine) -> Machine:
    """The machine at the path's end as a script sees it: its event takes what enters the path, under that name."""
    assert path.stages is not None and path.stages.voice is not None
    voice = path.stages.voice
    name = path.inputs[0].name if len(path.inputs) == 1 else path.name
    events = list(voice.machine.events)
    events[voice.event] = replace(events[voice.event], name=name, arguments=path.inputs)
    others = [kind for number, kind in enumerate(events) if number == voice.event or kind.name != name]
    if len(others) < len(events):
        raise UsageError(f"{path.name}: an event of {voice.machine.name} has the name of what enters the path, {name!r}",
                         where="--machine", why="a script could mean either", todo="rename the path's input with inputs=")
    measured = voice.machine.outputs[voice.measured]
    outputs = (measured, *(one for one in voice.machine.outputs if one is not measured))
    return replace(voice.machine, name=path.name, events=tuple(events), outputs=outputs)


def observed_path(sheet: Sheet, path: Routine, script: Script) -> tuple[Observation, list[str]]:
    """The script run on this computer, and a line for each value that entered."""
    assert path.stages is not None and path.stages.voice is not None
    voice = path.stages.voice
    (bench,) = make_benches(sheet, ("host",))
    if bench.problem is not None:
        raise bench.problem
    assert bench.engine is not None and bench.built is not None
    bound = bench.bounds[path.name]
    if not bound.domain.whole:
        raise UsageError(f"{path.name} takes more combinations than can be counted", where="--machine",
                         why="a script names one of them", todo="give the path narrower inputs=")
    coming = [e for e in script.events if e.kind == voice.event]
    with Crew(bench.engine, 1) as crew:
        prober = Prober(crew, {"host": bench.built}, 7)
        ordinals = np.array([sum(place * stride for place, stride in zip(e.places, bound.domain.strides(), strict=True))
                             for e in coming], np.int64)
        walk = walked(bound, prober, ordinals) if len(ordinals) else None
        passed = [passed_on(path, walk, number) for number in range(len(coming))] if walk is not None else []
        places = iter(voice_argument(path.stages).index_near(value) for value in passed)
        began = tuple(Happening(0, number, tuple(place_of(grid, raw) for grid, raw in
                                                 zip(voice.machine.events[number].arguments, raws, strict=False)))
                      for number, raws in voice.before)
        own = replace(script, events=began + tuple(
            replace(e, places=(next(places),)) if e.kind == voice.event else e for e in script.events))
        (seen,) = observe(stand_of(voice.machine, bench.built, default_nan=sheet.default_nan), [own], crew, ())
    right = iter([right_value(bound, int(ordinal)) for ordinal in ordinals])
    heard = voice.machine.events[voice.event].name
    events = [(at, name, next(right) if name == heard else value) for at, name, value in seen.asked.events]
    seen.asked = WantedScript(seen.done, seen.rate_hz, tuple(events), seen.asked.streams)
    return seen, [] if walk is None else lines_of(bound, walk)


def passed_on(path: Routine, walk: Walk, number: int) -> Fraction:
    """What the last function gave to the machine for one value that entered. Errors: UsageError where it cannot go on."""
    assert path.stages is not None
    grid, given = voice_argument(path.stages), walk.given[-2]
    if not walk.came[number] and not np.isfinite(given[number]):
        raise UsageError(f"{path.name} did not come back", where=f"the value number {number + 1} of the script",
                         why=walk.problem or "a stage stopped", todo="preflash check tells where and why")
    value = float(given[number])
    if not np.isfinite(value) or grid.value(grid.index_near(Fraction(value))) != Fraction(value):
        raise UsageError(f"{path.name}: {value:.9g} {grid.unit} comes to the machine", where=path.place,
                         why=f"it is checked for {grid.text()}", todo="see stages_fit in preflash check")
    return Fraction(value)


def right_value(bound: Bound, ordinal: int) -> Fraction:
    """What should come to the machine for one input: the path's own reference, in the unit of the event."""
    routine = bound.routine
    assert routine.stages is not None and routine.stages.voice is not None and routine.reference is not None
    return exactly(routine.reference, bound.domain.values(ordinal), routine.constants) / routine.stages.voice.hz_per_unit


def place_of(grid: Grid, raw: bytes) -> int:
    """Place of a raw argument on its grid."""
    number = np.frombuffer(raw, NUMPY_TYPES[type_number(c_type_of(grid))])[0]
    return grid.index_near(Fraction(float(number)) * (1 if grid.kind == "float32" else grid.scale))


def lines_of(bound: Bound, walk: Walk) -> list[str]:
    """Per value that entered: the pitch it should give, and the one that the signal has when it stands."""
    assert bound.routine.stages is not None and bound.routine.stages.voice is not None
    factor = bound.routine.stages.voice.hz_per_unit
    found = []
    for number, ordinal in enumerate(walk.ordinals.tolist()):
        hz, got = float(right_value(bound, ordinal) * factor), float(walk.given[-1][number])
        values = ", ".join(f"{grid.name} {float(value):.9g}" for grid, value in
                           zip(bound.domain.grids, bound.domain.values(ordinal), strict=True))
        apart = f"{1200 * np.log2(got / hz):+.4f} cents" if np.isfinite(got) and got > 0 and hz > 0 else "no pitch measured"
        found.append(f"{values}: wanted {hz:.6f} Hz, got {got:.6f} Hz, {apart}")
    return found
