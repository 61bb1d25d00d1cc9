"""Filters over random settings and streams: screens lie within their bounds of the exact values, enclosures nest."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware_shim.compiler import find_compiler
from firmware_shim.engine import build_engine
from firmware_shim.traces import Eye, eye_of
from reference import filters, filters_in_time
from reference.trajectories import Script
from tests.property.test_trajectories import assert_close, assert_nested
from verify.binding import cache_folder

cutoffs = st.sampled_from([Fraction(1), Fraction(20), Fraction(1001, 3), Fraction(5000), Fraction(11_000)])
resonances = st.sampled_from([Fraction(1, 2), Fraction(7, 10), Fraction(3), Fraction(40)])
CHANGES = {"cutoff_hz": cutoffs, "q": resonances, "gain_db": st.sampled_from([Fraction(-12), Fraction(6)])}


@st.composite
def found_filters(draw: Any) -> Any:
    count = draw(st.integers(1, 300))
    events = []
    for place in sorted(draw(st.lists(st.integers(0, 300), max_size=4))):
        name = draw(st.sampled_from(sorted(CHANGES)))
        events.append((place, name, draw(CHANGES[name])))
    size = draw(st.sampled_from([1e-9, 1.0, 3e4]))
    stream = np.random.default_rng(draw(st.integers(0, 2**32))).uniform(-size, size, count)
    script = Script(count, Fraction(48_000), tuple(events), {"x": stream})
    which = draw(st.sampled_from(["biquad", "trapezoidal", "two integrators", "one_pole"]))
    hz, q = draw(cutoffs), draw(resonances)
    if which == "biquad":
        return filters_in_time.biquad(None, script, kind=draw(st.sampled_from(filters.KINDS)), cutoff_hz=hz, q=q,
                                      form=draw(st.sampled_from(filters_in_time.FORMS)), gain_db=3)
    if which == "one_pole":
        return filters_in_time.first_order(None, script, kind=draw(st.sampled_from(["low pass", "high pass"])), cutoff_hz=hz,
                                        form=draw(st.sampled_from(["step invariant", "trapezoidal"])))
    output = draw(st.sampled_from(filters_in_time.OUTPUTS[:4]))
    # The two-integrator form is stable only where f < 2 - 1/q or so: low cutoffs here.
    slow = [event for event in events if event[1] != "cutoff_hz"]
    if which == "two integrators":
        script, hz = Script(count, Fraction(48_000), tuple(e for e in slow if e[1] != "q"), {"x": stream}), Fraction(900)
    return filters_in_time.state_variable(None, script, output=output, form=which, cutoff_hz=hz, q=q)


@given(found=found_filters(), places=st.lists(st.integers(0, 299), min_size=1, max_size=4))
def test_filters_lie_within_their_bounds_and_enclosures_nest(found: Any, places: list[int]) -> None:
    places = [k for k in dict.fromkeys([*places, 0, 63, 64, found.script.samples - 1]) if k < found.script.samples]

    assert_close(found, places)
    assert_nested(found, places[:2])
    wanted, bound = found.screen()
    if len(found.settings) == 1:
        # Bounds are of use even for a direct form at 1 Hz, whose state is a million times its output.
        assert bound.max() <= 1e-5 * max(np.abs(found.inputs).max(), np.abs(wanted).max())


@pytest.fixture(scope="module")
def eye(gcc: str) -> Eye:
    return eye_of(build_engine(find_compiler(None, cache_folder()).path, cache_folder()))


@given(found=found_filters(), places=st.lists(st.integers(0, 299), min_size=1, max_size=4))
def test_the_compiled_recursion_lies_within_its_bounds(eye: Eye, found: Any, places: list[int]) -> None:
    places = [k for k in dict.fromkeys([*places, 0, 64, found.script.samples - 1]) if k < found.script.samples]
    found.walk = eye.followed
    *_, wanted, bound = found.pieces()[0]

    assert_close(found, places)
    for k in places:
        low, high = found.exact(k)
        assert Fraction(float(wanted[k])) - Fraction(float(bound[k])) <= high
        assert low <= Fraction(float(wanted[k])) + Fraction(float(bound[k]))
    if len(found.settings) == 1:
        size = max(np.abs(found.inputs).max(), np.abs(wanted).max())
        assert found.screen()[1].max() <= 1e-9 * size and bound.max() <= 1e-9 * size
