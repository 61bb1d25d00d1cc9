"""Output references against published conversions and ranges; each source stands beside its numbers."""

from __future__ import annotations

import math
from decimal import ROUND_DOWN, ROUND_FLOOR, ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal
from fractions import Fraction

import numpy as np
import pytest

from reference import DomainError, intermediates, output, screen, why_no_screen
from tests.external.screen_checks import assert_screen_keeps_its_word, exact

# Python's decimal module names the same rules (its HALF_UP goes away from zero).
DECIMAL = {"even": ROUND_HALF_EVEN, "away": ROUND_HALF_UP, "zero": ROUND_DOWN, "down": ROUND_FLOOR}


@pytest.mark.parametrize(("rounding", "rule"), DECIMAL.items())
def test_rounding_agrees_with_decimal(rounding: str, rule: str) -> None:
    for quarters in range(-40, 41):
        wanted = int((Decimal(quarters) / 4).quantize(Decimal(1), rounding=rule))
        assert wanted == exact(output.rounded_from_value, Fraction(quarters, 4), rounding=rounding)


def test_halves_up_and_numpy_to_even() -> None:
    for halves in range(-21, 22):
        x = halves / 2
        assert math.floor(x + 0.5) == exact(output.rounded_from_value, x, rounding="up")
        assert np.rint(x) == exact(output.rounded_from_value, x, rounding="even")


# Arm DDI 0301H (ARM1176JZF-S technical reference manual), table 22-12: float to signed 32-bit, towards zero.
ARM_WORDS = {
    0x4EFFFFFF: 0x7FFFFF80, 0x4F000000: 0x7FFFFFFF, 0xCF000000: -0x80000000, 0xCF000001: -0x80000000,
    0x3F7FFFFF: 0, 0xBF7FFFFF: 0, 0x3FC00000: 1, 0xBFC00000: -1,
}


@pytest.mark.parametrize(("bits", "word"), ARM_WORDS.items())
def test_saturating_conversion_agrees_with_the_arm_table(bits: int, word: int) -> None:
    level = Fraction(float(np.uint32(bits).view(np.float32))) / 2**31

    assert word == exact(output.code_from_level, level, bits=32, rounding="zero", scale="power")


# CMSIS-DSP 1.10.3, arm_float_to_q15 as measured: times 32768, saturated, towards zero.
Q15 = {"-1.5": -32768, "-1": -32768, "-0.5": -16384, "0": 0, "0.5": 16384, "0.9999": 32764, "1": 32767, "2": 32767}


@pytest.mark.parametrize(("level", "code"), Q15.items())
def test_sixteen_bits_agree_with_third_party_code(level: str, code: int) -> None:
    assert code == exact(output.code_from_level, level, bits=16, rounding="zero", scale="power")


def test_ranges_of_q15_and_q31() -> None:
    # ISO/IEC TR 18037: [-1, 1 - 2**-15] and [-1, 1 - 2**-31].
    assert Fraction("0.999969482421875") == exact(output.level_from_code, 0x7FFF, bits=16, scale="power")
    assert Fraction("0.9999999995343387126922607421875") == exact(
        output.level_from_code, 0x7FFFFFFF, bits=32, scale="power"
    )
    assert -1 == exact(output.level_from_code, -0x8000, bits=16, scale="power")
    assert -1 == exact(output.level_from_code, -0x7FFF, bits=16, scale="largest")


@pytest.mark.parametrize("rounding", output.ROUNDINGS)
@pytest.mark.parametrize("scale", output.SCALES)
@pytest.mark.parametrize("bits", [16, 24, 32])
def test_codes_there_and_back(bits: int, scale: str, rounding: str) -> None:
    lowest = -(2 ** (bits - 1)) + (scale == "largest")
    for code in (lowest, -1, 0, 1, 12345, 2 ** (bits - 1) - 1):
        level = exact(output.level_from_code, code, bits=bits, scale=scale)
        assert code == exact(output.code_from_level, level, bits=bits, rounding=rounding, scale=scale)


def test_largest_scale_is_symmetric() -> None:
    for level in ("0.3", 1, 5):
        up, down = (
            exact(output.code_from_level, sign * Fraction(level), bits=24, rounding="even", scale="largest")
            for sign in (1, -1)
        )
        assert up == -down


def test_converter_codes_of_an_inverting_output() -> None:
    # 16 bits, code 0 at +10 V and 65535 at -10 V.
    line = dict(low_volts=10, high_volts=-10, bits=16, rounding="away")

    assert [0, 32768, 65535, 65535] == [exact(output.converter_code_from_volts, v, **line) for v in (11, 0, -10, -12)]


def test_soft_clips() -> None:
    levels = np.linspace(-3, 3, 121)
    cubic = [float(exact(output.soft_clip_cubic_from_level, float(x))) for x in levels]
    tanh = [float(exact(output.soft_clip_tanh_from_level, float(x), drive=2)) for x in levels]

    assert np.all(np.diff(cubic) >= 0) and max(cubic) == 1 and min(cubic) == -1
    assert tanh == pytest.approx(np.tanh(2 * levels), rel=1e-14, abs=1e-15)
    # Value and slope where the cubic meets the limit: 1 and 0.
    below = exact(output.soft_clip_cubic_from_level, 1 - Fraction(1, 10**9))
    assert 1 - below < Fraction(2, 10**18)


def test_clip_and_mix() -> None:
    assert [-1, Fraction(1, 3), 1] == [exact(output.clipped_from_level, x) for x in (-2, "1/3", 4)]
    assert Fraction(3, 4) == exact(output.mix_from_levels, 1, 1, 1, gain="1/4")
    assert -1 == exact(output.mix_from_levels, -4, -4, gain="1/2")


def test_saturating_add_agrees_with_numpy() -> None:
    random = np.random.default_rng(3)
    for a, b in random.integers(-32768, 32768, (200, 2)):
        wanted = int(np.clip(int(a) + int(b), -32768, 32767))
        assert wanted == exact(output.saturated_sum_from_codes, int(a), int(b), bits=16)


def test_decibel_facts() -> None:
    # -60 dB is 1e-3; 2**15 is 90.30899869919436 dB; +1 dB is 12.2018 %, 0.5 dB 5.9254 %, 0.1 dB 1.15795 %.
    assert float(exact(output.gain_from_db, -60)) == 0.001
    assert float(exact(output.db_from_gain, 2**15)) == 90.30899869919436
    printed = [format(100 * (float(exact(output.gain_from_db, db)) - 1), ".6g") for db in (1, "0.5", "0.1")]
    assert ["12.2018", "5.92537", "1.15795"] == printed


def test_outside_the_domain() -> None:
    for function, value, wrong in (
        (output.db_from_gain, 0, {}),
        (output.rounded_from_value, 0, dict(rounding="nearest")),
        (output.code_from_level, 0, dict(bits=33, rounding="even", scale="power")),
        (output.code_from_level, 0, dict(bits=16, rounding="even", scale="full")),
        (output.clipped_from_level, 0, dict(low=1, high=0)),
        (output.soft_clip_tanh_from_level, 0, dict(drive=0)),
    ):
        with pytest.raises(DomainError):
            exact(function, value, **wrong)


@pytest.mark.parametrize("rounding", output.ROUNDINGS)
@pytest.mark.parametrize("bits", [16, 24, 32])
def test_screens_of_codes_are_never_in_doubt(bits: int, rounding: str) -> None:
    fixed = dict(bits=bits, rounding=rounding, scale="power")

    assert_screen_keeps_its_word(output.code_from_level, [(-1.5, 1.5)], sure=True, **fixed)


@pytest.mark.parametrize("rounding", output.ROUNDINGS)
def test_screens_see_halves(rounding: str) -> None:
    assert_screen_keeps_its_word(output.code_from_level, [(-49 / 32768, 50 / 32768)], sure=True, bits=16,
                                 rounding=rounding, scale="power")
    assert_screen_keeps_its_word(output.rounded_from_value, [(-24.5, 24.5)], sure=True, rounding=rounding)


@pytest.mark.parametrize(
    ("function", "constants"),
    [
        (output.code_from_level, dict(bits=16, rounding="even", scale="largest")),
        (output.converter_code_from_volts, dict(low_volts=-5, high_volts=5, bits=12, rounding="away")),
        (output.soft_clip_cubic_from_level, {}),
        (output.soft_clip_tanh_from_level, dict(drive=3)),
        (output.gain_from_db, {}),
    ],
)
def test_screens(function, constants) -> None:  # type: ignore[no-untyped-def]
    assert_screen_keeps_its_word(function, [(-6, 6)], **constants)


def test_a_floor_in_doubt_is_not_lost_in_a_clamp() -> None:
    """One third of a multiple of three is rounded in binary64: the screen must not take a side there."""
    found = screen(lambda ctx, x: ctx.clamp(ctx.floor(x / 3), -5, 5), [(-30.0, 30.0)], {})

    assert found is not None
    assert np.isnan(found.evaluate([np.array([3.0, -6.0, 12.0])])).all()
    assert np.isnan(found.finer([np.array([3.0, -6.0, 12.0])])[0]).all()
    assert found.evaluate([np.array([4.0, -29.0, 29.0])]).tolist() == [1, -5, 5]


@pytest.mark.parametrize("name", ["log2", "log", "tanh"])
def test_no_screen_where_a_doubt_would_be_lost(name: str) -> None:
    why = why_no_screen(lambda ctx, x: getattr(ctx, name)(1 + ctx.floor(x / 3)), [(0.0, 30.0)], {})

    assert why == f"{name} of a floor or root that may be in doubt"
    assert screen(lambda ctx, x: getattr(ctx, name)(1 + ctx.floor(x)), [(0.0, 30.0)], {}) is not None


def test_the_steps_of_a_code_can_be_shown() -> None:
    lines = dict(intermediates(output.code_from_level, [Fraction(1, 3)], dict(bits=16, rounding="even", scale="power")))

    assert lines["rounding"] == "even" and lines["bits"] == "16"
    assert next(text for label, text in lines.items() if label.startswith("result: ")) == "10923"
