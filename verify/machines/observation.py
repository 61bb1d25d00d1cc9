"""What one script did: raw outputs per signal, flags, stop; and what the reference wants."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

from firmware_shim.job import Event, Stop
from firmware_shim.traces import Eye, eye_of
from reference.errors import DomainError, NotRational, NumberRefused
from reference.rationals import RationalContext
from reference.recurrences import Slew
from reference.state_space import LinearSystem
from reference.trajectories import Script as WantedScript
from reference.varying_settings import VaryingSystem
from verify.machines.machine import Machine, Signal, as_doubles
from verify.machines.references import parts_of
from verify.machines.script import Script, stream_raw


def all_of(trajectories: Iterable[Any]) -> Iterator[Any]:
    """Trajectories, and what they are made of."""
    for trajectory in trajectories:
        yield trajectory
        yield from all_of(getattr(trajectory, "made_of", ()))


@dataclass
class Observation:
    """One script run in one build. raw: samples in the C type; done: how many came; flags: kind -> first sample."""

    machine: Machine
    script: Script
    build: str
    raw: dict[str, np.ndarray]
    done: int
    flags: dict[int, int] = field(default_factory=dict)
    stop: Stop | None = None
    events: list[tuple[int, Event]] = field(default_factory=list)
    late_allocation: int = -1
    touched: tuple[int, int] = (-1, 0)
    heap: tuple[int, int, int] = (0, 0, 0)
    variants: dict[str, dict[str, np.ndarray]] = field(default_factory=dict)
    known_doubles: dict[str, np.ndarray] = field(default_factory=dict)
    known_wanted: dict[str, Any] = field(default_factory=dict)
    reference_problems: dict[str, str] = field(default_factory=dict)
    # Of a long run, whose samples were counted and not kept: rows of firmware_shim's COUNTER, for this claim.
    rows: np.ndarray | None = None
    counted_for: str = ""
    # Looks at whole signals faster than numpy does; None leaves everything to numpy, with the same results.
    eye: Eye | None = None
    # The engine's library, from which a reference that is slow without an eye takes one.
    engine: Path | None = None
    # Memory for samples in their unit, for one observation after the other.
    room: dict[str, np.ndarray] | None = None
    known_finite: dict[str, bool] = field(default_factory=dict)
    known_stretches: list[Any] | None = None

    @property
    def rate_hz(self) -> Fraction:
        """The script's sample rate."""
        return self.machine.sample_rates_hz[self.script.rate]

    def doubles(self, name: str = "") -> np.ndarray:
        """Samples of a signal in its unit ("" is the first one)."""
        of = self.machine.signal_named(name)
        if of.name not in self.known_doubles:
            self.known_doubles[of.name] = self.in_room(of) if self.room is not None else as_doubles(self.raw[of.name], of)
        return self.known_doubles[of.name]

    def in_room(self, of: Signal) -> np.ndarray:
        """The same in memory that is there already: new pages cost more than the conversion."""
        raw, room = self.raw[of.name], self.room
        assert room is not None
        if of.name not in room or len(room[of.name]) < len(raw):
            room[of.name] = np.empty(max(4096, 2 * len(raw)))
        found = room[of.name][: len(raw)]
        np.multiply(raw, float(of.scale), out=found, dtype=np.float64, casting="unsafe")
        return found

    def watched(self, name: str = "") -> Eye | None:
        """The eye, where every sample of a signal is finite and there is one; else None: numpy looks."""
        if self.eye is None or not self.done:
            return None
        of = self.machine.signal_named(name)
        if of.name not in self.known_finite:
            self.known_finite[of.name] = not of.is_float or self.eye.first_odd(self.doubles(of.name)) < 0
        return self.eye if self.known_finite[of.name] else None

    def stream(self, name: str) -> np.ndarray:
        """Values of an input, one per sample that was run."""
        number = next(i for i, grid in enumerate(self.machine.inputs) if grid.name == name)
        grid = self.machine.inputs[number]
        raw = stream_raw(self.script.streams[number], grid, self.script.samples)[: self.done]
        return raw.astype(np.float64) * (1.0 if raw.dtype.kind == "f" else float(grid.scale))

    @cached_property
    def asked(self) -> WantedScript:
        """What happened, as a reference takes it."""
        machine = self.machine
        events: list[tuple[int, str, Fraction]] = []
        for e in self.script.events:
            arguments = machine.events[e.kind].arguments
            for number, (grid, place) in enumerate(zip(arguments, e.places, strict=True)):
                events.append((e.sample, self.name_of(e.kind, number), grid.value(place)))
            if not arguments:
                events.append((e.sample, machine.events[e.kind].name, Fraction(1)))
        streams = {grid.name: self.stream(grid.name) for grid in machine.inputs}
        return WantedScript(self.done, self.rate_hz, tuple(events), streams)

    def asked_by(self, part: str) -> WantedScript:
        """The same for one reference: with the outputs that it follows, as they came out.

        Errors: DomainError where these are not at hand, or no numbers.
        """
        names = self.machine.follows.get(part, ())
        if not names:
            return self.asked
        streams = dict(self.asked.streams)
        for name in names:
            if name not in self.raw:
                raise DomainError(f"it follows {name} as it comes out, which is not kept here")
            streams[name] = self.doubles(name)[: self.done].copy()
            odd = np.flatnonzero(~np.isfinite(streams[name]))
            if len(odd):
                raise DomainError(f"it follows {name}, which is not finite at sample {odd[0]}")
        return WantedScript(self.done, self.rate_hz, self.asked.events, streams)

    def wanted_of(self, part: str, function: Any, constants: Any) -> dict[str, Any]:
        """Trajectories that one reference gives, by output ({} and a problem where it has no answer)."""
        if part not in self.known_wanted:
            try:
                found = function(RationalContext(), self.asked_by(part), **constants)
            except (DomainError, NotRational, NumberRefused, ArithmeticError, ValueError) as problem:
                self.reference_problems[part] = f"{type(problem).__name__}: {problem}"
                found = {}
            first = part or self.machine.output.name
            self.known_wanted[part] = found if isinstance(found, dict) else {first: found}
            for trajectory in all_of(self.known_wanted[part].values()):
                if self.eye is not None and isinstance(trajectory, Slew):
                    trajectory.steps = self.eye.slewed
                elif self.eye is not None and isinstance(trajectory, LinearSystem):
                    trajectory.walk = self.eye.followed
                elif self.engine is not None and isinstance(trajectory, VaryingSystem):
                    trajectory.walk = eye_of(self.engine).followed
        return self.known_wanted[part]

    def name_of(self, kind: int, argument: int) -> str:
        """Name under which the reference knows an event's argument."""
        event = self.machine.events[kind]
        return event.name if len(event.arguments) == 1 else event.arguments[argument].name

    def wanted(self, name: str = "") -> Any:
        """The reference's trajectory of one output, None when there is none."""
        if self.script.is_hostile():
            return None
        output = self.machine.signal_named(name).name
        for part, function, constants in parts_of(self.machine):
            if part in ("", output):
                return self.wanted_of(part, function, constants).get(output)
        return None

    def reference_problem_of(self, name: str = "") -> str:
        """Why the reference of an output has no answer to this script, "" where it has one (or there is none)."""
        output = self.machine.signal_named(name).name
        return self.reference_problems.get("") or self.reference_problems.get(output, "")
