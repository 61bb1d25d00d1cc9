"""Control: knobs and other controls on their way to a quantity, and the gains of a crossfade.

Conventions. A code runs from low_code to high_code (the codes at both ends of travel) and gives low at low_code and
high at high_code; low may exceed high. travel is the share of the way, 0 to 1. Codes beyond the ends are clamped to
them, because a converter reads a little past what was measured. A crossfade's position is 0 for the first source
alone and 1 for the second alone. Units are the user's own: low, high and the result share one.
Stateless parts only: what depends on where a knob was before (hysteresis, waiting for pickup) needs a machine; the
rule of pickup by itself is pickup_from_positions.
"""

from __future__ import annotations

from reference.context import Context, Number
from reference.errors import DomainError


def _above_zero(ctx: Context, value: object, name: str) -> Number:
    number = ctx.number(value)
    if number <= 0:
        raise DomainError(f"{name} must be above 0")
    return number


def travel_from_code(ctx: Context, code: Number, *, low_code: object, high_code: object) -> Number:
    """Share of a knob's travel: (code - low_code)/(high_code - low_code), clamped to 0..1.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    codes in LSB; result a share.
    Domain:  code real; low_code and high_code differ, else DomainError (a knob wired backwards has low above high).
    Error:   exact.
    Source:  equation of a line; tests/external/test_control.py.

    >>> from reference import RationalContext
    >>> travel_from_code(RationalContext(), 4095, low_code=0, high_code=4095)
    Fraction(1, 1)
    """
    low, high = ctx.number(low_code), ctx.number(high_code)
    if low == high:
        raise DomainError("low_code and high_code must differ")
    return ctx.clamp((ctx.number(code) - low) / (high - low), 0, 1)


def linear_from_code(
    ctx: Context, code: Number, *, low_code: object, high_code: object, low: object, high: object
) -> Number:
    """A knob's quantity in equal steps: low + travel * (high - low).

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    codes in LSB; low, high and result in one unit of the user's.
    Domain:  code real; low_code and high_code differ, else DomainError.
    Error:   exact.
    Source:  equation of a line, as W3C Web Audio API's linear ramp; tests/external/test_control.py.

    >>> from reference import RationalContext
    >>> linear_from_code(RationalContext(), 1000, low_code=0, high_code=4000, low=-5, high=5)
    Fraction(-5, 2)
    """
    travel = travel_from_code(ctx, code, low_code=low_code, high_code=high_code)
    bottom = ctx.number(low)
    return bottom + travel * (ctx.number(high) - bottom)


def exponential_from_code(
    ctx: Context, code: Number, *, low_code: object, high_code: object, low: object, high: object
) -> Number:
    """A knob's quantity in equal ratios: low * (high/low)**travel.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    codes in LSB; low, high and result in one unit of the user's.
    Domain:  low > 0 and high > 0, low_code and high_code differ, else DomainError.
    Error:   exact or enclosed by the context.
    Source:  W3C Web Audio API, exponentialRampToValueAtTime; tests/external/test_control.py.

    >>> from reference import IntervalContext
    >>> C = IntervalContext(100)
    >>> C.text(exponential_from_code(C, C.number(2), low_code=0, high_code=4, low=20, high=2000), 12)
    '200'
    """
    travel = travel_from_code(ctx, code, low_code=low_code, high_code=high_code)
    bottom = _above_zero(ctx, low, "low")
    return bottom * ctx.exp2(travel * ctx.log2(_above_zero(ctx, high, "high") / bottom))


def tapered_from_code(
    ctx: Context, code: Number, *, low_code: object, high_code: object, low: object, high: object, centre: object
) -> Number:
    """A knob's quantity along a bent law that passes through centre at half travel.

    low + (high - low) * (b**(2 travel) - 1)/(b**2 - 1) with b = (high - centre)/(centre - low): each half of the
    travel covers b times the span of the other. b = 1 is the straight line.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    codes in LSB; low, high, centre and result in one unit of the user's.
    Domain:  centre strictly between low and high, low_code and high_code differ, else DomainError.
    Error:   exact or enclosed by the context.
    Source:  the exponential through three points at equal distances (derived above); tests/external/test_control.py.

    >>> from reference import RationalContext
    >>> tapered_from_code(RationalContext(), 2, low_code=0, high_code=4, low=0, high=10, centre=2)
    Fraction(2, 1)
    """
    bottom, top, middle = ctx.number(low), ctx.number(high), ctx.number(centre)
    if bottom == middle or middle == top or (top - middle) / (middle - bottom) <= 0:
        raise DomainError("centre must lie between low and high")
    bend = (top - middle) / (middle - bottom)
    travel = travel_from_code(ctx, code, low_code=low_code, high_code=high_code)
    if bend == 1:
        return bottom + travel * (top - bottom)
    risen = ctx.exp2(2 * travel * ctx.log2(bend))
    return bottom + (risen - 1) * ((top - bottom) / (bend * bend - 1))


def power_law_from_code(
    ctx: Context, code: Number, *, low_code: object, high_code: object, low: object, high: object, power: int
) -> Number:
    """A knob's quantity along a power of its travel: low + (high - low) * travel**power.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    codes in LSB; low, high and result in one unit of the user's.
    Domain:  power a whole number of 1 and more, low_code and high_code differ, else DomainError.
    Error:   exact.
    Source:  definition; tests/external/test_control.py.

    >>> from reference import RationalContext
    >>> power_law_from_code(RationalContext(), 1, low_code=0, high_code=2, low=0, high=8, power=3)
    Fraction(1, 1)
    """
    if isinstance(power, bool) or not isinstance(power, int) or power < 1:
        raise DomainError("power must be a whole number of 1 and more")
    travel = travel_from_code(ctx, code, low_code=low_code, high_code=high_code)
    bottom = ctx.number(low)
    return bottom + travel**power * (ctx.number(high) - bottom)


def dead_band_from_level(ctx: Context, level: Number, *, half_width: object, full_scale: object = 1) -> Number:
    """A control with a dead band around 0, rescaled so that both ends are still reached.

    0 for |level| <= half_width, else sign * (|level| - half_width) * full_scale/(full_scale - half_width).

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    level, half_width, full_scale and result in one unit of the user's.
    Domain:  0 <= half_width < full_scale, else DomainError; a level beyond full_scale goes on along the line.
    Error:   exact.
    Source:  definition; tests/external/test_control.py.

    >>> from reference import RationalContext
    >>> R = RationalContext()
    >>> [dead_band_from_level(R, R.number(x), half_width="0.2") for x in ("0.2", "-1", "0.6")]
    [Fraction(0, 1), Fraction(-1, 1), Fraction(1, 2)]
    """
    width, full = ctx.number(half_width), ctx.number(full_scale)
    if width < 0 or full <= width:
        raise DomainError("half_width must lie in 0 to full_scale, full_scale left out")
    x = ctx.number(level)
    beyond = ctx.maximum(x - width, 0) - ctx.maximum(-x - width, 0)
    return beyond * (full / (full - width))


def first_gain_linear_from_position(ctx: Context, position: Number) -> Number:
    """Gain of a linear crossfade's first source: 1 - position, position clamped to 0..1.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    position and result plain numbers.
    Domain:  position real.
    Error:   exact.
    Source:  definition: both gains add up to 1; tests/external/test_control.py.

    >>> from reference import RationalContext
    >>> first_gain_linear_from_position(RationalContext(), 0)
    Fraction(1, 1)
    """
    return 1 - ctx.clamp(ctx.number(position), 0, 1)


def second_gain_linear_from_position(ctx: Context, position: Number) -> Number:
    """Gain of a linear crossfade's second source: position, clamped to 0..1.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    position and result plain numbers.
    Domain:  position real.
    Error:   exact.
    Source:  definition: both gains add up to 1; tests/external/test_control.py.

    >>> from reference import RationalContext
    >>> second_gain_linear_from_position(RationalContext(), 2)
    Fraction(1, 1)
    """
    return ctx.clamp(ctx.number(position), 0, 1)


def first_gain_equal_power_from_position(ctx: Context, position: Number) -> Number:
    """Gain of an equal-power crossfade's first source: cos((pi/2) position), position clamped to 0..1.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    position and result plain numbers.
    Domain:  position real.
    Error:   exact or enclosed by the context.
    Source:  W3C Web Audio API, StereoPannerNode (gainL); squares add up to 1; tests/external/test_control.py.

    >>> from reference import RationalContext
    >>> first_gain_equal_power_from_position(RationalContext(), 1)
    Fraction(0, 1)
    """
    return ctx.cos_turns(ctx.clamp(ctx.number(position), 0, 1) / 4)


def second_gain_equal_power_from_position(ctx: Context, position: Number) -> Number:
    """Gain of an equal-power crossfade's second source: sin((pi/2) position), position clamped to 0..1.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    position and result plain numbers.
    Domain:  position real.
    Error:   exact or enclosed by the context.
    Source:  W3C Web Audio API, StereoPannerNode (gainR); squares add up to 1; tests/external/test_control.py.

    >>> from reference import RationalContext
    >>> second_gain_equal_power_from_position(RationalContext(), 1)
    Fraction(1, 1)
    """
    return ctx.sin_turns(ctx.clamp(ctx.number(position), 0, 1) / 4)


def crossfade_linear_from_levels(ctx: Context, first: Number, second: Number, position: Number) -> Number:
    """A linear crossfade of two levels: (1 - position) * first + position * second, position clamped to 0..1.

    Shape:   three scalars to scalar, numbers of ctx.
    Unit:    both levels and the result in one unit; position a plain number.
    Domain:  real numbers.
    Error:   exact.
    Source:  definition; tests/external/test_control.py.

    >>> from reference import RationalContext
    >>> R = RationalContext()
    >>> crossfade_linear_from_levels(R, R.number(2), R.number(6), R.number("1/4"))
    Fraction(3, 1)
    """
    share = ctx.clamp(ctx.number(position), 0, 1)
    return (1 - share) * first + share * second


def pickup_from_positions(ctx: Context, before: Number, now: Number, *, stored: object) -> Number:
    """Whether a knob that moves from before to now picks its stored value up: 1 if it reaches or passes it, else 0.

    Shape:   two scalars to scalar, numbers of ctx.
    Unit:    before, now and stored in LSB, whole numbers; result 0 or 1.
    Domain:  whole numbers.
    Error:   exact.
    Source:  intermediate value: (before - stored) and (now - stored) do not share a sign; tests/external/test_control.py.

    >>> from reference import RationalContext
    >>> R = RationalContext()
    >>> [int(pickup_from_positions(R, R.number(a), R.number(b), stored=9)) for a, b in ((7, 8), (7, 9), (12, 3))]
    [0, 1, 1]
    """
    held = ctx.number(stored)
    # +1 above, -1 below, 0 on the stored value, of whole distances.
    first, second = (ctx.clamp(ctx.floor(ctx.number(x) - held), -1, 1) for x in (before, now))
    return 1 - ctx.maximum(first * second, 0)


def scaled_from_code(ctx: Context, code: Number, *, numerator: int, denominator: int) -> Number:
    """Whole-number scaling towards zero, as C divides: trunc(code * numerator/denominator).

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    code and result in LSB.
    Domain:  whole code; denominator not 0, else DomainError.
    Error:   exact.
    Source:  ISO/IEC 9899, 6.5.5p6 (truncation towards zero); tests/external/test_control.py.

    >>> from reference import RationalContext
    >>> [int(scaled_from_code(RationalContext(), x, numerator=3, denominator=4)) for x in (7, -7)]
    [5, -5]
    """
    if denominator == 0:
        raise DomainError("denominator must not be 0")
    # floor(p/q) is floor((p + 1/2)/q) for whole p: half a step away from every jump, so a screen has no doubt.
    top = ctx.floor(ctx.number(code)) * (numerator if denominator > 0 else -numerator)
    above, below = (ctx.floor((2 * ctx.maximum(x, 0) + 1) / (2 * abs(denominator))) for x in (top, -top))
    return above - below
