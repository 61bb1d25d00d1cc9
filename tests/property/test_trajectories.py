"""Trajectories of random scripts: screens lie within their bounds of the exact values, enclosures nest, parts agree."""

from __future__ import annotations

import time
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reference import envelope, gate, pitch_memory, smoothing
from reference.trajectories import Script

RATES = (Fraction(48_000), Fraction(44_100), Fraction(1000))
seconds = st.sampled_from([Fraction(0), Fraction(1, 48_000), Fraction(1, 10_000), Fraction(1, 300), Fraction(1, 100),
                           Fraction(7, 50), Fraction(1)])
levels = st.fractions(-1, 1, max_denominator=64)
moments = st.lists(st.integers(0, 3000), min_size=1, max_size=7)


def script_of(draw: Any, kinds: dict[str, Any], samples: int = 4000) -> Script:
    """A random script of the named events."""
    rate = draw(st.sampled_from(RATES))
    places = sorted(draw(moments))
    names = sorted(kinds)
    events = []
    for place in places:
        name = draw(st.sampled_from(names))
        events.append((place, name, draw(kinds[name])))
    return Script(samples, rate, tuple(events))


ONES = st.just(Fraction(1))
GATES = st.sampled_from([Fraction(0), Fraction(1)])
ENVELOPE = {"attack": seconds, "decay": seconds, "gate": GATES, "release": seconds, "strike": ONES}


@st.composite
def trajectories(draw: Any) -> Any:
    """A trajectory of one family and its options, over a random script."""
    family = draw(st.sampled_from(["attack_decay", "adsr", "one_pole", "ramp", "slew", "lamp", "glide"]))
    if family == "attack_decay":
        return envelope.attack_decay(
            None, script_of(draw, {k: ENVELOPE[k] for k in ("attack", "decay", "strike")}), attack="1/200", decay="1/20",
            shape=draw(st.sampled_from(["linear", "exponential"])), by=draw(st.sampled_from(["60 dB", "time constant"])),
            retrigger=draw(st.sampled_from(["current", "zero"])), silence=draw(st.sampled_from([0, "1/1000"])))
    if family == "adsr":
        return envelope.attack_decay_sustain_release(
            None, script_of(draw, {k: ENVELOPE[k] for k in ("attack", "decay", "gate", "release")}), attack="1/200",
            decay="1/50", sustain="3/7", release="1/30", shape=draw(st.sampled_from(["linear", "exponential"])))
    script = script_of(draw, {"strike": ONES} if family == "lamp" else {"target": levels})
    if family == "one_pole":
        how = draw(st.sampled_from([{"coefficient": "1/50"}, {"coefficient": 1}, {"seconds": "1/100"}, {"seconds": 40},
                                    {"seconds": "1/200000"}, {"cutoff_hz": 30}, {"cutoff_hz": 20_000}]))
        return smoothing.one_pole(None, script, **how)
    if family == "ramp":
        return smoothing.ramp(None, script, seconds=draw(seconds))
    if family == "slew":
        return smoothing.slew(None, script, per_second=draw(st.sampled_from([1, 30, 100_000])))
    if family == "lamp":
        return gate.lamp(None, script, hold="1/500", decay=draw(st.sampled_from(["1/1000", 3])))
    return pitch_memory.glide(None, script, target="target", seconds="1/20")


def assert_close(found: Any, samples: list[int]) -> None:
    wanted, bound = found.screen()
    for k in samples:
        low, high = found.exact(k)
        value, room = Fraction(float(wanted[k])), Fraction(float(bound[k]))

        assert value - room <= high and low <= value + room
        assert low <= high


def assert_nested(found: Any, samples: list[int]) -> None:
    for k in samples:
        wide, narrow = found.exact(k, 80), found.exact(k, 240)

        assert wide[0] <= narrow[1] and narrow[0] <= wide[1]
        assert narrow[1] - narrow[0] <= max(wide[1] - wide[0], Fraction(1, 2**200))


samples = st.lists(st.integers(0, 3999), min_size=1, max_size=5)


@given(found=trajectories(), places=samples)
def test_screens_lie_within_their_bounds_and_enclosures_nest(found: Any, places: list[int]) -> None:
    events = [sample for sample, *_ in found.script.events]
    edges = [d.sample + k for d in found.decisions for k in (-1, 0)]
    places = [k for k in dict.fromkeys([*places, *events, *edges]) if 0 <= k < found.script.samples]

    assert_close(found, places)
    assert_nested(found, places[:3])


@given(found=trajectories(), first=st.integers(0, 3999), count=st.integers(0, 3000))
def test_a_part_of_a_screen_is_that_part(found: Any, first: int, count: int) -> None:
    wanted, bound = found.screen()
    end = min(first + count, found.script.samples)
    part, part_bound = found.screen_part(first, end)

    # Powers are built from another table: the values agree within both bounds, not bit by bit.
    assert len(part) == max(0, end - first)
    assert (np.abs(part - wanted[first:end]) <= bound[first:end] + part_bound).all()


@given(found=trajectories(), shift=st.sampled_from([-1, 0, 1]), data=st.data(), places=samples)
def test_shifted_decisions_are_trajectories_of_their_own(found: Any, shift: int, data: Any, places: list[int]) -> None:
    if not found.decisions:
        return
    number = data.draw(st.integers(0, len(found.decisions) - 1))
    other = found.shifted({number: shift})
    assert_close(other, places)

    # A segment that ends a sample early also arrives a sample early.
    before = found.decisions[number].sample - (2 if shift < 0 else 1)
    if shift == 0:
        assert np.array_equal(other.screen()[0], found.screen()[0])
    # Before the decision nothing can differ.
    assert np.array_equal(other.screen()[0][: max(0, before)], found.screen()[0][: max(0, before)])


@given(found=trajectories(), shift=st.sampled_from([-1, 1]), until=st.integers(1, 4000), data=st.data())
def test_what_comes_later_changes_nothing_before(found: Any, shift: int, until: int, data: Any) -> None:
    count = len(found.decisions)
    shifts = {data.draw(st.integers(0, count - 1)): shift} if count else {}
    whole, part = found.shifted(shifts), found.shifted(shifts, until)
    first = data.draw(st.integers(0, until - 1))

    for one, other in zip(whole.screen_part(first, until), part.screen_part(first, until), strict=True):
        assert one.tobytes() == other.tobytes()


@given(found=trajectories())
def test_phases_cover_every_sample_once(found: Any) -> None:
    covered = [k for phase in found.phases for k in (phase.start, phase.end)]

    assert covered[0] == 0 and covered[-1] == found.script.samples
    assert covered[1:-1:2] == covered[2::2]


STREAMS: dict[str, Callable[[Script], Any]] = {
    "one_pole": lambda s: smoothing.one_pole(None, s, seconds="1/100"),
    "one_pole slow": lambda s: smoothing.one_pole(None, s, seconds=20, start="1/3"),
    "one_pole at once": lambda s: smoothing.one_pole(None, s, coefficient=1),
    "slew": lambda s: smoothing.slew(None, s, per_second=700, start="-1/3"),
    "average": lambda s: smoothing.moving_average(None, s, length_samples=37),
}


@pytest.mark.parametrize("name", sorted(STREAMS))
@given(seed=st.integers(0, 2**32), size=st.sampled_from([1e-6, 1.0, 5e5]), places=st.lists(st.integers(0, 999), max_size=3))
def test_recurrences_lie_within_their_bounds(name: str, seed: int, size: float, places: list[int]) -> None:
    stream = np.random.default_rng(seed).uniform(-size, size, 1000)
    found = STREAMS[name](Script(1000, Fraction(48_000), (), {"target": stream}))

    assert_close(found, [*places, 0, 999])
    assert_nested(found, places[:2])


def test_an_envelope_of_a_second_is_planned_and_screened_in_about_a_millisecond() -> None:
    events = ((0, "attack", Fraction(1, 50)), (0, "decay", Fraction(1, 2)), (10, "strike", Fraction(1)),
              (500, "strike", Fraction(1)), (9000, "decay", Fraction(1, 3)), (20_000, "strike", Fraction(1)))
    script = Script(48_000, Fraction(48_000), events)
    took = []
    for _ in range(20):
        began = time.perf_counter()
        envelope.attack_decay(None, script, silence="1/100000").screen()
        took.append(time.perf_counter() - began)

    # About 1 ms alone on a processor; the limit leaves room for a busy one.
    assert min(took) < 0.006
