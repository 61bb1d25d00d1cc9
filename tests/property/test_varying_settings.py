"""Settings that are streams: the screen keeps its bound, and holds of a stream are what events are."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reference import filters_in_time, smoothing
from reference.errors import DomainError
from reference.near_arrays import NearArrays
from reference.near_numbers import NearContext
from reference.trajectories import Script

RATE = Fraction(48000)
FORMS: list[tuple[str, dict[str, Any]]] = [
    ("first_order", {"kind": "high pass"}), ("first_order", {"form": "trapezoidal"}), ("state_variable", {"output": "band"}),
    ("state_variable", {"output": "notch"}), ("biquad", {"form": "direct 1"}), ("biquad", {"kind": "peaking", "gain_db": 6}),
]


def streams_of(seed: int, samples: int, spread: float) -> dict[str, np.ndarray]:
    """An input, a cutoff about 2000 Hz and a q, all random."""
    source = np.random.default_rng(seed)
    return {"x": source.uniform(-1, 1, samples), "cutoff_hz": 2000 * 2.0 ** source.uniform(-spread, spread, samples),
            "q": source.uniform(0.5, 4, samples)}


def filtered(script: Script, name: str, more: dict[str, Any]) -> Any:
    return getattr(filters_in_time, name)(None, script, **more)


@settings(max_examples=30)
@given(st.integers(0, 2**31), st.sampled_from(FORMS), st.sampled_from([0.01, 1, 3]))
def test_every_sample_lies_within_its_bound(seed: int, form: tuple[str, dict[str, Any]], spread: float) -> None:
    trajectory = filtered(Script(12, RATE, (), streams_of(seed, 12, spread)), *form)
    try:
        wanted, bound = trajectory.screen()
    except DomainError:
        assert "biquad" == form[0]
        return
    for sample in (0, 11):
        low, high = trajectory.enclosure(sample, 120)

        assert low - Fraction(bound[sample]) <= Fraction(wanted[sample]) <= high + Fraction(bound[sample])
    assert bound.max() < 1e-9 * max(1.0, float(np.abs(wanted).max()))


@settings(max_examples=15)
@given(st.integers(0, 2**31), st.sampled_from(FORMS))
def test_a_stream_that_holds_does_what_events_do(seed: int, form: tuple[str, dict[str, Any]]) -> None:
    given_ = streams_of(seed, 12, 2)
    levels = np.repeat(given_["cutoff_hz"][:2], 6)
    events = tuple((6 * k, "cutoff_hz", Fraction(float(levels[6 * k]))) for k in range(2))
    sent = filtered(Script(12, RATE, events, {"x": given_["x"]}), *form).screen()
    fed = filtered(Script(12, RATE, (), {"x": given_["x"], "cutoff_hz": levels}), *form).screen()

    assert (np.abs(sent[0] - fed[0]) <= sent[1] + fed[1]).all()


def test_events_and_streams_act_together() -> None:
    both = {k: v for k, v in streams_of(3, 30, 1).items() if k != "q"}
    q = np.where(np.arange(30) < 10, 1.0, 3.0)
    sent = filtered(Script(30, RATE, ((10, "q", Fraction(3)),), both), "state_variable", {}).screen()
    fed = filtered(Script(30, RATE, (), {**both, "q": q}), "state_variable", {}).screen()

    assert (np.abs(sent[0] - fed[0]) <= sent[1] + fed[1]).all()


def test_a_one_pole_starts_from_its_level() -> None:
    script = Script(3, RATE, (), {"target": np.ones(3), "coefficient": np.array([0.5, 0.25, 0.5])})

    assert [0.75, 0.8125, 0.90625] == smoothing.one_pole(None, script, coefficient=1, start="1/2").screen()[0].tolist()


def test_settings_that_make_a_filter_run_away_have_no_answer() -> None:
    swinging = np.where(np.arange(400) % 2, 20.0, 20000.0)
    script = Script(400, RATE, (), {"x": np.ones(400), "cutoff_hz": swinging})

    with pytest.raises(DomainError, match="runs away"):
        filtered(script, "biquad", {"q": 4}).screen()
    assert np.abs(filtered(script, "state_variable", {"q": 4}).screen()[0]).max() < 100


@given(st.lists(st.floats(0.01, 100), min_size=1, max_size=5), st.sampled_from(["exp2", "log2", "sqrt", "sin_turns", "tanh"]))
def test_numbers_in_arrays_are_those_that_stand_alone(values: list[float], name: str) -> None:
    many, one = NearArrays(), NearContext()
    found = getattr(many, name)(many.exact(np.array(values)) / 3)
    for k, value in enumerate(values):
        alone = getattr(one, name)(one.number(Fraction(value)) / 3)

        assert abs(found.value[k] - alone.value) <= found.off[k] + alone.off
