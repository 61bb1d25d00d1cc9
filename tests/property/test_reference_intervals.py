"""Intervals enclose what another library computes, and enclosures at two precisions nest."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reference import IntervalContext, NotRational, RationalContext, enclose

flint = pytest.importorskip("flint", reason="needs python-flint")
arb = flint.arb

BALLS: dict[str, Callable[[Any], Any]] = {
    "exp2": lambda x: arb(2) ** x,
    "log2": lambda x: x.log() / arb(2).log(),
    "exp": lambda x: x.exp(),
    "log": lambda x: x.log(),
    "sqrt": lambda x: x.sqrt(),
    "sin_turns": lambda x: (2 * x).sin_pi(),
    "cos_turns": lambda x: (2 * x).cos_pi(),
    "tanh": lambda x: x.tanh(),
}
POSITIVE = {"log2", "log", "sqrt"}

sizes = st.floats(2.0**-140, 200, allow_subnormal=False).map(Fraction) | st.fractions(
    Fraction(1, 10**6), 50, max_denominator=10**6
)
near_one = st.integers(1, 120).map(lambda k: 1 + Fraction(1, 2**k))


def ball(value: Fraction) -> Any:
    return arb(value.numerator) / arb(value.denominator)


def distance(enclosure: tuple[Fraction, Fraction], exact: Any) -> None:
    """Fail if a 600-bit ball lies outside the enclosure for certain."""
    low, high = enclosure
    assert not (ball(low) > exact) and not (ball(high) < exact)


@given(name=st.sampled_from(sorted(BALLS)), size=sizes | near_one, negative=st.booleans())
def test_functions_enclose_ball_arithmetic_tightly(name: str, size: Fraction, negative: bool) -> None:
    x = -size if negative and name not in POSITIVE else size
    ctx = IntervalContext(100)
    low, high = getattr(ctx, name)(ctx.number(x)).ends()
    before, flint.ctx.prec = flint.ctx.prec, 600
    try:
        distance((low, high), BALLS[name](ball(x)))
    finally:
        flint.ctx.prec = before

    # Rounding x to 100 bits costs |x| times the slope; 2**-80 relative or absolute leaves room for x = 200.
    assert high - low <= Fraction(1, 2**80) * max(abs(low), abs(high), 1)


@given(
    name=st.sampled_from(sorted(BALLS)),
    first=sizes,
    width=sizes,
    inside=st.fractions(0, 1, max_denominator=1000),
)
def test_functions_of_wide_intervals_hold_every_inner_value(
    name: str, first: Fraction, width: Fraction, inside: Fraction
) -> None:
    ctx = IntervalContext(100)
    wide = ctx.add(first, ctx.multiply(width, ctx.minimum(ctx.number(0), ctx.number(1))))
    other = ctx.number(first + width)
    hull = type(wide)(ctx, wide.low, other.high)
    outer = getattr(ctx, name)(hull).ends()
    inner = getattr(ctx, name)(ctx.number(first + width * inside)).ends()
    exact_width = Fraction(1, 2**70)

    assert outer[0] <= inner[1] and inner[0] <= outer[1]
    assert outer[0] - exact_width * abs(outer[0]) <= inner[0]
    assert inner[1] <= outer[1] + exact_width * abs(outer[1])


@given(a=st.fractions(max_denominator=10**9), b=st.fractions(max_denominator=10**9))
def test_arithmetic_encloses_fractions(a: Fraction, b: Fraction) -> None:
    ctx, exact = IntervalContext(60), RationalContext()
    for name in ("add", "subtract", "multiply", "divide", "minimum", "maximum"):
        if name == "divide" and b == 0:
            continue
        low, high = getattr(ctx, name)(ctx.number(a), ctx.number(b)).ends()

        assert low <= getattr(exact, name)(a, b) <= high
    low, high = ctx.absolute(ctx.number(a)).ends()

    assert low <= abs(a) <= high


OPERATIONS = ["add", "subtract", "multiply", "minimum", "maximum"]
FUNCTIONS = ["exp2", "sin_turns", "cos_turns", "tanh", "absolute", "negative"]
trees = st.recursive(
    st.just("x") | st.fractions(-3, 3, max_denominator=60),
    lambda inner: (
        st.tuples(st.sampled_from(OPERATIONS), inner, inner) | st.tuples(st.sampled_from(FUNCTIONS), inner)
    ),
    max_leaves=6,
)


def as_reference(tree: Any) -> Callable[..., Any]:
    def value(ctx: Any, node: Any, x: Any) -> Any:
        if isinstance(node, tuple):
            return getattr(ctx, node[0])(*(value(ctx, part, x) for part in node[1:]))
        return x if node == "x" else ctx.number(node)

    return lambda ctx, x: value(ctx, tree, x)


@given(tree=trees, x=st.fractions(-2, 2, max_denominator=500))
def test_enclosures_at_two_precisions_overlap_and_shrink(tree: Any, x: Fraction) -> None:
    try:
        coarse, fine = (enclose(as_reference(tree), [x], {}, bits=bits) for bits in (60, 240))
    except ArithmeticError as error:
        assert "exceeds" in str(error)  # towers of exp2 leave the range of the context
        return

    assert coarse.low <= fine.high and fine.low <= coarse.high
    assert fine.high - fine.low <= coarse.high - coarse.low
    assert coarse.low <= fine.middle <= coarse.high


@given(tree=trees, x=st.integers(-6, 6).map(lambda k: Fraction(k, 12)))
def test_exact_results_lie_in_every_enclosure(tree: Any, x: Fraction) -> None:
    function = as_reference(tree)
    try:
        exact = Fraction(function(RationalContext(), x))
    except NotRational:
        return
    ctx = IntervalContext(53)
    low, high = ctx.own(function(ctx, ctx.number(x))).ends()

    assert low <= exact <= high
