"""A path meets C: its generated loop, the types between its stages, and the stages' own bounds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from firmware_shim.chain_source import ChainCode, Rendered, render_symbol
from firmware_shim.debug_info import CType, DebugInfo, Function
from verify.calls import target_of
from verify.domain import Domain
from verify.errors import BindingError
from verify.machines.machine import c_type_of
from verify.paths.entry import argument_type, composed, voice_argument
from verify.routine import Bound, Routine, Stages

ON_BOARD = ("accurate", "order", "returns", "stages_fit")


def runs_in(routine: Routine, variant: str) -> bool:
    """Whether a build runs a routine: a path that ends in a machine needs machines."""
    return routine.stages is None or routine.stages.voice is None or variant in ("host", "strict", "board")


def as_run(routine: Routine, variant: str) -> Routine:
    """A path as one build runs it: on the board up to what goes into the machine, judged for what that must be."""
    stages = routine.stages
    if stages is None or stages.voice is None or variant != "board":
        return routine
    factor = 1 / stages.voice.hz_per_unit
    own = routine.reference
    assert own is not None

    def before_machine(ctx, *inputs, **constants):  # type: ignore[no-untyped-def]
        return own(ctx, *inputs, **constants) * ctx.number(factor)

    before_machine.__name__ = getattr(own, "__name__", "reference")
    kept = tuple(c for c in routine.claims if c.name in ON_BOARD and getattr(c, "metric", "cents") in ("cents", "relative"))
    wanted = composed(stages.routines) if stages.composed else before_machine
    return replace(routine, output=stages.routines[-1].output, claims=kept, reference=wanted,
                   stages=Stages(stages.routines, None, stages.composed, stages.outside))


def chain_code(routine: Routine) -> ChainCode:
    """The path as firmware_shim compiles it."""
    stages = routine.stages
    assert stages is not None
    voice = stages.voice
    rendered = None
    if voice is not None:
        grid = voice_argument(stages)
        rendered = Rendered(voice.machine.name, voice.event, c_type_of(grid), float(grid.scale), voice.before,
                            tuple(signal.ctype for signal in voice.machine.outputs), voice.measured, float(voice.rate_hz),
                            float(voice.hz_per_unit), voice.skip, float(voice.measured_cents))
    return ChainCode(routine.name, tuple(one.name for one in stages.routines), rendered)


def path_target(routine: Routine, info: DebugInfo) -> tuple[Function, str, str, set[str]]:
    """The path as its loop sees it: what the first stage takes, what the last one gives. Errors: BindingError."""
    stages = routine.stages
    assert stages is not None
    found = [target_of(one, info) for one in stages.routines]
    for (first, shown, _, _), (second, _, _, _), giver, taker in zip(found, found[1:], stages.routines, stages.routines[1:],
                                                                     strict=False):
        check_types(routine, first.result, second.parameters[0].ctype, f"{giver.name} ({shown})", taker.name, taker.place)
    result = found[-1][0].result
    if stages.voice is not None:
        grid = voice_argument(stages)
        kind = "float" if c_type_of(grid) == "float" else "int"
        check_types(routine, result, CType(c_type_of(grid), kind, 4, True), f"{stages.routines[-1].name} ({found[-1][1]})",
                    stages.voice.machine.name, stages.voice.machine.place)
        result = CType("double", "float", 8, True)
    head = found[0][0]
    function = Function(routine.name, result, head.parameters, head.file, head.line, True, False)
    reached = set().union(*(one[3] for one in found))
    return function, " -> ".join(stages.names()), f"{Path(head.file).name}:{head.line}", reached


def check_types(routine: Routine, given: CType, taken: CType, giver: str, taker: str, place: str) -> None:
    """Errors: BindingError where C would cut a fraction off between two stages without a word."""
    if given.kind == "float" and taken.kind != "float":
        raise BindingError(f"{routine.name}: {giver} gives {given.name}, {taker} takes {taken.name}",
                           where=f"{routine.place}; {place}", why="C would cut the fraction off between them, silently",
                           todo="describe the conversion as a stage of its own, for example with call=\"result = "
                           "(int32_t)lrintf(x)\", output_type=\"int32_t\"")


def with_stages(bounds: Mapping[str, Bound]) -> dict[str, Bound]:
    """Paths learn of their stages in the same build."""
    found = dict(bounds)
    for name, bound in bounds.items():
        stages = bound.routine.stages
        if stages is None:
            continue
        own = tuple(bounds[one.name] for one in stages.routines)
        if stages.voice is not None:
            own += (voice_bound(bound, stages),)
        found[name] = replace(bound, stages=own)
    return found


def voice_bound(bound: Bound, stages: Stages) -> Bound:
    """The machine at the end of a path, alone: value in, Hz out."""
    voice = stages.voice
    assert voice is not None
    grid = voice_argument(stages)
    factor = voice.hz_per_unit

    def hz_of_value(ctx, value):  # type: ignore[no-untyped-def]
        return value * ctx.number(factor)

    routine = replace(bound.routine, name=voice.machine.name, inputs=(grid,), reference=hz_of_value, constants={}, claims=(),
                      stages=None)
    return replace(bound, routine=routine, loop=render_symbol(bound.routine.name), screen=None, screen_at=None,
                   domain=Domain((grid,), (argument_type(stages),)))
