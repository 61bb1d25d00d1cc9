"""never_locks, mean_within: what can be said of a noise source by looking at what comes out."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from verify.claims.base import number_text, positive_limit, reason
from verify.claims.in_time import Judgement, TimeClaim, known_signal
from verify.errors import SheetError
from verify.grids import exact
from verify.machines.script import Script
from verify.number_formats import figure

if TYPE_CHECKING:
    from verify.machines.machine import Machine
    from verify.machines.observation import Observation


# So many equal values are no chance, even of single bits.
SURE = 128


def least_period(values: np.ndarray) -> int:
    """The shortest p with values[k] = values[k + p] all along the last two periods (and 128 values); 0 when none does.

    By the matching lengths of the reversed sequence with itself (Z algorithm), in one pass.
    """
    back = values[::-1].tolist()
    count, left, right = len(back), 0, 0
    match = [0] * count
    for k in range(1, count):
        same = min(right - k, match[k - left]) if k < right else 0
        while k + same < count and back[same] == back[k + same]:
            same += 1
        match[k] = same
        if k + same > right:
            left, right = k, k + same
        if same >= max(k, SURE):
            return k
    return 0


@dataclass(frozen=True)
class NeverLocks(TimeClaim):
    """The source goes on: no value stands longer than stated, and the sequence does not repeat before the stated period
    (or repeats exactly with the published one).

    Scripts run every end of every setting (a seed of 0 among them) for more than two periods. Fails when: it stands still,
    repeats sooner, or has another period than the published one. Cannot see: how random the sequence is; periods longer
    than half of what was run.
    """

    longest_run: int
    period_at_least: int
    period: int
    of: str
    because: str
    name: ClassVar[str] = "never_locks"
    unit: ClassVar[str] = "samples"

    def limit_text(self) -> str:
        parts = [f"no value for more than {self.longest_run} samples"]
        if self.period:
            parts.append(f"period {self.period}")
        elif self.period_at_least:
            parts.append(f"no period below {self.period_at_least}")
        return ", ".join(parts)

    def check_machine(self, machine: Machine, where: str) -> None:
        known_signal(machine, self.of, where)

    def length(self) -> int:
        """How many samples show it."""
        return 2 * max(self.period, self.period_at_least, self.longest_run) + self.longest_run + 64

    def scripts(self, machine: Machine) -> list[Script]:
        """Long enough runs with every setting."""
        from verify.machines.drives import resting, settings

        streams = tuple((resting(grid),) for grid in machine.inputs)
        return [Script(0, self.length(), begin, streams) for begin in settings(machine, 12)]

    def judge(self, seen: Observation) -> Judgement:
        found = Judgement()
        start = max([e.sample for e in seen.script.events], default=0)
        y = seen.doubles(self.of)[start:]
        if len(y) <= self.longest_run:
            return found
        moves = np.flatnonzero(np.diff(y) != 0) + 1
        edges = np.concatenate([[0], moves, [len(y)]])
        runs = np.diff(edges)
        k = int(runs.argmax())
        run, at = int(runs[k]), start + int(edges[k])
        found.note(float(run), at + min(run, self.longest_run + 1) - 1, run > self.longest_run,
                   f"{figure(y[edges[k]])} for {run} samples", f"another value after at most {self.longest_run} samples",
                   "it stands still" if k == len(runs) - 1 else f"it stands for {run} samples")
        enough = len(y) >= self.length() - 64 - self.longest_run
        if run <= self.longest_run and enough and (self.period or self.period_at_least):
            period = least_period(y)
            wrong = period != self.period if self.period else 0 < period < self.period_at_least
            wanted = f"period {self.period}" if self.period else f"no period below {self.period_at_least}"
            got = f"it repeats after {period} samples" if period else f"no repeat within {len(y)} samples"
            found.note(float(period), seen.done - 1, wrong, got, wanted, got)
        return found


def never_locks(*, because: str, longest_run: int = 64, period_at_least: int = 0, period: int = 0,
                of: str = "") -> NeverLocks:
    """longest_run: samples for which one value may stand; period: the published one; period_at_least: where only a bound is
    known (runs of twice as many samples are made: up to some 100,000)."""
    for number, word in ((longest_run, "longest_run"), (period_at_least, "period_at_least"), (period, "period")):
        if isinstance(number, bool) or not isinstance(number, int) or not 0 <= number <= 1 << 20:
            raise SheetError(f"never_locks: {word}={number!r}", where="never_locks",
                             why="it is a number of samples up to 2^20",
                             todo="write a whole number; of longer periods name period_at_least=100000")
    if period and period_at_least:
        raise SheetError("never_locks: period= and period_at_least= together", where="never_locks",
                         why="the first says all", todo="drop one of them")
    return NeverLocks(max(1, longest_run), period_at_least, period, of, reason(because, "never_locks"))


@dataclass(frozen=True)
class MeanWithin(TimeClaim):
    """The mean of the output over so many samples (or more) lies within a limit.

    Fails when: it does not. Cannot see: what is wrong with a mean that is right.
    """

    mean: Fraction
    limit: Fraction
    samples: int
    of: str
    because: str
    name: ClassVar[str] = "mean_within"

    def limit_text(self) -> str:
        return f"{number_text(self.limit)} of {number_text(self.mean)}, over {self.samples} samples"

    def check_machine(self, machine: Machine, where: str) -> None:
        known_signal(machine, self.of, where)

    def scripts(self, machine: Machine) -> list[Script]:
        """One long enough run with every setting."""
        from verify.machines.drives import resting, settings

        streams = tuple((resting(grid),) for grid in machine.inputs)
        return [Script(0, self.samples, begin, streams) for begin in settings(machine, 12)]

    def judge(self, seen: Observation) -> Judgement:
        found = Judgement()
        start = max([e.sample for e in seen.script.events], default=0)
        y = seen.doubles(self.of)[start:]
        if len(y) < self.samples:
            return found
        mean = float(y.mean()) if np.isfinite(y).all() else np.inf
        off = abs(mean - float(self.mean))
        # A mean of binary64 numbers is off by its number of sums at most; the limit is far above.
        unit = seen.machine.signal_named(self.of).unit
        found.note(off, seen.done - 1, not off <= float(self.limit) * (1 + 2.0**-40),
                   f"a mean of {figure(mean)} {unit}".strip(),
                   f"{number_text(self.mean)} {unit}, within {number_text(self.limit)}".replace(" ,", ","),
                   f"{figure(off, 6)} {unit} off".replace("  ", " "))
        return found


def mean_within(mean: float, within: float, *, because: str, samples: int = 65_536, of: str = "") -> MeanWithin:
    """mean and within in the output's unit; samples: over how many."""
    if isinstance(samples, bool) or not isinstance(samples, int) or not 1 <= samples <= 1 << 20:
        raise SheetError(f"mean_within: samples={samples!r}", where="mean_within", why="it is a number of samples up to 2^20",
                         todo="leave it out for 65536")
    return MeanWithin(exact(mean, "mean_within"), positive_limit(within, "mean_within"), samples, of,
                      reason(because, "mean_within"))
