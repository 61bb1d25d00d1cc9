"""keeps_frequency: an oscillator's frequency over hours, by counting its periods, one by one."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from firmware_shim.script_job import Count
from verify.claims.base import number_text, positive_limit, reason
from verify.claims.in_time import Judgement, TimeClaim, known_signal, known_value, moving_inputs, stretches, value_at
from verify.errors import SheetError
from verify.grids import exact
from verify.machines.answers import refuse_whole_turns
from verify.machines.script import Happening, Script

if TYPE_CHECKING:
    from verify.machines.machine import Machine
    from verify.machines.observation import Observation

ROW = 4096
WINDOWS = 48
LEAST_PERIODS = 12
# An upward crossing is placed by a straight line between two samples: within one sample at either end of a window.
PLACE_SAMPLES = 2


@dataclass(frozen=True)
class Window:
    """A stretch of samples in which periods were counted."""

    first: float
    last: float
    periods: int
    hz: Fraction
    at: int
    reach: tuple[float, float] | None  # of the signal; None: it had periods before


def crossed(least: float, most: float, level: float = 0.0) -> float:
    """The level to count at where none is given: this one, or the middle of a signal that hardly goes to both sides of it."""
    span = most - least
    return level if least + span / 8 < level < most - span / 8 else least + span / 2


@dataclass(frozen=True)
class KeepsFrequency(TimeClaim):
    """The oscillator has the frequency that was set, after a second and after hours.

    Method: upward crossings of a level (zero; the middle of a signal that hardly leaves one side of it, such as a phase
    from 0 to 1) are counted over every sample (none is left out), and the first and the last of a window are placed between
    samples by a straight line. A frequency so found is sure to two samples in the window's length, which is added to the
    uncertainty. Judged: every quiet stretch of the usual scripts, and 48 windows of runs of the stated hours at the lowest,
    the highest and two middle frequencies. Fails when: one window is off by more than the limit and the uncertainty. Cannot
    see: waveforms that cross the level more than once in a period (give about=), jitter within a window.
    """

    cents: Fraction
    hz: str | Fraction
    increment: str
    per_turn: Fraction
    hours: Fraction
    about: Fraction | None
    of: str
    because: str
    name: ClassVar[str] = "keeps_frequency"
    builds: ClassVar[tuple[str, ...]] = ("host",)  # hours of samples are too many for the emulator
    unit: ClassVar[str] = "cents"

    @property
    def limit(self) -> Fraction:
        """The limit in cents."""
        return self.cents

    def limit_text(self) -> str:
        return f"{number_text(self.cents)} cents over {number_text(self.hours)} h"

    def check_machine(self, machine: Machine, where: str) -> None:
        known_signal(machine, self.of, where)
        for name in (self.increment, self.hz):
            if isinstance(name, str) and name:
                known_value(machine, name, where)
        if self.increment and self.per_turn == 1:
            refuse_whole_turns(machine, self.increment, self.name, f"{where}, {self.name}", "per_turn=2**32")

    def wanted_hz(self, seen: Observation, sample: int) -> Fraction | None:
        """The frequency that is in force, without its sign; None where nothing says it."""
        if isinstance(self.hz, Fraction):
            return self.hz
        value = value_at(seen, self.increment or self.hz, sample)
        if value is None:
            return None
        return abs(value / self.per_turn * seen.rate_hz if self.increment else value)

    def count(self, machine: Machine) -> Count:
        """How long runs are counted."""
        return self.counted_at(machine, 0.0 if self.about is None else float(self.about))

    def counted_at(self, machine: Machine, level: float) -> Count:
        """The same at a level."""
        of = machine.signal_named(self.of)
        return Count(ROW, machine.outputs.index(of), level, math.nextafter(level, -math.inf), float(of.scale))

    def recount(self, machine: Machine, count: Count, rows: np.ndarray | None) -> Count | None:
        """Another level at which a long run is to be counted, from what was seen at one; None where that was crossed."""
        if self.about is not None or rows is None or not len(rows):
            return None
        least, most = float(rows["least"][-1]), float(rows["most"][-1])
        level = crossed(least, most, count.about)
        return self.counted_at(machine, level) if level != count.about and least < most else None

    def scripts(self, machine: Machine) -> list[Script]:
        """Long runs, all of them counted; see machines/running.py."""
        from verify.machines.drives import resting

        rate_hz = machine.sample_rates_hz[0]
        samples = int(self.hours * 3600 * rate_hz)
        streams = tuple((resting(grid),) for grid in machine.inputs)
        if isinstance(self.hz, Fraction):
            return [Script(0, samples, (), streams)]
        name = self.increment or self.hz
        for number, kind in enumerate(machine.events):
            for place, grid in enumerate(kind.arguments):
                if name not in (grid.name, kind.name):
                    continue
                found = []
                top = rate_hz * Fraction(45, 100) * (self.per_turn / rate_hz if self.increment else 1)
                low = max(grid.low, Fraction(1, 1000) * (self.per_turn / rate_hz if self.increment else 1))
                high = min(grid.high, top)
                for share in (0.0, 0.47, 0.83, 1.0):
                    value = float(low) * (float(high) / float(low)) ** share if 0 < low < high else float(high)
                    chosen = min(grid.count - 1, grid.index_near(Fraction(value)))
                    places = [g.index_near((g.low + g.high) / 2) for g in kind.arguments]
                    places[place] = chosen - (grid.value(chosen) > high and chosen > 0)
                    found.append(Script(0, samples, (Happening(0, number, tuple(places)),), streams))
                return list(dict.fromkeys(found))
        return []

    def judge(self, seen: Observation) -> Judgement:
        found = Judgement()
        for window in self.windows_of_rows(seen) if seen.rows is not None else self.windows(seen):
            self.note_window(seen, found, window)
        return found

    def windows(self, seen: Observation) -> Iterator[Window]:
        """Quiet stretches of a script whose samples were kept."""
        for part in stretches(seen):
            hz = self.wanted_hz(seen, part.start)
            if hz is None or hz >= seen.rate_hz * Fraction(45, 100) or moving_inputs(seen, part):
                continue
            # What stood before the stretch has another frequency; a whole number of crossings lies inside.
            y = seen.doubles(self.of)[part.start : part.end]
            if hz == 0 or not np.isfinite(y).all() or (part.end - part.start) * hz < LEAST_PERIODS * seen.rate_hz:
                continue
            reach = float(y.min()), float(y.max())
            level = crossed(*reach) if self.about is None else float(self.about)
            above = y >= level
            ups = np.flatnonzero(~above[:-1] & above[1:]) + 1
            if len(ups) < 2:
                yield Window(float(part.start), float(part.end), max(0, len(ups) - 1), hz, part.start, reach)
                continue
            places = ups - (y[ups] - level) / (y[ups] - y[ups - 1])
            yield Window(part.start + float(places[0]), part.start + float(places[-1]), len(ups) - 1, hz, part.end - 1, reach)
            last = part.start + float(places[-1])
            if (part.end - last) * hz >= LEAST_PERIODS * seen.rate_hz:
                # It has come to a stop on the way.
                yield Window(last, float(part.end), 0, hz, part.end - 1, None)

    def windows_of_rows(self, seen: Observation) -> Iterator[Window]:
        """Windows of a long run: some tens of equal parts, each with at least a dozen periods, and the whole."""
        rows: Any = seen.rows
        hz = self.wanted_hz(seen, 0)
        if hz is None or hz == 0 or not len(rows):
            return
        reach = float(rows["least"][-1]), float(rows["most"][-1])
        if rows["odd"][-1]:
            yield Window(0.0, float(seen.done), 0, hz, int(rows["samples"][rows["odd"].argmax()]) - 1, reach)
            return
        least = max(1, math.ceil(LEAST_PERIODS * seen.rate_hz / hz / ROW))
        edges = np.unique(np.linspace(0, len(rows) - 1, min(WINDOWS, max(1, len(rows) // least)) + 1).astype(int))
        for a, b in [*zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True), (0, len(rows) - 1)]:
            start, first = (rows["crossings"][a], rows["place"][a]) if rows["crossings"][a] else (1, rows["first"][b])
            periods = int(rows["crossings"][b] - start)
            if periods < 1:
                # Next to nothing came: the time counts from the window's start.
                yield Window(float(rows["samples"][a]), float(rows["samples"][b]), 0, hz, int(rows["samples"][b]) - 1,
                             None if rows["crossings"][a] else reach)
            else:
                yield Window(float(first), float(rows["place"][b]), periods, hz, int(rows["samples"][b]) - 1, reach)

    def note_window(self, seen: Observation, found: Judgement, window: Window) -> None:
        """Judge one window."""
        length = window.last - window.first
        doubt = 1200 * math.log2(1 + PLACE_SAMPLES / max(1.0, length - PLACE_SAMPLES))
        got = window.periods / length * float(seen.rate_hz) if length > 0 else 0.0
        error = 1200 * math.log2(got / float(window.hz)) if got > 0 else -math.inf
        limit = float(self.cents)
        fails = abs(error) - doubt > limit
        # A short stretch that is not sure says nothing; a long one leaves the claim open.
        if not fails and abs(error) + doubt > limit:
            if seen.rows is not None:
                found.open += 1
                found.facts.append(f"counting is sure to {doubt:.2g} cents only: give more hours")
            return
        seconds = [float(place / float(seen.rate_hz)) for place in (window.first, window.last)]
        found.note(abs(error), window.at, fails,
                   f"{got:.9g} Hz: {window.periods} periods from {seconds[0]:.6g} s to {seconds[1]:.6g} s",
                   f"{float(window.hz):.9g} Hz, within {number_text(self.cents)} cents (counting is sure to {doubt:.2g})",
                   f"{error:+.4g} cents" if math.isfinite(error) else self.without_periods(window.reach))

    def without_periods(self, reach: tuple[float, float] | None) -> str:
        """Why nothing was counted."""
        if reach is None:
            return "not one period any more"
        least, most = reach
        if not least < most:
            return "it stands still"
        if self.about is not None and not least < float(self.about) <= most:
            return f"it never comes up through about={number_text(self.about)}: it stays between {least:.6g} and {most:.6g}"
        return f"not one period, between {least:.6g} and {most:.6g}"


def keeps_frequency(*, cents: float, because: str, hz: str | float = "", increment: str = "", per_turn: float = 1,
                    hours: float = 1, about: float | None = None, of: str = "") -> KeepsFrequency:
    """hz: the frequency, or the event argument that holds it; or increment: the argument that holds the phase increment, in
    turns per sample times per_turn (2**32 for a 32-bit phase); about: the level whose upward crossings are counted (default:
    zero, or the middle of a signal that hardly leaves one side of it)."""
    where = "keeps_frequency"
    if bool(hz) == bool(increment):
        raise SheetError("keeps_frequency: give hz= or increment=", where=where, why="one of them says what is right",
                         todo='write for example keeps_frequency(hz="pitch", cents=0.1, because="...")')
    level = None if about is None else exact(about, where)
    return KeepsFrequency(positive_limit(cents, where), hz if isinstance(hz, str) else exact(hz, where), increment,
                          exact(per_turn, where), positive_limit(hours, where), level, of, reason(because, where))
