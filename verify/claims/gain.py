"""gain_at: what a machine does to sines, against the response of its reference, over a grid of settings."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import product
from math import ceil
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from reference.errors import DomainError
from verify.claims.base import number_text, positive_limit, reason
from verify.claims.in_time import Gain, Judgement, TimeClaim, known_signal
from verify.errors import SheetError
from verify.grids import exact
from verify.judging.verdict import FAILS, HOLDS, UNDECIDED
from verify.machines.references import known_to
from verify.machines.script import Script

if TYPE_CHECKING:
    from verify.machines.machine import Machine
    from verify.machines.observation import Observation

LEAST_PERIODS = 6
DEFAULT_PLACES = 10
# Where the sheet gives no settle time: what the reference's slowest pole takes to fall by 120 dB, between these ends.
LEAST_SETTLE_SECONDS, MOST_SETTLE_SECONDS = Fraction(1, 10), Fraction(4)


@dataclass(frozen=True)
class Measured:
    """One sine piece of a script: its window [start, end), and its exact frequency."""

    start: int
    end: int
    hz: Fraction
    first: int


@dataclass(frozen=True)
class GainAt(TimeClaim):
    """A sine of a stated level comes out with the gain that the reference has, in dB.

    Method: after a settle time (stated, or until the reference's slowest pole is down by 120 dB: 0.1 to 4 s), sine, cosine
    and a constant are fitted to the output and to the input as it really was (least squares, over a stated time or six
    periods). The method's own error is measured each time: the same fit to the
    reference's own output, whose gain is known exactly, and the change from the window's first half to its second. Both
    are added to the uncertainty; what lies within it of the limit is open.
    Fails when: one setting and frequency is off by more than the limit and the uncertainty. Where the reference lies below
    the floor, only what comes out above it counts. Cannot see: what other levels do; distortion.
    """

    limit: Fraction
    hz: tuple[Fraction, ...]
    wanted: tuple[tuple[Fraction, Fraction], ...]
    level: Fraction
    settle: Fraction | None
    measure: Fraction
    floor_db: Fraction
    source: str
    of: str
    because: str
    name: ClassVar[str] = "gain_at"
    unit: ClassVar[str] = "dB"

    def limit_text(self) -> str:
        at = len(self.hz) or len(self.wanted) or DEFAULT_PLACES
        return f"{number_text(self.limit)} dB at {at} frequencies"

    def check_machine(self, machine: Machine, where: str) -> None:
        known_signal(machine, self.of, where)
        names = [grid.name for grid in machine.inputs]
        if not names or (self.source and self.source not in names):
            raise SheetError("gain_at needs an input per sample", where=where, why="the sine goes in there",
                             todo=f"inputs: {', '.join(names) or 'none'}; give source=")
        if not known_to(machine, self.of) and not self.wanted:
            raise SheetError("gain_at needs a reference, or wanted={hz: dB}", where=where, why="nothing says what is right",
                             todo="give the machine a reference such as filters_in_time.biquad")
        output = machine.signal_named(self.of).name
        if not self.wanted and any(part in ("", output) for part in machine.follows):
            raise SheetError(f"gain_at of {output}: its reference follows other outputs", where=where,
                             why="the sine goes into the input, and the reference knows only what it makes of these outputs",
                             todo="give wanted={hz: dB}, or the reference of the whole way")
        top = min(machine.sample_rates_hz) / 2
        for hz in (*self.hz, *(at for at, _ in self.wanted)):
            if not 0 < hz < top:
                raise SheetError(f"gain_at: {float(hz):g} Hz", where=where,
                                 why=f"sines lie above 0 and below {float(top):g} Hz",
                                 todo="name frequencies within; the gain at 0 Hz is claimed by settles(to=..., gain=...)")

    def number(self, machine: Machine) -> int:
        """Place of the input that is driven."""
        from verify.machines.drives import driven_input

        return next((i for i, grid in enumerate(machine.inputs) if grid.name == self.source), driven_input(machine, self.of))

    def places(self, rate_hz: Fraction) -> tuple[Fraction, ...]:
        """Frequencies to measure at."""
        listed = self.hz or tuple(at for at, _ in self.wanted)
        if listed:
            return listed
        low, high = 20.0, 0.45 * float(rate_hz)
        return tuple(Fraction(round(low * (high / low) ** (k / (DEFAULT_PLACES - 1)))) for k in range(DEFAULT_PLACES))

    def scripts(self, machine: Machine) -> list[Script]:
        """For each setting one script with a sine after the other."""
        from verify.machines.drives import held_settings, resting, settings, sine

        found = []
        chosen = self.number(machine)
        for rate, rate_hz in enumerate(machine.sample_rates_hz):
            fed = [{}] if self.wanted else held_settings(machine, self.of)
            for begin, held in product([()] if self.wanted else settings(machine), fed):
                at, pieces = 0, []
                rest = tuple((held.get(k, resting(grid)),) for k, grid in enumerate(machine.inputs))
                settle = self.settle_samples(self.trajectory(machine, Script(rate, 1, begin, rest)), 0, rate_hz)
                for hz in self.places(rate_hz):
                    pieces.append(sine(machine.inputs[chosen], at, hz, rate_hz, self.level))
                    at += settle + ceil(max(self.measure, LEAST_PERIODS / hz) * rate_hz)
                streams = tuple(tuple(pieces) if k == chosen else stream for k, stream in enumerate(rest))
                found.append(Script(rate, at, begin, streams))
        return found

    def trajectory(self, machine: Machine, quiet: Script) -> Any:
        """The reference's answer to a script of one sample with these settings, None where it has none."""
        from verify.machines.observation import Observation

        return Observation(machine, quiet, "", {}, 1).wanted(self.of)

    def settle_samples(self, trajectory: Any, sample: int, rate_hz: Fraction) -> int:
        """How long a sine that begins at a sample is not looked at."""
        if self.settle is not None:
            return ceil(self.settle * rate_hz)
        asked = trajectory.settling_samples(sample) if hasattr(trajectory, "settling_samples") else 0
        return max(ceil(LEAST_SETTLE_SECONDS * rate_hz), min(asked, ceil(MOST_SETTLE_SECONDS * rate_hz)))

    def windows(self, seen: Observation) -> Iterator[Measured]:
        """Stretches in which a sine has settled and nothing else happens."""
        from verify.machines.drives import span_of

        chosen, trajectory = self.number(seen.machine), seen.wanted(self.of)
        pieces = seen.script.streams[chosen]
        others = [p for k, stream in enumerate(seen.script.streams) if k != chosen for p in stream]
        for number, piece in enumerate(pieces):
            end = pieces[number + 1].start if number + 1 < len(pieces) else seen.done
            if piece.shape != "sine" or not piece.period or end > seen.done:
                continue
            start = piece.start + self.settle_samples(trajectory, piece.start, seen.rate_hz)
            grid = seen.machine.inputs[chosen]
            if min(piece.a, piece.b) < 0 or abs(grid.value(piece.b) - grid.value(piece.a)) < span_of(
                    grid, self.level)[1] * Fraction(198, 100):
                continue  # a sine of another level is another test: a script must not be shrunk to none at all
            if any(piece.start < e.sample < end for e in seen.script.events):
                continue
            if any(p.shape != "hold" or piece.start < p.start < end for p in others):
                continue
            hz = Fraction(piece.period) * seen.rate_hz / 2**32
            if end - start >= max(self.measure, LEAST_PERIODS / hz) * seen.rate_hz - 1:
                yield Measured(start, end, hz, piece.start)

    def judge(self, seen: Observation) -> Judgement:
        y, found = seen.doubles(self.of), Judgement()
        listed = list(self.windows(seen))
        if not listed:
            return found
        x = seen.stream(seen.machine.inputs[self.number(seen.machine)].name)
        reference = seen.wanted(self.of)
        if reference is None and not self.wanted:
            if seen.reference_problem_of(self.of):
                found.facts.append(f"the reference has no answer: {seen.reference_problem_of(self.of)}")
            return found
        if not self.wanted and not hasattr(reference, "gain_db"):
            found.facts.append("the reference has no response to sines: give wanted={hz: dB}, or a filter as reference")
            return found
        since = "when the filter has settled" if self.settle is None else f"from {number_text(self.settle)} s on"
        found.facts.append(f"method: sines over {number_text(self.level)} of the input's range, fitted by least squares "
                           f"{since}, for {number_text(self.measure)} s or {LEAST_PERIODS} periods")
        for window in listed:
            self.note_window(seen, found, window, x, y, reference)
        return found

    def note_window(self, seen: Observation, found: Judgement, window: Measured, x: np.ndarray, y: np.ndarray,
                    reference: Any) -> None:
        """Judge one sine."""
        got, steady = measured_db(x, y, window, seen.rate_hz)
        own = 0.0
        if self.wanted:
            wanted = float(min(self.wanted, key=lambda pair: abs(pair[0] - window.hz))[1])
        else:
            try:
                low, high = reference.gain_db(window.hz, window.first)
            except DomainError:
                low = high = Fraction(-1000)
            wanted = float(low + high) / 2
            # Judged against the floor where the reference lies below it: the method need not resolve what lies there.
            mine, _ = measured_db(x, reference.screen()[0], window, seen.rate_hz)
            floor = float(self.floor_db)
            own = abs(max(mine, floor) - max(wanted, floor))
        floor = float(self.floor_db)
        error = max(got, floor) - max(wanted, floor) if math.isfinite(got) or got < 0 else math.inf
        doubt = own + (0.0 if got < floor and wanted < floor else steady)
        size, limit = abs(error), float(self.limit)
        fails = not math.isfinite(size) or size - doubt > limit
        if not fails and size + doubt > limit:
            found.open += 1
            found.facts.append("where it is undecided the method is not sure enough (how sure stands beside each gain in the "
                               "report): a longer settle_seconds or measure_seconds helps")
        word = FAILS if fails else UNDECIDED if size + doubt > limit else HOLDS
        found.response.append(Gain(float(window.hz), got, wanted, error, doubt, word))
        found.note(size, window.end - 1, fails, f"{got:.6g} dB at {float(window.hz):.6g} Hz",
                   f"{wanted:.6g} dB, within {number_text(self.limit)} dB (the method is sure to {doubt:.2g} dB)",
                   f"{error:+.4g} dB" + (f" = {size / limit:.3g} x the limit" if limit else ""))


def amplitude(values: np.ndarray, hz: Fraction, rate_hz: Fraction, first: int) -> float:
    """Size of the sine of a frequency in a stretch of samples, by least squares with sine, cosine and a constant."""
    turns = float(hz / rate_hz) * np.arange(first, first + len(values), dtype=np.float64)
    basis = np.stack([np.ones(len(values)), np.cos(2 * np.pi * turns), np.sin(2 * np.pi * turns)], axis=1)
    found, *_ = np.linalg.lstsq(basis, values, rcond=None)
    return float(np.hypot(found[1], found[2]))


def measured_db(x: np.ndarray, y: np.ndarray, window: Measured, rate_hz: Fraction) -> tuple[float, float]:
    """(gain in dB over the window, how far its halves lie apart)."""
    middle = (window.start + window.end) // 2

    def gain(start: int, end: int) -> float:
        if not np.isfinite(y[start:end]).all():
            return math.inf
        driven = amplitude(x[start:end], window.hz, rate_hz, start - window.first)
        came = amplitude(y[start:end], window.hz, rate_hz, start - window.first)
        return 20 * math.log10(came / driven) if came > 0 and driven > 0 else -1000.0

    whole, first, second = gain(window.start, window.end), gain(window.start, middle), gain(middle, window.end)
    return whole, abs(first - second) if math.isfinite(first) and math.isfinite(second) else 0.0


def gain_at(*, within_db: float, because: str, hz: Sequence[float] = (), wanted: Mapping[float, float] | None = None,
            level: float = 0.5, settle_seconds: float | None = None, measure_seconds: float = 0.05, floor_db: float = -90,
            source: str = "", of: str = "") -> GainAt:
    """hz: where (left out: 10 places from 20 Hz to 0.45 of the rate); level: share of the input's range; floor_db: below
    it gains are alike; settle_seconds: left out, as long as the reference's slowest pole takes; wanted={hz: dB}: the
    response itself, at the settings of init, where no reference knows it."""
    where = "gain_at"
    share = exact(level, where)
    if not 0 < share <= 1:
        raise SheetError(f"gain_at: level={level}", where=where, why="it is a share of the input's range",
                         todo="write a number above 0 and at most 1")
    table = tuple((exact(at, where), exact(db, where)) for at, db in (wanted or {}).items())
    if table and hz:
        raise SheetError("gain_at: hz= and wanted= together", where=where, why="wanted= names its frequencies itself",
                         todo="drop one of them")
    settle = None if settle_seconds is None else positive_limit(settle_seconds, where)
    return GainAt(positive_limit(within_db, where), tuple(exact(at, where) for at in hz), table, share,
                  settle, positive_limit(measure_seconds, where), exact(floor_db, where),
                  source, of, reason(because, where))
