"""Two oscillators that feed each other: what a loop of many digits gives lies within the span, and the span is narrow."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from mpmath import mp

from reference import oscillator_pairs
from reference.trajectories import Script

indices = st.sampled_from([Fraction(0), Fraction(1, 1000), Fraction(-1, 3), Fraction(49, 100), Fraction(1, 2), Fraction(5)])
changes = st.lists(st.tuples(st.integers(0, 120), indices), max_size=4)


@settings(max_examples=40)
@given(changes=changes, first_index=indices, count=st.integers(1, 150), start=st.sampled_from([-1, 0, 1]),
       order=st.sampled_from(["in turn", "together"]), output=st.sampled_from(["first", "second"]))
def test_a_loop_of_many_digits_lies_within_the_span(changes: list[tuple[int, Fraction]], first_index: Fraction, count: int,
                                                    start: int, order: str, output: str) -> None:
    events = tuple((at, "index", value) for at, value in sorted(changes, key=lambda pair: pair[0]))
    script = Script(count, Fraction(48_000), events)
    low, high = oscillator_pairs.cross_fed(None, script, first_hz=440, second_hz="663.5", index=first_index, order=order,
                                           output=output).span()
    wanted = followed_with_digits(script, first_index, start, order)[output]
    inside = [Fraction(float(a)) <= value <= Fraction(float(b)) for value, a, b in zip(wanted, low, high, strict=True)]
    quiet = [abs(value) < Fraction(1, 2) for value in indices_of(script, first_index)]

    assert all(inside)
    if all(quiet):
        assert float(np.max(high - low)) < 1e-12


def indices_of(script: Script, first: Fraction) -> list[Fraction]:
    found = [first] * script.samples
    for at, _, value in script.events:
        found[at:] = [value] * len(found[at:])
    return found


def followed_with_digits(script: Script, first_index: Fraction, start: int, order: str) -> dict[str, list[Fraction]]:
    """Where the index is not followed an output may be anything: `start` stands for it."""
    found: dict[str, list[Fraction]] = {"first": [], "second": []}
    with mp.workdps(40):
        one = two = mp.mpf(0)
        for k, index in enumerate(indices_of(script, first_index)):
            if abs(index) >= Fraction(1, 2):
                one = two = mp.mpf(start)
            else:
                size = mp.mpf(index.numerator) / index.denominator / (2 * mp.pi)
                turns = [mp.mpf(hz) * k / 48_000 for hz in ("440", "663.5")]
                fed = one
                one = mp.sinpi(2 * (turns[0] + size * two))
                two = mp.sinpi(2 * (turns[1] + size * (fed if order == "together" else one)))
            for name, value in (("first", one), ("second", two)):
                found[name].append(Fraction(int(mp.nint(value * 2**120)), 2**120))
    return found
