"""Contexts, exact numbers, enclosures and decisions."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np
import pytest

from reference import (
    DomainError,
    Enclosure,
    IntervalContext,
    NotRational,
    NumberRefused,
    RationalContext,
    Undecidable,
    decide,
    enclose,
    intermediates,
    log2_enclosure,
    pitch,
)

R = RationalContext()


@pytest.mark.parametrize(
    ("given", "exact"),
    [
        (3, Fraction(3)),
        (Fraction(1, 3), Fraction(1, 3)),
        (0.1, Fraction(1, 10)),
        (1e-7, Fraction(1, 10**7)),
        (np.float32(0.1), Fraction(1, 10)),
        (np.float64(0.1), Fraction(1, 10)),
        (np.uint16(65535), Fraction(65535)),
        ("0.1", Fraction(1, 10)),
        ("1.5e-3", Fraction(3, 2000)),
        (" 1_000.5 ", Fraction(2001, 2)),
        ("-(1/3 - 2)*3", Fraction(5)),
        ("2**-3 + +1", Fraction(9, 8)),
        ("(1/4)**(3/2)", Fraction(1, 8)),
        ("4**(1/2)", Fraction(2)),
        ("2**(4/2)", Fraction(4)),
        ("0.1**2", Fraction(1, 100)),
    ],
)
def test_numbers_are_read_exactly(given: object, exact: Fraction) -> None:
    assert exact == R.number(given)
    low, high = IntervalContext(400).number(given).ends()

    assert low <= exact <= high and high - low <= abs(exact) * Fraction(1, 2**390)


@pytest.mark.parametrize(
    "given",
    [
        True, np.bool_(False), None, [1], 1j, float("nan"), float("inf"), np.float32("nan"), "", "1/0",
        "0**-1", "x", "sin(1)", "1 if 1 else 2", "__import__('os')", "1,2", "'1'", "True", "1j", "2**10**10",
        "9**9999",
        "1e99999", "(-1)**(1/2)", "1 // 2", "nan", "inf", "1" * 500, "(" * 300, "2 3", "\n",
    ],
)
def test_what_is_not_an_exact_number_is_refused(given: object) -> None:
    for ctx in (R, IntervalContext(60)):
        with pytest.raises(NumberRefused):
            ctx.number(given)


def test_irrational_expressions_are_enclosed() -> None:
    low, high = IntervalContext(300).number("440 * 2**(-9/12)").ends()

    assert low**4 < Fraction(440**4, 8) < high**4
    assert high - low < Fraction(1, 2**280)
    with pytest.raises(NotRational):
        R.number("pi")
    with pytest.raises(NotRational):
        R.number("10**(1/20)")


def test_rational_results_are_exact() -> None:
    cases: list[tuple[Any, Any]] = [
        (Fraction(1, 8), R.exp2(Fraction(-3))),
        (Fraction(-5), R.log2(Fraction(1, 32))),
        (Fraction(3, 7), R.sqrt(Fraction(9, 49))),
        (Fraction(1), R.exp(Fraction(0))),
        (Fraction(0), R.log(Fraction(1))),
        (Fraction(0), R.tanh(Fraction(0))),
        (Fraction(-1, 2), R.sin_turns(Fraction(-1, 12))),
        (Fraction(1, 2), R.cos_turns(Fraction(7, 6))),
        (Fraction(-1), R.cos_turns(Fraction(3, 2))),
        (Fraction(-2), R.floor(Fraction(-5, 4))),
        (Fraction(3), R.nearest(Fraction(5, 2))),
        (Fraction(-2), R.nearest(Fraction(-5, 2))),
        (Fraction(1), R.clamp(Fraction(3), 0, 1)),
    ]
    for expected, got in cases:
        assert expected == got and isinstance(got, Fraction)


@pytest.mark.parametrize(
    "step",
    [
        lambda c: c.exp2(c.number("1/3")),
        lambda c: c.log2(c.number(3)),
        lambda c: c.sqrt(c.number(2)),
        lambda c: c.exp(c.number(1)),
        lambda c: c.log(c.number(2)),
        lambda c: c.tanh(c.number(1)),
        lambda c: c.sin_turns(c.number("1/5")),
        lambda c: c.sin(c.number(1)),
        lambda c: c.cos(c.number(1)),
        lambda c: c.pi,
    ],
)
def test_irrational_results_are_never_given_as_fractions(step: Any) -> None:
    with pytest.raises(NotRational):
        step(R)
    low, high = step(IntervalContext(100)).ends()

    assert 0 < high - low < Fraction(1, 2**90)


@pytest.mark.parametrize("ctx", [R, IntervalContext(80)], ids=["rational", "interval"])
@pytest.mark.parametrize(
    "step",
    [
        lambda c: c.log2(c.number(0)),
        lambda c: c.log(c.number(-1)),
        lambda c: c.sqrt(c.number(-1)),
        lambda c: c.divide(c.number(1), c.number(0)),
    ],
)
def test_outside_the_domain_is_an_error(ctx: Any, step: Any) -> None:
    with pytest.raises(DomainError):
        step(ctx)


def test_floats_and_foreign_numbers_are_refused_in_arithmetic() -> None:
    c, other = IntervalContext(80), IntervalContext(80)
    for refused in (0.5, True, "1", other.number(1)):
        with pytest.raises(NumberRefused):
            c.number(1) * refused
    with pytest.raises(NumberRefused):
        c.number(2) ** 0.5
    with pytest.raises(NumberRefused):
        R.exp2(0.5)
    with pytest.raises(NumberRefused):
        enclose(lambda ctx, x: x * 0.5, [Fraction(1)], {})
    with pytest.raises(NumberRefused):
        enclose(lambda ctx, x: x, [0.5], {})  # type: ignore[list-item]
    with pytest.raises(TypeError):
        bool(c.number(1))
    with pytest.raises(TypeError):
        float(c.number(1))


def test_comparisons_are_decided_or_refused() -> None:
    c = IntervalContext(60)
    third, root = c.number("1/3"), c.sqrt(c.number(2))

    assert third < root and root > third and third <= root and root >= 1 and third != root
    assert not third > root
    assert c.number(2) == 2 and c.number(2) <= 2 and not c.number(2) < 2
    with pytest.raises(Undecidable):
        _ = third == Fraction(1, 3)
    with pytest.raises(Undecidable):
        _ = root * root < 2
    with pytest.raises(Undecidable):
        c.floor(root * root)
    with pytest.raises(Undecidable):
        c.divide(1, root * root - 2)
    with pytest.raises(Undecidable):
        c.log2(root * root - 2)


def test_intervals_are_exact_where_the_result_is() -> None:
    c = IntervalContext(60)
    for expected, got in [
        (3, c.log2(c.number(8))),
        (8, c.exp2(c.number(3))),
        (0, c.sin_turns(c.number("7/2"))),
        (-1, c.cos_turns(c.number("1/2"))),
        (5, c.sqrt(c.number(25))),
        (1, c.exp(c.number(0))),
        (0, c.log(c.number(1))),
    ]:
        assert (expected, expected) == got.ends()


def test_sine_and_cosine_of_radians() -> None:
    """sin 1 and cos 1 as handbooks of functions print them (values from memory)."""
    c = IntervalContext(100)
    for found, value in ((c.sin(c.number(1)), "0.84147098480789650665"), (c.cos(c.number(1)), "0.54030230586813971740")):
        low, high = found.ends()
        assert abs(low - Fraction(value)) < Fraction(1, 10**19) and high - low < Fraction(1, 2**90)


def test_tanh_is_tight_from_tiny_to_huge() -> None:
    c = IntervalContext(100)
    for text in ("2**-1074", "2**-149", "2**-60", "0.01", "1", "30", "1e6", "-2**-200", "-3"):
        x = c.number(text)
        low, high = c.tanh(x).ends()

        assert -1 <= low <= high <= 1
        assert high - low <= Fraction(1, 2**90) * max(abs(low), abs(high))
        assert low <= max(x.ends()) if low > 0 else high >= min(x.ends())


def test_enclose_prefers_exact_values() -> None:
    constants = {"zero_volt_hz": 440}

    assert Enclosure(Fraction(880), Fraction(880), 100) == enclose(
        pitch.hz_from_volts, [Fraction(1)], constants
    )
    inexact = enclose(pitch.hz_from_volts, [Fraction(1, 2)], constants, bits=150)
    assert not inexact.exact
    assert inexact.low**2 < 2 * 440**2 < inexact.high**2
    assert 0 < inexact.uncertainty < Fraction(1, 2**135)
    assert inexact.low < inexact.middle < inexact.high


def test_decide_doubles_the_precision_until_the_question_is_answered() -> None:
    asked: list[int] = []

    def above_one(e: Enclosure) -> bool | None:
        asked.append(e.bits)
        return True if e.low > 1 else False if e.high < 1 else None

    answer, enclosure = decide(lambda ctx, x: ctx.exp2(x), [Fraction(1, 2**250)], {}, above_one)

    assert answer is True
    assert [100, 200, 400] == asked and 400 == enclosure.bits


def test_decide_gives_up_at_the_limit_and_takes_exact_values_at_once() -> None:
    def above_two(e: Enclosure) -> bool | None:
        return True if e.low > 2 else False if e.high < 2 else None

    square = decide(lambda ctx, x: ctx.sqrt(x) * ctx.sqrt(x), [Fraction(2)], {}, above_two)
    assert square[0] is None and 400 == square[1].bits

    exact = decide(lambda ctx, x: ctx.sqrt(x) * ctx.sqrt(x), [Fraction(4)], {}, above_two)
    assert exact[0] is True and exact[1].exact


def test_decide_raises_precision_for_decisions_inside_the_reference() -> None:
    def stepped(ctx: Any, x: Any) -> Any:
        return ctx.floor(ctx.exp2(x))

    def any_value(e: Enclosure) -> bool | None:
        return e.low >= 1

    assert decide(stepped, [Fraction(1, 2**150)], {}, any_value)[0] is True
    with pytest.raises(Undecidable):
        decide(lambda ctx, x: ctx.floor(ctx.sqrt(x) * ctx.sqrt(x)), [Fraction(2)], {}, any_value)


def test_log2_enclosure_covers_the_interval() -> None:
    low, high = log2_enclosure(Fraction(3), Fraction(5), 100)

    assert Fraction(1584962, 10**6) < low < Fraction(1584963, 10**6)
    assert Fraction(2321928, 10**6) < high < Fraction(2321929, 10**6)
    for ends in ((0, 1), (-1, 1), (2, 1)):
        with pytest.raises(DomainError):
            log2_enclosure(Fraction(ends[0]), Fraction(ends[1]), 100)


def test_intermediates_name_inputs_constants_and_each_step() -> None:
    steps = intermediates(pitch.hz_from_note, [Fraction(60)], {"a4_hz": 440}, 60)

    assert [
        ("note", "60"),
        ("a4_hz", "440"),
        ("step 1: note - 69", "-9"),
        ("step 2: step 1 / 12", "-0.75"),
        ("step 3: exp2(step 2)", "0.594603557501360533"),
        ("result: a4_hz * step 3", "261.625565300598635"),
    ] == steps


def test_intermediates_of_a_reference_without_steps_show_the_input() -> None:
    assert [("x", "1"), ("result: x", "1")] == intermediates(lambda ctx, x: x, [Fraction(1)], {}, 60)
    assert ("result: pi", "3.1415926535897932") == intermediates(lambda ctx: ctx.pi, [], {}, 57)[-1]
