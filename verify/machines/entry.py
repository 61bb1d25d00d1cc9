"""What a sheet says about a machine, checked: one message for each mistake."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from typing import Any

from verify.claims.accurate import Accurate
from verify.claims.base import Claim, stated_claims
from verify.claims.categories import StaysWithin, finite
from verify.claims.in_time import TimeClaim
from verify.claims.memory_of_machines import fresh_after_init, instances_independent
from verify.claims.protective import NoHiddenEvents, deterministic, no_undefined_behaviour, returns
from verify.errors import SheetError, nearest_words
from verify.grids import Grid, exact
from verify.machines.answers import check_answers
from verify.machines.machine import EventKind, Machine, Signal, c_type_of
from verify.machines.references import ByOutput, by_output, check_constants, check_followed, followed_by, parts_of

PROTECTIVE = ("returns", "finite", "deterministic", "no_hidden_events", "no_undefined_behaviour", "fresh_after_init",
              "instances_independent")
SHARED_CLAIMS = ("returns", "finite", "deterministic", "no_hidden_events", "no_undefined_behaviour", "accurate",
                 "in_bounds", "stays_within", "no_subnormals", "same_on_board", "same_at_any_optimisation",
                 "same_when_flushed", "cost_within")


def make_machine(name: str, *, place: str, default_rate_hz: float, state: str | None, init: str, destroy: str,
                 events: Iterable[EventKind], inputs: Iterable[Grid], step: str, block: str,
                 outputs: Iterable[Signal], sample_rates_hz: Sequence[float], claims: Iterable[Claim], reference: Any,
                 constants: Mapping[str, Any] | None, family: str, follows: Any, without: Mapping[str, str] | None,
                 call_limit_seconds: float, flush_to_zero: bool, hostile: bool, longest_seconds: float, scripts: int | None,
                 interleaved: Mapping[str, Sequence[str]] | None,
                 pointers: Mapping[str, Sequence[str]] | None) -> Machine:
    """The machine, or SheetError."""
    where = f"{place}, {name}"
    if bool(step.strip()) == bool(block.strip()):
        raise SheetError(f"{name}: exactly one of step and block is needed", where=where,
                         why="both are given" if step.strip() else "neither is given",
                         todo='write step="out = smooth_step(state, in)" or block="smooth_block(state, in, out, n)"')
    if state is not None and not init.strip():
        raise SheetError(f"{name}: init is missing", where=where, why="a state that nobody prepares holds garbage",
                         todo='write for example init="smooth_init(state, sample_rate_hz)"')
    if scripts is not None and (isinstance(scripts, bool) or not isinstance(scripts, int) or scripts < 1):
        raise SheetError(f"{name}: scripts={scripts!r}", where=where, why="it is a number of scripts, at least 1",
                         todo="leave it out for the default of 2000")
    listed = _all_of(outputs, Signal, "outputs", 'signal("level", "full scale")', where)
    if isinstance(reference, Mapping):
        reference, constants = by_output(name, reference, dict(constants or {}), listed, where), {}
    found = Machine(
        name, state, init.strip(), destroy.strip(), _all_of(events, EventKind, "events", 'event("gate", "...", ...)', where),
        _all_of(inputs, Grid, "inputs", 'binary32("wind", 0, 5, "V")', where), step.strip(), block.strip(), listed,
        tuple(exact(rate, f"{where}, sample_rates_hz") for rate in (sample_rates_hz or [default_rate_hz])), (), reference,
        dict(constants or {}), family or _family(reference), followed_by(name, follows, reference, listed, where),
        dict(without or {}), where,
        float(exact(call_limit_seconds, where)), bool(flush_to_zero), bool(hostile),
        Fraction(exact(longest_seconds, f"{where}, longest_seconds")), dict(interleaved or {}), dict(pointers or {}), scripts)
    _check_names(found, where)
    _check_arrays(found, where)
    if reference is not None and not callable(reference) and not isinstance(reference, ByOutput):
        raise SheetError(f"{name}: the reference is not a function", where=where, why=f"got {type(reference).__name__}",
                         todo="pass a function such as envelope.attack_decay")
    for _, function, given in parts_of(found):
        check_constants(function, given, where)
    check_followed(found, where)
    check_answers(found, where)
    return replace(found, claims=_checked_claims(found, claims, where))


def _family(reference: Any) -> str:
    functions = [function for function, _ in reference.parts.values()] if isinstance(reference, ByOutput) else [reference]
    modules = [getattr(function, "__module__", "") or "" for function in functions]
    return next((module.split(".")[-1] for module in modules if module.startswith("reference.")), "")


def _all_of(given: Iterable[Any], kind: type, word: str, example: str, where: str) -> tuple[Any, ...]:
    listed = (given,) if isinstance(given, kind) else tuple(given)
    for item in listed:
        if not isinstance(item, kind):
            raise SheetError(f"{word}: {item!r} does not belong there", where=where, why=f"{word} are made by calling",
                             todo=f"write for example {example}")
    return listed


def _check_names(machine: Machine, where: str) -> None:
    if not machine.outputs:
        raise SheetError(f"{machine.name} has no output", where=where, why="nothing could be judged",
                         todo='add outputs=[signal("level", "full scale")]')
    for rate in machine.sample_rates_hz:
        if not 1 <= rate <= 10_000_000:
            raise SheetError(f"sample rate {float(rate):g} Hz", where=where, why="rates lie between 1 Hz and 10 MHz",
                             todo="write for example sample_rates_hz=[48_000]")
    inputs = [grid.name for grid in machine.inputs]
    outputs = [output.name for output in machine.outputs]
    events = [kind.name for kind in machine.events]
    for word, names in (("inputs", inputs), ("outputs", outputs), ("events", events)):
        twice = [name for name in names if names.count(name) > 1]
        if twice:
            raise SheetError(f"two {word} are called {twice[0]!r}", where=where, why="names tell them apart",
                             todo="rename one")
        for name in names:
            if name in ("state", "n", "sample_rate_hz") or not name.isidentifier():
                raise SheetError(f"{word}: {name!r} cannot be used as a name", where=where,
                                 why="it is taken, or is not a C name", todo="rename it")
    if machine.longest_seconds <= 0:
        raise SheetError("longest_seconds must be above zero", where=where, why="no script could run", todo="write 2")


def _check_arrays(machine: Machine, where: str) -> None:
    """Arrays of several channels: each names inputs, outputs, or both, of one C type."""
    types = {grid.name: c_type_of(grid) for grid in machine.inputs} | {of.name: of.ctype for of in machine.outputs}
    outputs = {of.name for of in machine.outputs}
    example = 'write for example {"buffer": ["left", "right"]}'
    for word, given in (("interleaved", machine.interleaved), ("pointers", machine.pointers)):
        for array, channels in given.items():
            said = f"{machine.name}: {word}, {array!r}"
            if not machine.block:
                raise SheetError(f"{said} needs block=", where=where, why="a step sees one sample of each, not arrays",
                                 todo="describe the call with block=, or drop it")
            if isinstance(channels, str) or not channels:
                raise SheetError(f"{said} names no channels", where=where, why="they are inputs or outputs in their order",
                                 todo=example)
            for channel in channels:
                if channel not in types:
                    raise SheetError(f"{said}: no input or output is called {channel!r}", where=where,
                                     why="its channels are inputs or outputs", todo=nearest_words(str(channel), list(types)))
            if array in types or not str(array).isidentifier() or array in ("state", "n", "sample_rate_hz"):
                raise SheetError(f"{said} cannot be used as a name", where=where, why="it is taken, or is not a C name",
                                 todo="rename it")
            if len({types[channel] for channel in channels}) > 1:
                raise SheetError(f"{said} has channels of several C types", where=where,
                                 why=", ".join(f"{channel} is {types[channel]}" for channel in channels), todo=example)
            if set(channels) & outputs and not set(channels) <= outputs:
                raise SheetError(f"{said} mixes inputs and outputs", where=where,
                                 why="an array is read, written, or changed in place as a whole",
                                 todo="name a channel that is changed in place among the inputs and the outputs")


def _checked_claims(machine: Machine, claims: Iterable[Claim], where: str) -> tuple[Claim, ...]:
    for word, why in machine.without.items():
        if word not in PROTECTIVE:
            raise SheetError(f"without: {word!r} is not a protective claim", where=where,
                             why="only claims that are on by default can be dropped", todo=nearest_words(word, PROTECTIVE))
        if not isinstance(why, str) or not why.strip():
            raise SheetError(f"without {word!r} has no reason", where=where, why="dropping a protection needs one",
                             todo='write {"' + word + '": "why"}')
    stated = stated_claims(claims)
    for claim in stated:
        if not isinstance(claim, Claim):
            raise SheetError(f"{getattr(claim, '__name__', claim)!r} is not a claim", where=where,
                             why="claims are made by calling them", todo='write for example no_jump(0.01, because="...")')
        if isinstance(claim, TimeClaim):
            claim.check_machine(machine, f"{where}, {claim.label()}")
        elif claim.name not in SHARED_CLAIMS:
            raise SheetError(f"{claim.name} is a claim about functions", where=where,
                             why=f"{machine.name} is a machine: it has memory and time",
                             todo="use claims in time: no_jump, time_to, settles, ends_at_zero, stays_within, accurate, ...")
        elif isinstance(claim, (Accurate, StaysWithin)):
            claim.check_machine(machine, f"{where}, {claim.label()}")
    labels = [claim.label() for claim in stated]
    for label in labels:
        if labels.count(label) > 1:
            raise SheetError(f"{label} is claimed twice", where=where, why="one is enough", todo="remove one")
    names = {claim.name for claim in stated}
    defaults = [returns(), finite(), deterministic(), NoHiddenEvents(), no_undefined_behaviour(), fresh_after_init()]
    if machine.state is not None:
        defaults.append(instances_independent())
    stated += [claim for claim in defaults if claim.name not in names and claim.name not in machine.without]
    return tuple(stated)
