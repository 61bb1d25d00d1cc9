"""What comes out of several parts together: sums with weights, products, and settings made of other settings.

Conventions. A part is a trajectory: a family's answer to the same script, or `heard`, a stream as it is. Sums and products
are exact; `low` and `high` are where a sum saturates. Where a part leaves more than one value right (a span), so does the
combination. A part that decides by itself (an envelope, a gate) is not taken: which branch the firmware took would have to
be read off the sum. Make it an output of the machine with a reference of its own, and let this one follow it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from fractions import Fraction
from typing import Any

import numpy as np

from reference.errors import DomainError, NotRational
from reference.expressions import rational_value
from reference.intervals import IntervalContext
from reference.near_numbers import NearContext
from reference.rationals import RationalContext
from reference.recurrences import Steps, StreamTrajectory
from reference.trajectories import UNIT, Script, double

Ends = tuple[np.ndarray, np.ndarray]
LEAST = 2.0**-1060  # more than what is lost where numbers become subnormal


def _spread(part: Any) -> Ends | None:
    """Least and most right value of a part per sample, None where there is one only."""
    span = part.span()
    if span is None:
        return None
    wanted, bound = part.screen()
    # The ends of a span are exact; elsewhere the screen's own bound counts.
    wide = span[0] < span[1]
    return np.where(wide, span[0], wanted - bound), np.where(wide, span[1], wanted + bound)


class Combination(StreamTrajectory):
    """Several trajectories of one script, made into one. made_of: the trajectories."""

    def __init__(self, made_of: Sequence[Any]) -> None:
        if not made_of:
            raise DomainError("nothing to combine: give at least one part")
        for part in made_of:
            if part.decisions:
                raise DomainError(f"a part that decides by itself ({part.decisions[0].what}) cannot be combined: make it an "
                                  "output with a reference of its own, which this one follows")
        super().__init__(made_of[0].script)
        self.made_of = tuple(made_of)

    def around(self, ends: list[Ends]) -> Ends:
        """Least and most of the combination, for parts that lie between such ends."""
        raise NotImplementedError

    def span(self) -> Ends | None:
        """Wide where any part's is, by its screen's bound wider; elsewhere the wanted value itself."""
        spans = [part.span() for part in self.made_of]
        if all(span is None for span in spans):
            return None
        wide = np.zeros(self.script.samples, bool)
        ends = []
        for part, span in zip(self.made_of, spans, strict=True):
            wanted, bound = part.screen()
            if span is not None:
                wide |= span[0] < span[1]
            ends.append(_spread(part) or (wanted - bound, wanted + bound))
        low, high = self.around(ends)
        wanted, _ = self.screen()
        return np.where(wide, low, wanted), np.where(wide, high, wanted)


def _rounded(value: Any) -> tuple[float, float]:
    """A constant in binary64, and how far that can be from it: 0 where it is exact."""
    try:
        fraction = RationalContext().number(value)
    except NotRational:
        near = NearContext()
        return double(near.own(near.number(value)))
    nearest = float(fraction)
    return nearest, 0.0 if Fraction(nearest) == fraction else UNIT * abs(nearest) + LEAST


class Mixed(Combination):
    """Sum of parts with weights (as the sheet writes them), kept between low and high."""

    def __init__(self, parts: Sequence[tuple[Any, Any]], low: Any, high: Any) -> None:
        super().__init__([part for _, part in parts])
        self.weights = [weight for weight, _ in parts]
        self.near = [_rounded(weight) for weight in self.weights]
        self.low, self.high = (None if end is None else RationalContext().number(end) for end in (low, high))
        if self.low is not None and self.high is not None and self.low > self.high:
            raise DomainError("mixed: low lies above high")
        self.bottom = -np.inf if self.low is None else float(self.low)
        self.top = np.inf if self.high is None else float(self.high)
        self.ends_off = max(_rounded(end)[1] for end in (self.low or 0, self.high or 0))

    def values(self) -> Ends:
        """A product by a power of two rounds nothing, others once; of a sum's rounding the size itself is known."""
        total, bound = np.zeros(self.script.samples), np.zeros(self.script.samples)
        for (weight, off), part in zip(self.near, self.made_of, strict=True):
            wanted, own = part.screen()
            product = weight * wanted
            bound += abs(weight) * own
            if off:
                bound += off * (np.abs(wanted) + own)
            if abs(math.frexp(weight)[0]) != 0.5:
                bound += 2 * UNIT * np.abs(product) + LEAST
            elif abs(weight) < 1:
                bound[(np.abs(product) < LEAST) & (wanted != 0)] += LEAST
            before, total = total, total + product
            second = total - before
            before -= total - second
            product -= second
            before += product
            bound += np.abs(before)
        return np.clip(total, self.bottom, self.top), bound * (1 + 2.0**-30) + self.ends_off

    def around(self, ends: list[Ends]) -> Ends:
        low, high = np.zeros(self.script.samples), np.zeros(self.script.samples)
        for (weight, off), (least, most) in zip(self.near, ends, strict=True):
            one, other = weight * least, weight * most
            room = off * np.maximum(np.abs(least), np.abs(most)) + 4 * UNIT * (np.abs(one) + np.abs(other))
            low, high = low + np.minimum(one, other) - room, high + np.maximum(one, other) + room
        room = 4 * UNIT * (np.abs(low) + np.abs(high)) * len(ends)
        return np.clip(low - room, self.bottom, self.top), np.clip(high + room, self.bottom, self.top)

    def enclosure(self, sample: int, bits: int) -> tuple[Fraction, Fraction]:
        """Sum of the parts' enclosures."""
        ctx = IntervalContext(bits + 32)
        low, high = Fraction(0), Fraction(0)
        for weight, part in zip(self.weights, self.made_of, strict=True):
            products = _products(ctx.number(weight).ends(), part.exact(sample, bits))
            low, high = low + products[0], high + products[1]
        if self.low is not None:
            low, high = max(low, self.low), max(high, self.low)
        if self.high is not None:
            low, high = min(low, self.high), min(high, self.high)
        return low, high


class Product(Combination):
    """Product of parts."""

    def values(self) -> Ends:
        """One part after the other: |x y - x' y'| <= |x| dy + |y| dx + dx dy, and one rounding."""
        total, bound = np.ones(self.script.samples), np.zeros(self.script.samples)
        for number, part in enumerate(self.made_of):
            wanted, own = part.screen()
            bound = bound * (np.abs(wanted) + own) + np.abs(total) * own
            total = total * wanted
            if number:
                bound += 2 * UNIT * np.abs(total) + LEAST
        return total, bound * (1 + 2.0**-30)

    def around(self, ends: list[Ends]) -> Ends:
        low, high = np.ones(self.script.samples), np.ones(self.script.samples)
        for least, most in ends:
            corners = np.stack([low * least, low * most, high * least, high * most])
            low, high = corners.min(axis=0), corners.max(axis=0)
        room = 4 * UNIT * len(ends) * np.maximum(np.abs(low), np.abs(high)) + LEAST
        return low - room, high + room

    def enclosure(self, sample: int, bits: int) -> tuple[Fraction, Fraction]:
        """Product of the parts' enclosures."""
        found = Fraction(1), Fraction(1)
        for part in self.made_of:
            found = _products(found, part.exact(sample, bits))
        return found


def _products(one: tuple[Fraction, Fraction], other: tuple[Fraction, Fraction]) -> tuple[Fraction, Fraction]:
    corners = [a * b for a in one for b in other]
    return min(corners), max(corners)


def heard(script: Script, name: str) -> Steps:
    """A stream as it is, as a trajectory: an input, or an output that the reference follows.

    Shape:   script to trajectory; name: of the stream.
    Unit:    that of the stream.
    Domain:  a stream of that name; else DomainError.
    Error:   none: its values are exact.
    Source:  definition; tests/external/test_combinations.py.

    >>> heard(Script(2, Fraction(8), (), {"x": np.array([0.5, 1.0])}), "x").screen()[0].tolist()
    [0.5, 1.0]
    """
    if name not in script.streams:
        raise DomainError(f"there is no stream {name!r}: an input, or an output named in follows=")
    return Steps(script, script.streams[name])


def mixed(parts: Sequence[tuple[Any, Any]], *, low: Any = None, high: Any = None) -> Mixed:
    """weight * part + weight * part + ..., kept between low and high where they are given.

    Shape:   (weight, trajectory) pairs of one script to trajectory.
    Unit:    weights are plain numbers or texts such as "1/2" or "2**(-1/2)"; the result is in the parts' unit.
    Domain:  real weights; rational low <= high; parts that decide nothing by themselves.
    Error:   enclosed; the screen adds the parts' bounds.
    Source:  superposition: a linear system's answer to a sum is the sum of its answers; scipy.signal.lfilter in
             tests/external/test_combinations.py.

    >>> s = Script(3, Fraction(8), (), {"x": np.array([0.5, 1.0, -1.0])})
    >>> mixed([("1/2", heard(s, "x")), (1, heard(s, "x"))], high=1).screen()[0].tolist()
    [0.75, 1.0, -1.5]
    """
    return Mixed(parts, low, high)


def product(*parts: Any) -> Product:
    """part * part * ...: a level times a wave, a ring modulator.

    Shape:   trajectories of one script to trajectory.
    Unit:    the product of the parts' units.
    Domain:  parts that decide nothing by themselves.
    Error:   enclosed; the screen states its bound.
    Source:  2 sin a sin b = cos(a - b) - cos(a + b) (Abramowitz and Stegun, 4.3.31); tests/external/test_combinations.py.

    >>> s = Script(2, Fraction(8), (), {"x": np.array([0.5, -1.0]), "level": np.array([1.0, 0.25])})
    >>> product(heard(s, "x"), heard(s, "level")).screen()[0].tolist()
    [0.5, -0.25]
    """
    return Product(parts)


def settings_from(script: Script, **made: str) -> Script:
    """The script with more settings, each made of an event's value: a knob's code becomes a cutoff.

    Shape:   script to script; made: new name = an expression that names one event.
    Unit:    as the expression says.
    Domain:  expressions as constants have them (+ - * / **, pi, numbers) with one name in them. Where an expression is
             irrational, only settings of filters take it.
    Error:   none: rational values are exact, others stay expressions.
    Source:  definition; tests/external/test_combinations.py.

    >>> settings_from(Script(9, Fraction(8), ((3, "code", Fraction(2)),)), hz="3/2 * code").events
    ((3, 'code', Fraction(2, 1)), (3, 'hz', Fraction(3, 1)))
    """
    events: list[tuple[int, str, Any]] = []
    asked = {new: _one_name(new, text, script) for new, text in made.items()}
    for sample, name, value in script.events:
        if name not in made:
            events.append((sample, name, value))
        for new, text in made.items():
            if asked[new] == name:
                filled = re.sub(rf"\b{name}\b", f"({value})", text)
                known = rational_value(filled)
                events.append((sample, new, filled if known is None else known))
    return Script(script.samples, script.sample_rate_hz, tuple(events), script.streams)


def _one_name(new: str, text: str, script: Script) -> str:
    names = set(re.findall(r"\b[A-Za-z_]\w*", re.sub(r"\d[\d.]*[eE][+-]?\d+", "", text))) - {"pi"}
    if len(names) != 1:
        raise DomainError(f"{new}={text!r} must name one event, not {len(names)}")
    (name,) = names
    if name in script.streams:
        raise DomainError(f"{new}={text!r}: {name} is a stream; settings are made of events")
    return name
