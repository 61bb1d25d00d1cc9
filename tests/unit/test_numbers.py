"""Numbers in print: texts that read back to the same bits, and errors never rounded toward their limit."""

import math
import struct
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from verify.number_formats import bits_text, category, decimal_text, figure, hex_text
from verify.reports.numbers import away, rounded, times

SIZES = st.floats(1e-30, 1e30)
FLOATS = st.floats(width=32, allow_nan=False, allow_infinity=False)


@given(SIZES, SIZES, st.sampled_from([-1, 1]), st.integers(1, 8))
@example(0.0100004, 0.01, 1, 4)
@example(0.00999996, 0.01, 1, 4)
@example(0.1, 0.1, -1, 4)
@example(1.0 + 2**-52, 1.0, 1, 4)
def test_an_error_is_never_printed_on_the_other_side_of_its_limit(
    value: float, limit: float, sign: int, digits: int
) -> None:
    shown = Fraction(away(sign * value, limit, digits))

    assert (sign > 0) == (shown > 0)
    assert (value > limit) == (abs(shown) > Fraction(limit)) or value == limit


@given(st.floats(0.9, 1.1), st.floats(1e-6, 1e6))
def test_an_error_close_to_its_limit_keeps_its_side_in_print(ratio: float, limit: float) -> None:
    value = ratio * limit
    shown = Fraction(away(value, limit))

    assert (value > limit) == (shown > Fraction(limit)) or value == limit


@given(SIZES, SIZES)
def test_an_error_beyond_its_limit_is_rounded_up_and_one_within_it_down(value: float, limit: float) -> None:
    shown = Fraction(away(value, limit))
    noise = Fraction(value) * Fraction(1, 10**9)

    assert shown >= Fraction(value) - noise if value > limit else shown <= Fraction(value) + noise
    assert abs(shown - Fraction(value)) <= Fraction(value) / 999


@given(SIZES, st.integers(1, 15), st.booleans())
def test_rounding_keeps_its_direction_and_no_more_digits_than_asked(value: float, digits: int, up: bool) -> None:
    shown = rounded(value, digits, up)

    assert shown >= value * (1 - 2e-9) if up else shown <= value * (1 + 2e-9)
    assert shown == pytest.approx(float(f"{shown:.{digits}g}"), rel=1e-14)
    assert rounded(-value, digits, up) == -shown


def test_what_is_not_finite_is_said_in_words() -> None:
    assert ["infinite", "infinite", "NaN"] == [away(x, 1.0) for x in (math.inf, -math.inf, math.nan)]


@given(st.floats(1e-6, 1e9))
@example(1.00004)
@example(0.99999999)
@example(1.0 + 2**-52)
def test_a_multiple_of_the_limit_is_rounded_away_from_one(ratio: float) -> None:
    shown = Fraction("".join(times(ratio).removesuffix("x the limit").split()))

    assert abs(shown - Fraction(ratio)) <= Fraction(ratio) / 999
    assert (ratio > 1) == (shown > 1) or ratio == 1


@given(FLOATS)
@example(-0.0)
@example(2.0**-149)
@example(3.4028234663852886e38)
def test_the_decimal_text_of_a_float_reads_back_to_its_bits(value: float) -> None:
    text = decimal_text(value)

    assert struct.pack("<f", value) == struct.pack("<f", float(text))
    assert len(text.lstrip("-").partition("e")[0].replace(".", "").strip("0")) <= 9


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_the_decimal_text_of_a_double_reads_back_to_its_bits(value: float) -> None:
    assert struct.pack("<d", value) == struct.pack("<d", float(decimal_text(value, 17)))


@given(st.floats(allow_nan=False, allow_infinity=False))
@example(-0.0)
def test_the_hexadecimal_text_of_a_number_reads_back_to_its_bits(value: float) -> None:
    text = hex_text(value)

    assert struct.pack("<d", value) == struct.pack("<d", float.fromhex(text))
    assert not text.partition("p")[0].removeprefix("-")[3:].endswith("0")


@pytest.mark.parametrize(("value", "text"), [
    (0.015625, "0x1p-6"), (1.5, "0x1.8p+0"), (0.0, "0x0p+0"), (-0.0, "-0x0p+0"), (math.nan, "NaN"), (math.inf, "+inf"),
])  # fmt: skip
def test_hexadecimal_texts_are_short(value: float, text: str) -> None:
    assert text == hex_text(value)


@given(st.binary(min_size=1, max_size=8))
def test_bits_are_shown_most_significant_first(raw: bytes) -> None:
    text = bits_text(raw)

    assert int.from_bytes(raw, "little") == int(text, 16)
    assert 2 + 2 * len(raw) == len(text)


@given(st.integers(0, 2**32 - 1))
def test_every_float_has_one_category(bits: int) -> None:
    value = float(np.array([bits], np.uint32).view(np.float32)[0])

    assert category(value) == ("finite" if math.isfinite(value) else "NaN" if math.isnan(value) else f"{value:+}")


@pytest.mark.parametrize(("value", "shown"), [
    (-65536.0, "-65536"), (4294967295.0, "+4294967295"), (65535.75, "+65536"), (1234567.25, "+1234568"), (3.0e20, "+3e+20"),
    (12345678.5, "+1.235e+07"), (-0.25, "-0.25"),
])
def test_whole_numbers_and_those_below_ten_million_are_written_without_a_power_of_ten(value: float, shown: str) -> None:
    assert shown == away(value, 0.0)
    assert float(shown) == pytest.approx(float(figure(value, 4, signed=True)), rel=2e-4)
    assert ("e" in shown) == ("e" in figure(value, 4))
