"""The direction of a reference, told from its graph, never contradicts its values."""

from collections.abc import Callable
from fractions import Fraction
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reference import pitch
from reference.direction import is_monotone
from reference.errors import NoScreen
from reference.graphs import trace
from reference.precision import enclose

KEEPS: list[tuple[Callable[..., Any], tuple[float, float]]] = [
    (lambda ctx, x: 3 - 2 * x, (-4, 4)),
    (lambda ctx, x: x * x, (0, 4)),
    (lambda ctx, x: 1 / x, (-4, -1)),
    (lambda ctx, x: x / (5 - x), (0, 4)),
    (lambda ctx, x: ctx.minimum(2, ctx.exp2(-x)), (-4, 4)),
    (lambda ctx, x: ctx.floor(ctx.log2(x)), (1, 9)),
    (lambda ctx, x: -ctx.sqrt(ctx.exp(x)), (-1, 1)),
]
TURNS: list[tuple[Callable[..., Any], tuple[float, float]]] = [
    (lambda ctx, x: x * x, (-1, 4)),
    (lambda ctx, x: 1 / x + x, (0.5, 4)),
    (lambda ctx, x: x * (3 - x), (0, 3)),
    (lambda ctx, x: ctx.sin_turns(x), (0, 1)),
    (lambda ctx, x: ctx.modulo(x, 1), (0, 3)),
    (lambda ctx, x: ctx.minimum(x, 1 - x), (0, 1)),
]


@pytest.mark.parametrize(("function", "span"), KEEPS)
def test_one_direction_is_seen(function: Callable[..., Any], span: tuple[float, float]) -> None:
    assert is_monotone(trace(function, [span], {}))


@pytest.mark.parametrize(("function", "span"), TURNS)
def test_a_turn_is_never_missed(function: Callable[..., Any], span: tuple[float, float]) -> None:
    assert not is_monotone(trace(function, [span], {}))


def test_pitch_keeps_its_direction_and_two_inputs_do_not_count() -> None:
    assert is_monotone(trace(pitch.hz_from_volts, [(0, 5)], {"zero_volt_hz": "440 * 2**(-33/12)"}))
    assert not is_monotone(trace(lambda ctx, a, b: a + b, [(0, 1), (0, 1)], {}))


STEPS: dict[str, Callable[[Any, Any, Any], Any]] = {
    "add": lambda ctx, a, b: a + b,
    "subtract": lambda ctx, a, b: a - b,
    "multiply": lambda ctx, a, b: a * b,
    "divide": lambda ctx, a, b: a / b,
    "minimum": lambda ctx, a, b: ctx.minimum(a, b),
    "maximum": lambda ctx, a, b: ctx.maximum(a, b),
    "negative": lambda ctx, a, b: -a,
    "floor": lambda ctx, a, b: ctx.floor(a),
    "absolute": lambda ctx, a, b: ctx.absolute(a),
}


@given(
    st.lists(st.tuples(st.sampled_from(sorted(STEPS)), st.integers(0, 6), st.integers(0, 6)), min_size=1, max_size=6),
    st.lists(st.fractions(-3, 3, max_denominator=8), min_size=2, max_size=2, unique=True),
)
def test_a_random_expression_said_to_keep_its_direction_keeps_it(
    steps: list[tuple[str, int, int]], ends: list[Fraction]
) -> None:
    def function(ctx: Any, x: Any) -> Any:
        values = [x, ctx.number("3/2"), ctx.number(-2)]
        for name, a, b in steps:
            values.append(STEPS[name](ctx, values[a % len(values)], values[b % len(values)]))
        return values[-1]

    low, high = sorted(ends)
    try:
        graph = trace(function, [(low, high)], {})
    except (NoScreen, ZeroDivisionError):
        return
    if not is_monotone(graph):
        return
    places = [low + (high - low) * Fraction(k, 24) for k in range(25)]
    values = [enclose(function, [place], {}) for place in places]
    pairs = list(pairwise(values))
    rises = all(a.low <= b.high for a, b in pairs)
    falls = all(a.high >= b.low for a, b in pairs)

    assert rises or falls
