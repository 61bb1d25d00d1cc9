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

import itertools
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
# Widths are computed in binary64 themselves.
SLACK, MOST_RATE = 1 + 2.0**-30, 1 - 2.0**-20


class CrossFed(StreamTrajectory):
    """One output of the pair, as a span."""

    def __init__(self, phases: tuple[Phase, Phase], index: np.ndarray, follow_below: float, output: str, order: str) -> None:
        super().__init__(phases[0].script)
        self.pair, self.index, self.follow_below = phases, index, follow_below
        self.output, self.order = output, order
        self.found: tuple[np.ndarray, np.ndarray] | None = None
        self.ends: tuple[np.ndarray, np.ndarray] | None = None

    def both(self) -> tuple[np.ndarray, np.ndarray]:
        """(middle, half width) of the chosen output.

        Rounds: each puts the outputs of the round before into the loop; errors shrink by the index each time. The half
        width follows the same rule sample by sample: index times that of what was fed back, and the sine's own rounding.
        """
        if self.found is not None:
            return self.found
        count = self.script.samples
        turns = [Wave(phase, "sine", Fraction(0), Fraction(0)).turns() for phase in self.pair]
        followed = np.abs(self.index) < self.follow_below
        # Only what is followed is computed; nothing is known of what comes out elsewhere, and 0 stands for it.
        places = np.flatnonzero(followed)
        first, second = np.zeros(len(places)), np.zeros(len(places))
        first_turns, second_turns = (phase[places] for phase, _ in turns)
        deviation = self.index[places] / (2 * np.pi)
        goes_on = np.diff(places, prepend=-2) == 1
        # An error of the second output comes back to it through the index once a round, or through both.
        reach = float(np.abs(self.index[followed]).max(initial=0.0))
        per_round = reach if self.order == "together" else reach * reach
        rounds, left, before = 0, 2.0, 2.0
        starts, fed = np.flatnonzero(~goes_on), np.zeros(len(places))
        while rounds < MOST_ROUNDS and (left > ENOUGH or rounds < 2):
            fed[1:], fed[starts] = second[:-1], 0.0
            new_first = kernels.sin_turns(first_turns + deviation * fed)
            if self.order == "together":
                fed[1:], fed[starts] = first[:-1], 0.0
            new_second = kernels.sin_turns(second_turns + deviation * (fed if self.order == "together" else new_first))
            first, second = new_first, new_second
            rounds, left, before = rounds + 1, left * per_round, left
        rest = max(left, reach * before)
        own = TWO_PI * (turns[0][1] + turns[1][1] + 8 * UNIT) + 2.0**-48
        widths = self.widths(places, goes_on, own + np.abs(self.index) * 16 * UNIT + rest)
        values = np.zeros(count)
        values[places] = first if self.output == "first" else second
        self.found = values, widths
        return self.found

    def widths(self, places: np.ndarray, goes_on: np.ndarray, added: np.ndarray) -> np.ndarray:
        """Half widths, where the pair is followed; 2 elsewhere.

        Where the index stays the same, w' = q w + m with m the largest of `added` there: after k samples
        q**k w + m (1 - q**k)/(1 - q). In turn, the second's goes by q**2 and q m + m; together, both are alike.
        """
        sizes, found = np.abs(self.index)[places], np.empty(len(places))
        width = 0.0 if len(places) and places[0] == 0 else 2.0
        changes = [*np.flatnonzero(~goes_on | (np.diff(sizes, prepend=-1.0) != 0)).tolist(), len(places)]
        in_turn = self.order == "in turn"
        for start, end in itertools.pairwise(changes):
            if not goes_on[start] and start:
                width = 2.0
            q, m = float(sizes[start]), float(added[places[start:end]].max())
            rate, more = (q * q * SLACK, q * m + m) if in_turn else (q, m)
            if rate > MOST_RATE:  # nothing is forgotten within any script
                found[start:end] = width = 2.0
                continue
            powers = rate ** np.arange(end - start + 1.0)
            second = np.minimum(2.0, (powers * width + more * ((1 - powers) / (1 - rate))) * SLACK)
            second[0] = width
            first = np.minimum(2.0, (q * second[:-1] + m) * SLACK) if in_turn else second[1:]
            found[start:end] = first if self.output == "first" else second[1:]
            width = float(second[-1])
        widths = np.full(self.script.samples, 2.0)
        widths[places] = found
        return widths

    def values(self) -> tuple[np.ndarray, np.ndarray]:
        """The middle of the span, which says itself how far the right value can be; its ends are exact numbers."""
        low, high = self.span()
        return (low + high) / 2, np.zeros(len(low))

    def span(self) -> tuple[np.ndarray, np.ndarray]:
        """Least and most right value of each sample."""
        if self.ends is None:
            middle, width = self.both()
            self.ends = np.maximum(-1.0, middle - width), np.minimum(1.0, middle + width)
        return self.ends

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
