"""The metric "ulp" of `verify.judging.exact` against 24 published errors, to the ten digits published.

Source of every figure: M. Mikaitis, T. Rizyal, arXiv 2509.05666; see ulp_published_rows. The right answers
are references like those of a sheet, or (arc functions) enclosures of python-flint. The figures are cut off,
not rounded, after ten decimals: all 24 lie below the exact error by less than one in the tenth.
"""

import math
import struct
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import pytest

from tests.external.ulp_published_rows import ROWS, PublishedError
from verify.judging.exact import ExactError, error_between, exact_error

LAST_DIGIT = Fraction(1, 10**10)
FLOAT = 0


def _sinh(ctx: Any, x: Any) -> Any:
    return (ctx.exp(x) - ctx.exp(-x)) / 2


def _cosh(ctx: Any, x: Any) -> Any:
    return (ctx.exp(x) + ctx.exp(-x)) / 2


def _sin(ctx: Any, x: Any) -> Any:
    return ctx.sin_turns(x / (2 * ctx.pi))


def _cos(ctx: Any, x: Any) -> Any:
    return ctx.cos_turns(x / (2 * ctx.pi))


def _cbrt(ctx: Any, x: Any) -> Any:
    size = ctx.exp(ctx.log(abs(x)) / 3)
    return -size if x < 0 else size


REFERENCES: dict[str, Callable[..., Any]] = {
    "exp": lambda ctx, x: ctx.exp(x),
    "exp2": lambda ctx, x: ctx.exp2(x),
    "exp10": lambda ctx, x: ctx.exp(x * ctx.log(ctx.number(10))),
    "log": lambda ctx, x: ctx.log(x),
    "log2": lambda ctx, x: ctx.log2(x),
    "log10": lambda ctx, x: ctx.log(x) / ctx.log(ctx.number(10)),
    "log1p": lambda ctx, x: ctx.log(1 + x),
    "sin": _sin,
    "cos": _cos,
    "tan": lambda ctx, x: _sin(ctx, x) / _cos(ctx, x),
    "sinpi": lambda ctx, x: ctx.sin_turns(x / 2),
    "cospi": lambda ctx, x: ctx.cos_turns(x / 2),
    "tanpi": lambda ctx, x: ctx.sin_turns(x / 2) / ctx.cos_turns(x / 2),
    "sinh": _sinh,
    "cosh": _cosh,
    "tanh": lambda ctx, x: ctx.tanh(x),
    "asinh": lambda ctx, x: ctx.log(x + ctx.sqrt(x * x + 1)),
    "acosh": lambda ctx, x: ctx.log(x + ctx.sqrt(x * x - 1)),
    "atanh": lambda ctx, x: ctx.log((1 + x) / (1 - x)) / 2,
    "cbrt": _cbrt,
    "sqrt": lambda ctx, x: ctx.sqrt(x),
}


def value_of(bits: int) -> Fraction:
    """Exact value of binary32 bits."""
    return Fraction(struct.unpack("<f", struct.pack("<I", bits))[0])


def cut_off(error: Fraction | float) -> Fraction:
    """Size of an error cut off after ten decimals, as the publication does."""
    return math.floor(abs(Fraction(error)) / LAST_DIGIT) * LAST_DIGIT


def named(rows: list[PublishedError]) -> list[Any]:
    return [pytest.param(row, id=row.function) for row in rows]


@pytest.mark.parametrize("row", named([row for row in ROWS if row.function in REFERENCES]))
def test_an_error_in_ulp_is_the_published_one(row: PublishedError) -> None:
    def judged(limit: Fraction) -> tuple[bool | None, ExactError]:
        raw = struct.pack("<I", row.output_bits)
        inputs = [value_of(row.input_bits)]
        return exact_error("ulp", limit, raw, inputs, REFERENCES[row.function], {},
                           type_number=FLOAT, scale=Fraction(1))

    published = Fraction(f"{row.error_ulp:.10f}")
    (above, _), (below, error) = judged(published + LAST_DIGIT), judged(published)

    assert (True, False) == (above, below)
    assert (published, published) == (cut_off(error.low), cut_off(error.high))


@pytest.mark.parametrize("row", named([row for row in ROWS if row.function not in REFERENCES]))
def test_an_error_in_ulp_is_the_published_one_against_enclosures_of_another_library(
    row: PublishedError,
) -> None:
    flint = pytest.importorskip("flint")
    bits, flint.ctx.prec = flint.ctx.prec, 120
    try:
        x = value_of(row.input_bits)
        ball = getattr(flint.arb(flint.fmpq(x.numerator, x.denominator)), row.function)()
        ends = []
        for end in (ball.lower(), ball.upper()):
            mantissa, exponent = end.man_exp()
            ends.append(Fraction(int(mantissa)) * Fraction(2) ** int(exponent))
    finally:
        flint.ctx.prec = bits
    low, high, why = error_between("ulp", value_of(row.output_bits), *ends, lsb=Fraction(1), double=False, bits=100)

    assert "" == why
    published = Fraction(f"{row.error_ulp:.10f}")
    assert (published, published) == (cut_off(low), cut_off(high))


def test_all_published_rows_are_used_and_arc_functions_alone_need_the_other_library() -> None:
    assert 24 == len(ROWS)
    assert {"asin", "acos", "atan"} == {row.function for row in ROWS} - set(REFERENCES)
