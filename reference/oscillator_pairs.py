"""Two oscillators that feed each other's phase: followed where their loop forgets, judged by bounds where it does not.

Conventions. Sample k: first = sin(2 pi p1 + index s), second = sin(2 pi p2 + index f), p1 and p2 the phases of two
accumulators as in oscillators_in_time (the index does not reach them). `order` says what f and s are: "together": the
other's previous output, both; "in turn": s the second's previous output, f the first's present one. Before the first
sample both are 0.

An error in what is fed back comes out at most index times as large. Below an index of 1 the loop forgets its errors, and
the right output is known however the firmware rounds; from 1 on two runs that differ in the last bit may part for good
(chaos), and no reference can say which one is right. So the answer is a span per sample: nearly a point while the index
lies below `follow_below`, all of -1..1 while it does not, and after the index has come back a span that narrows by the
index with every sample. A limit counts from the span's ends. At index 0 each is a plain sine of its own frequency from
the next sample on.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np

from reference import kernels
from reference.errors import DomainError
from reference.oscillators_in_time import TWO_PI, Phase, Wave
from reference.rationals import RationalContext
from reference.recurrences import StreamTrajectory
from reference.trajectories import UNIT, Script

MOST_ROUNDS = 400
ENOUGH = 2.0**-45


class CrossFed(StreamTrajectory):
    """One output of the pair, as a span."""

    def __init__(self, phases: tuple[Phase, Phase], index: np.ndarray, follow_below: float, output: str, order: str) -> None:
        super().__init__(phases[0].script)
        self.pair, self.index, self.follow_below = phases, index, follow_below
        self.output, self.order = output, order
        self.found: tuple[np.ndarray, np.ndarray] | None = None

    def both(self) -> tuple[np.ndarray, np.ndarray]:
        """(middle, half width) of the chosen output.

        Rounds: each puts the outputs of the round before into the loop; errors shrink by the index each time. The half
        width follows the same rule sample by sample: index times that of what was fed back, and the sine's own rounding.
        """
        if self.found is not None:
            return self.found
        count = self.script.samples
        turns = [Wave(phase, "sine", Fraction(0), Fraction(0)).turns() for phase in self.pair]
        deviation = self.index / (2 * np.pi)
        followed = np.abs(self.index) < self.follow_below
        first, second = np.zeros(count), np.zeros(count)
        rounds = 0
        reach = float(np.abs(self.index[followed]).max(initial=0.0))
        left = 2.0
        while rounds < MOST_ROUNDS and (left > ENOUGH or rounds < 2):
            fed = np.concatenate([[0.0], second[:-1]])
            new_first = kernels.sin_turns(turns[0][0] + deviation * np.where(followed, fed, 0.0))
            fed = np.concatenate([[0.0], first[:-1]]) if self.order == "together" else new_first
            new_second = kernels.sin_turns(turns[1][0] + deviation * np.where(followed, fed, 0.0))
            first, second = new_first, new_second
            rounds, left = rounds + 1, left * reach
        # What the rounds left over, wherever all samples before were followed; sample k needs at most k + 1 rounds.
        rest = left if rounds <= count else 0.0
        own = TWO_PI * (turns[0][1] + turns[1][1] + 8 * UNIT) + 2.0**-48
        widths = self.widths(followed, own + np.abs(self.index) * 16 * UNIT, rest)
        values = first if self.output == "first" else second
        self.found = values, widths
        return self.found

    def widths(self, followed: np.ndarray, own: np.ndarray, rest: float) -> np.ndarray:
        """Half widths: the recursion of errors, in plain numbers."""
        sizes = np.abs(self.index).tolist()
        width_first = width_second = 0.0
        found = np.empty(self.script.samples)
        for k, (size, known, added) in enumerate(zip(sizes, followed.tolist(), own.tolist(), strict=True)):
            if not known:
                width_first = width_second = 2.0
            else:
                into_second = width_first
                width_first = min(2.0, size * width_second + added + rest)
                into_second = into_second if self.order == "together" else width_first
                width_second = min(2.0, size * into_second + added + rest)
            found[k] = width_first if self.output == "first" else width_second
        return found

    def values(self) -> tuple[np.ndarray, np.ndarray]:
        """The middle of the span, which says itself how far the right value can be; its ends are exact numbers."""
        low, high = self.span()
        return (low + high) / 2, np.zeros(len(low))

    def span(self) -> tuple[np.ndarray, np.ndarray]:
        """Least and most right value of each sample."""
        middle, width = self.both()
        return np.maximum(-1.0, middle - width), np.minimum(1.0, middle + width)

    def enclosure(self, sample: int, bits: int) -> tuple[Fraction, Fraction]:
        """The span again: no precision narrows what the firmware's own rounding decides."""
        low, high = self.span()
        return Fraction(float(low[sample])), Fraction(float(high[sample]))


def cross_fed(ctx: Any, script: Script, *, first_hz: Any = 440, second_hz: Any = 440, index: Any = 0, output: str = "first",
              order: str = "in turn", follow_below: Any = "1/2", steps_first: bool = False) -> CrossFed:
    """Two sines that move each other's phase by `index` radians.

    Shape:   script to trajectory; first_hz, second_hz, index: numbers, or sent as events (the frequencies also as streams).
    Unit:    Hz; index in radians; result in full scale.
    Domain:  real; 0 < follow_below < 1; output "first" or "second"; order "together" or "in turn".
    Error:   a span per sample; see the module's text.
    Source:  phase modulation (Chowning 1973, equation 1) with each oscillator as the other's modulator; a map whose slope
             is at most q < 1 forgets by q per step (Banach 1922); tests/external/test_oscillators_in_time.py.

    >>> s = Script(3, Fraction(8), ((0, "index", Fraction(3)), (1, "index", Fraction(0))))
    >>> low, high = cross_fed(None, s, first_hz=2, second_hz=1).span()
    >>> [low[0], high[0]], [round(float(v), 6) for v in (low[1], high[1])]
    ([np.float64(-1.0), np.float64(1.0)], [1.0, 1.0])
    """
    exact = RationalContext()
    share = float(exact.number(follow_below))
    if not 0 < share < 1 or output not in ("first", "second") or order not in ("together", "in turn"):
        raise DomainError('cross_fed: 0 < follow_below < 1, output "first" or "second", order "together" or "in turn"')
    phases = tuple(Phase(script, name, given, 0, True, 1, steps_first)
                   for name, given in (("first_hz", first_hz), ("second_hz", second_hz)))
    indices = np.full(script.samples, float(exact.number(index)))
    for sample, name, value in script.events:
        if name == "index":
            indices[sample:] = float(value)
    return CrossFed((phases[0], phases[1]), indices, share, output, order)
