"""Every operation of the binary64 numbers with bounds encloses what 200-bit intervals say, whatever its operands hold."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from reference.errors import DomainError, Undecidable
from reference.intervals import IntervalContext
from reference.near_numbers import Near, NearContext

TWO = ("add", "subtract", "multiply", "divide", "minimum", "maximum")
ONE = ("negative", "absolute", "exp2", "log2", "exp", "log", "sqrt", "sin_turns", "cos_turns", "tanh", "floor")

values = st.floats(-300, 300, allow_subnormal=False).filter(lambda x: x == 0 or abs(x) > 1e-100)
shares = st.sampled_from([Fraction(-1), Fraction(0), Fraction(1, 3), Fraction(1)])
offs = st.sampled_from([0.0, 2.0**-60, 2.0**-40, 2.0**-20, 0.005])


def exact_operand(value: float, off: float, share: Fraction) -> Fraction:
    """A number that a Near of this value and bound may stand for: ends, centre, between."""
    return Fraction(value) + share * Fraction(off)


def assert_encloses(found: Near, exact: tuple[Fraction, Fraction]) -> None:
    low, high = Fraction(found.value) - Fraction(found.off), Fraction(found.value) + Fraction(found.off)

    assert low <= exact[1] and exact[0] <= high


@given(name=st.sampled_from(TWO), a=values, b=values, a_off=offs, b_off=offs, s=shares, t=shares)
def test_operations_of_two_operands_enclose(name: str, a: float, b: float, a_off: float, b_off: float, s: Fraction,
                                            t: Fraction) -> None:
    near, exact = NearContext(), IntervalContext(200)
    try:
        found = getattr(near, name)(Near(near, a, a_off), Near(near, b, b_off))
    except DomainError:
        assert name == "divide" and abs(b) <= b_off
        return
    wanted = getattr(exact, name)(exact.constant(exact_operand(a, a_off, s)), exact.constant(exact_operand(b, b_off, t)))

    assert_encloses(found, wanted.ends())


@given(name=st.sampled_from(ONE), a=values, off=offs, s=shares)
def test_functions_enclose(name: str, a: float, off: float, s: Fraction) -> None:
    near, exact = NearContext(), IntervalContext(200)
    operand = exact_operand(a, off, s)
    try:
        found = getattr(near, name)(Near(near, a, off))
    except (DomainError, Undecidable):
        assert name in ("log2", "log", "sqrt", "floor", "exp")
        return
    assume(name not in ("log2", "log", "sqrt") or operand > 0)

    assert_encloses(found, getattr(exact, name)(exact.constant(operand)).ends())


@given(text=st.sampled_from(["pi", "1/3", "-2/7", "0.1", "1e-12", "440 * 2**(-9/12)"]))
def test_constants_enclose(text: str) -> None:
    assert_encloses(NearContext().number(text), IntervalContext(200).number(text).ends())


@given(a=values, gap=st.sampled_from([0.0, 2.0**-45, 2.0**-10, 1.0]), off=offs,
       relation=st.sampled_from(["<", "<=", "=="]), s=shares, t=shares)
def test_comparisons_are_right_for_every_number_meant_or_refused(a: float, gap: float, off: float, relation: str,
                                                                 s: Fraction, t: Fraction) -> None:
    near, b = NearContext(), a + gap
    try:
        found = near.compare(Near(near, a, off), Near(near, b, off), relation)
    except Undecidable:
        assert off > 0 and abs(Fraction(b) - Fraction(a)) <= 3 * Fraction(off)
        return
    x, y = exact_operand(a, off, s), exact_operand(b, off, t)

    assert found == {"<": x < y, "<=": x <= y, "==": x == y}[relation]


def test_an_exponent_far_below_the_range_but_uncertain_is_refused() -> None:
    near = NearContext()

    assert near.exp2(Near(near, -2000.0, 1.0)).off < 2.0**-880
    with pytest.raises(DomainError):
        near.exp2(Near(near, -900.0, 500.0))


@given(a=st.floats(0.01, 100), b=st.floats(0.01, 100), c=st.floats(-5, 5))
def test_bounds_stay_close_along_a_chain_of_operations(a: float, b: float, c: float) -> None:
    near, exact = NearContext(), IntervalContext(200)

    def chain(ctx: NearContext | IntervalContext) -> Near:
        x, y, z = (ctx.constant(Fraction(v)) for v in (a, b, c))
        return (ctx.log2(x) * y + ctx.exp2(z)) / (y + ctx.sqrt(x))  # type: ignore[no-any-return]

    found = chain(near)

    assert_encloses(found, chain(exact).ends())  # type: ignore[attr-defined]
    assert found.off < 2.0**-44 * (1 + abs(found.value))
