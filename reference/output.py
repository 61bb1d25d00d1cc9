"""Output: levels to converter codes, clipping, mixing, decibels.

Conventions. A level is 1 at full scale. A signed code of n bits has 2**(n-1) steps per full scale ("power") or one
less ("largest": then +1 and -1 are both reached exactly and the lowest code never is); both are in use, so `scale`
has no default. Rounding is part of the name of the constant: "even" (nearest, halves to even: IEEE 754's default and
C's rintf), "away" (nearest, halves away from zero: C's roundf), "up" (nearest, halves up: floor(x + 1/2)), "zero"
(a C cast), "down" (floor). The value is rounded first and clamped afterwards. NaN has no reference.
"""

from __future__ import annotations

from fractions import Fraction

from reference.context import Context, Number
from reference.errors import DomainError

ROUNDINGS = ("even", "away", "up", "zero", "down")
SCALES = ("power", "largest")


def rounded_from_value(ctx: Context, value: Number, *, rounding: str) -> Number:
    """A whole number by one of five rounding rules.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    value and result in LSB.
    Domain:  real; rounding one of "even", "away", "up", "zero", "down", else DomainError.
    Error:   exact.
    Source:  IEEE 754, 4.3 (rounding directions); ISO/IEC 9899, 6.3.1.4 and 7.12.9; tests/external/test_output.py.

    >>> from reference import RationalContext
    >>> R = RationalContext()
    >>> [int(rounded_from_value(R, R.number("-5/2"), rounding=r)) for r in ("even", "away", "up", "zero", "down")]
    [-2, -3, -2, -2, -3]
    """
    x = ctx.number(value)
    floored = Fraction(1, 4)  # gives 0 like any smaller number, but stands clear of every jump
    match rounding:
        case "down":
            return ctx.floor(x)
        case "zero":
            return ctx.floor(ctx.maximum(x, floored)) - ctx.floor(ctx.maximum(-x, floored))
        case "up":
            return _half_up(ctx, x)
        case "away":
            return _half_up(ctx, ctx.maximum(x, floored)) - _half_up(ctx, ctx.maximum(-x, floored))
        case "even":
            upper, lower = _half_up(ctx, x), -_half_up(ctx, -x)
            # They differ, by 1, at a half only: then the odd one of the two gives way.
            odd = upper - 2 * ctx.floor(upper / 2)
            return upper - (upper - lower) * odd
    raise DomainError(f"rounding {rounding!r}: it must be one of {', '.join(ROUNDINGS)}")


def _half_up(ctx: Context, x: Number) -> Number:
    """floor(x + 1/2), by way of floor(2x): a sum of small and large would be rounded in a screen."""
    return ctx.floor((ctx.floor(2 * x) + 1) / 2)


def code_from_level(ctx: Context, level: Number, *, bits: int, rounding: str, scale: str) -> Number:
    """Signed code of a level: round(level * steps), clamped to -2**(bits-1) .. 2**(bits-1) - 1.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    level in full scale; result in LSB.
    Domain:  real level; bits 2 to 32; rounding as in rounded_from_value; scale "power" (2**(bits-1) steps) or
             "largest" (2**(bits-1) - 1 steps, lowest code never reached), else DomainError.
    Error:   exact.
    Source:  Q15/Q31 (ISO/IEC TR 18037); saturation as in Arm's VCVT; tests/external/test_output.py.

    >>> from reference import RationalContext
    >>> R = RationalContext()
    >>> [int(code_from_level(R, R.number(x), bits=16, rounding="even", scale="power")) for x in (-2, -1, "0.5", 1)]
    [-32768, -32768, 16384, 32767]
    """
    if isinstance(bits, bool) or not isinstance(bits, int) or not 2 <= bits <= 32:
        raise DomainError("bits must be 2 to 32")
    if scale not in SCALES:
        raise DomainError(f"scale {scale!r}: it must be one of {', '.join(SCALES)}")
    top = 2 ** (bits - 1)
    steps, lowest = (top, -top) if scale == "power" else (top - 1, 1 - top)
    return _rounded_within(ctx, ctx.number(level) * steps, lowest, top - 1, rounding)


def _rounded_within(ctx: Context, value: Number, low: int, high: int, rounding: str) -> Number:
    """The rounded value, limited to low..high.

    It is also limited beforehand, so that a screen has small numbers only: a quarter beyond the limits, where no
    rounding rule has its jumps.
    """
    near = ctx.clamp(value, Fraction(4 * low - 1, 4), Fraction(4 * high + 1, 4))
    return ctx.clamp(rounded_from_value(ctx, near, rounding=rounding), low, high)


def level_from_code(ctx: Context, code: Number, *, bits: int, scale: str) -> Number:
    """Level of a signed code: code/2**(bits-1), or code/(2**(bits-1) - 1) for scale "largest".

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    code in LSB; result in full scale.
    Domain:  bits 2 to 32, scale "power" or "largest", else DomainError.
    Error:   exact.
    Source:  Q15/Q31 (ISO/IEC TR 18037); tests/external/test_output.py.

    >>> from reference import RationalContext
    >>> level_from_code(RationalContext(), -32768, bits=16, scale="power")
    Fraction(-1, 1)
    """
    if isinstance(bits, bool) or not isinstance(bits, int) or not 2 <= bits <= 32 or scale not in SCALES:
        raise DomainError("bits must be 2 to 32 and scale one of " + ", ".join(SCALES))
    return ctx.number(code) / (2 ** (bits - 1) - (scale == "largest"))


def converter_code_from_volts(
    ctx: Context, volts: Number, *, low_volts: object, high_volts: object, bits: int, rounding: str
) -> Number:
    """Unsigned converter code of a voltage: round((volts - low_volts)/(high_volts - low_volts) * (2**bits - 1)), clamped.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    volts in V, low_volts at code 0 and high_volts at the largest code; result in LSB.
    Domain:  low_volts and high_volts differ (an inverting output has low above high), bits 1 to 32, else DomainError.
    Error:   exact.
    Source:  equation of a line; rounding as in rounded_from_value; tests/external/test_output.py.

    >>> from reference import RationalContext
    >>> R = RationalContext()
    >>> int(converter_code_from_volts(R, R.number(1), low_volts=0, high_volts=5, bits=12, rounding="even"))
    819
    """
    low, high = ctx.number(low_volts), ctx.number(high_volts)
    if low == high or isinstance(bits, bool) or not isinstance(bits, int) or not 1 <= bits <= 32:
        raise DomainError("low_volts and high_volts must differ and bits be 1 to 32")
    largest = 2**bits - 1
    return _rounded_within(ctx, (ctx.number(volts) - low) * (largest / (high - low)), 0, largest, rounding)


def clipped_from_level(ctx: Context, level: Number, *, low: object = -1, high: object = 1) -> Number:
    """Hard clip: level limited to low..high.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    all in full scale, or one other unit.
    Domain:  low <= high, else DomainError.
    Error:   exact.
    Source:  definition; tests/external/test_output.py.

    >>> from reference import RationalContext
    >>> clipped_from_level(RationalContext(), 3)
    Fraction(1, 1)
    """
    bottom, top = ctx.number(low), ctx.number(high)
    if bottom > top:
        raise DomainError("low must not exceed high")
    return ctx.clamp(ctx.number(level), bottom, top)


def soft_clip_tanh_from_level(ctx: Context, level: Number, *, drive: object = 1) -> Number:
    """Soft clip by the hyperbolic tangent: tanh(drive * level).

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    level and result in full scale; drive a plain number.
    Domain:  drive > 0, else DomainError.
    Error:   exact or enclosed by the context.
    Source:  definition; tests/external/test_output.py.

    >>> from reference import IntervalContext
    >>> C = IntervalContext(100)
    >>> C.text(soft_clip_tanh_from_level(C, C.number(1)), 15)
    '0.761594155955765'
    """
    gain = ctx.number(drive)
    if gain <= 0:
        raise DomainError("drive must be above 0")
    return ctx.tanh(gain * level)


def soft_clip_cubic_from_level(ctx: Context, level: Number) -> Number:
    """Soft clip by a cubic: (3 x - x**3)/2 with x = level limited to -1..1; slope 3/2 at 0 and 0 at both ends.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    level and result in full scale.
    Domain:  real.
    Error:   exact.
    Source:  the odd cubic with value 1 and slope 0 at 1 (solved); tests/external/test_output.py.

    >>> from reference import RationalContext
    >>> R = RationalContext()
    >>> soft_clip_cubic_from_level(R, R.number("1/2")), soft_clip_cubic_from_level(R, R.number(7))
    (Fraction(11, 16), Fraction(1, 1))
    """
    x = ctx.clamp(ctx.number(level), -1, 1)
    return x * (3 - x * x) / 2


def saturated_sum_from_codes(ctx: Context, *codes: Number, bits: int) -> Number:
    """Sum of signed codes, saturated once at the end: clamp(sum, -2**(bits-1), 2**(bits-1) - 1).

    Shape:   any number of scalars to scalar, numbers of ctx. For two codes it is the saturating add of a DSP core.
    Unit:    codes and result in LSB.
    Domain:  bits 2 to 32, else DomainError. A chain of saturating adds gives other results once one has saturated.
    Error:   exact.
    Source:  Arm instruction QADD16 (signed saturation); tests/external/test_output.py.

    >>> from reference import RationalContext
    >>> int(saturated_sum_from_codes(RationalContext(), 30000, 5000, bits=16))
    32767
    """
    if isinstance(bits, bool) or not isinstance(bits, int) or not 2 <= bits <= 32:
        raise DomainError("bits must be 2 to 32")
    total = ctx.number(0)
    for code in codes:
        total = total + code
    return ctx.clamp(total, -(2 ** (bits - 1)), 2 ** (bits - 1) - 1)


def mix_from_levels(ctx: Context, *levels: Number, gain: object) -> Number:
    """Mix of voices: gain * sum, clipped to -1..1.

    Shape:   any number of scalars to scalar, numbers of ctx.
    Unit:    levels and result in full scale; gain a plain number.
    Domain:  real.
    Error:   exact.
    Source:  definition; tests/external/test_output.py.

    >>> from reference import RationalContext
    >>> R = RationalContext()
    >>> mix_from_levels(R, R.number(1), R.number("0.5"), gain="0.5")
    Fraction(3, 4)
    """
    total = ctx.number(0)
    for level in levels:
        total = total + level
    return ctx.clamp(ctx.number(gain) * total, -1, 1)


def gain_from_db(ctx: Context, db: Number) -> Number:
    """Amplitude ratio of a level in decibels: 10**(db/20).

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    db in dB; result a ratio of amplitudes.
    Domain:  real.
    Error:   exact or enclosed by the context.
    Source:  definition of the decibel (ISO 80000-8); tests/external/test_output.py.

    >>> from reference import IntervalContext
    >>> C = IntervalContext(100)
    >>> C.text(gain_from_db(C, C.number(-60)), 12)
    '0.001'
    """
    return ctx.exp2(ctx.number(db) * (ctx.log2(ctx.number(10)) / 20))


def db_from_gain(ctx: Context, gain: Number) -> Number:
    """Level in decibels of an amplitude ratio: 20 log10(gain).

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    gain a ratio of amplitudes; result in dB.
    Domain:  gain > 0, else DomainError.
    Error:   exact or enclosed by the context.
    Source:  definition of the decibel (ISO 80000-8); tests/external/test_output.py.

    >>> from reference import IntervalContext
    >>> C = IntervalContext(100)
    >>> C.text(db_from_gain(C, C.number("1/2")), 15)
    '-6.02059991327962'
    """
    ratio = ctx.number(gain)
    if ratio <= 0:
        raise DomainError("gain must be above 0")
    return ctx.log2(ratio) * (20 / ctx.log2(ctx.number(10)))
