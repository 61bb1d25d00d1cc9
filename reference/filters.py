"""Filters: coefficients from settings, poles, and the gain that coefficients give.

Conventions. A biquad is (b0 + b1/z + b2/z**2)/(1 + a1/z + a2/z**2): all coefficients are over a0, and a1, a2 stand in
the denominator with these signs (libraries that store -a1, -a2 need them negated). Designs are those of the Audio EQ
Cookbook, with Q linear; `coefficient` says which of the five is meant. For every kind a reference takes the frequency
as its input; Q, gain and sample rate are constants. A one-pole's coefficient a is that of y += a (x - y).
Limits: 0 < hz < sample_rate_hz/2.
"""

from __future__ import annotations

from fractions import Fraction

from reference.context import Context, Number
from reference.errors import DomainError
from reference.expressions import exact_fraction, rational_value

KINDS = (
    "low pass", "high pass", "band pass", "notch", "all pass", "peaking", "low shelf", "high shelf",
)
COEFFICIENTS = ("b0", "b1", "b2", "a1", "a2")


def _turns(ctx: Context, hz: Number, sample_rate_hz: object) -> Number:
    """Frequency in turns per sample, inside 0..1/2."""
    rate = ctx.number(sample_rate_hz)
    if rate <= 0:
        raise DomainError("sample_rate_hz must be above 0")
    turns = ctx.number(hz) / rate
    if turns <= 0 or turns >= ctx.number("1/2"):
        raise DomainError("hz must lie above 0 and below half the sample rate")
    return turns


def biquad_from_hz(
    ctx: Context, hz: Number, *, kind: str, coefficient: str, sample_rate_hz: object, q: object, gain_db: object = 0
) -> Number:
    """One coefficient of a cookbook biquad, over a0.

    Shape:   scalar to scalar, numbers of ctx; coefficient is "b0", "b1", "b2", "a1" or "a2".
    Unit:    hz, sample_rate_hz in Hz; gain_db in dB (peaking and shelves only); result a plain number.
    Domain:  0 < hz < sample_rate_hz/2, q > 0, kind one of KINDS, else DomainError. Band pass has 0 dB at its peak.
    Error:   exact or enclosed by the context.
    Source:  W3C Group Note "Audio EQ Cookbook" (R. Bristow-Johnson, 2021); tests/external/test_filters.py.

    >>> from reference import IntervalContext
    >>> C = IntervalContext(100)
    >>> half = dict(kind="low pass", coefficient="b0", sample_rate_hz=48000, q="1/2**(1/2)")
    >>> C.text(biquad_from_hz(C, C.number(1000), **half), 15)
    '0.00391612666054737'
    """
    if coefficient not in COEFFICIENTS:
        raise DomainError(f"coefficient must be one of {', '.join(COEFFICIENTS)}")
    return biquad_coefficients(ctx, hz, kind, sample_rate_hz, q, gain_db)[COEFFICIENTS.index(coefficient)]


def biquad_coefficients(
    ctx: Context, hz: Number, kind: str, sample_rate_hz: object, q: object, gain_db: object
) -> tuple[Number, ...]:
    """The five coefficients of a cookbook biquad at once, in the order of COEFFICIENTS.

    Shape:   scalar to five numbers of ctx.
    Unit:    as biquad_from_hz.
    Domain:  as biquad_from_hz.
    Error:   exact or enclosed by the context.
    Source:  W3C Group Note "Audio EQ Cookbook" (R. Bristow-Johnson, 2021); tests/external/test_filters.py.

    >>> from reference import IntervalContext
    >>> C = IntervalContext(100)
    >>> C.text(biquad_coefficients(C, C.number(12000), "low pass", 48000, 1, 0)[0], 12)
    '0.333333333333'
    """
    if kind not in KINDS:
        raise DomainError(f"kind must be one of {', '.join(KINDS)}")
    turns = _turns(ctx, hz, sample_rate_hz)
    resonance = ctx.number(q)
    if resonance <= 0:
        raise DomainError("q must be above 0")
    c = ctx.cos_turns(turns)
    alpha = ctx.sin_turns(turns) / (2 * resonance)
    if kind in ("low shelf", "high shelf", "peaking"):
        # A = 10**(dB/40), an amplitude.
        size = ctx.exp2(ctx.number(gain_db) * (ctx.log2(ctx.number(10)) / 40))
        top, bottom = _peaking(c, alpha, size) if kind == "peaking" else _shelf(ctx, c, alpha, size, kind)
    else:
        top, bottom = _plain(kind, c, alpha, turns, ctx), (1 + alpha, -2 * c, 1 - alpha)
    return tuple(value / bottom[0] for value in (*top, *bottom[1:]))


def _plain(kind: str, c: Number, alpha: Number, turns: Number, ctx: Context) -> tuple[Number, Number, Number]:
    if kind == "low pass":
        # 1 - cos w = 2 sin(w/2)**2: the same number without cancellation at low frequencies.
        low = 2 * ctx.sin_turns(turns / 2) ** 2
        return low / 2, low, low / 2
    if kind == "high pass":
        return (1 + c) / 2, -(1 + c), (1 + c) / 2
    if kind == "band pass":
        return alpha, 0 * alpha, -alpha
    if kind == "notch":
        return 1 + 0 * alpha, -2 * c, 1 + 0 * alpha
    return 1 - alpha, -2 * c, 1 + alpha


def _peaking(c: Number, alpha: Number, size: Number) -> tuple[tuple[Number, ...], tuple[Number, ...]]:
    return (1 + alpha * size, -2 * c, 1 - alpha * size), (1 + alpha / size, -2 * c, 1 - alpha / size)


def _shelf(
    ctx: Context, c: Number, alpha: Number, size: Number, kind: str
) -> tuple[tuple[Number, ...], tuple[Number, ...]]:
    root = 2 * ctx.sqrt(size) * alpha
    more, less = size + 1, size - 1
    if kind == "high shelf":
        c = -c  # the high shelf is the low shelf seen from half the sample rate, where z turns its sign
    top = (size * (more - less * c + root), 2 * size * (less - more * c), size * (more - less * c - root))
    bottom = (more + less * c + root, -2 * (less + more * c), more + less * c - root)
    if kind == "high shelf":
        return (top[0], -top[1], top[2]), (bottom[0], -bottom[1], bottom[2])
    return top, bottom


def one_pole_from_hz(ctx: Context, hz: Number, *, sample_rate_hz: object) -> Number:
    """Coefficient a of y += a (x - y) from a cutoff, step-invariant: 1 - exp(-2 pi hz/sample_rate_hz).

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    hz, sample_rate_hz in Hz; result a plain number in 0..1.
    Domain:  0 < hz < sample_rate_hz/2, else DomainError.
    Error:   exact or enclosed by the context.
    Source:  step-invariant one-pole with time constant 1/(2 pi hz); tests/external/test_filters.py.

    >>> from reference import IntervalContext
    >>> C = IntervalContext(100)
    >>> C.text(one_pole_from_hz(C, C.number(1000), sample_rate_hz=48000), 12)
    '0.122694230902'
    """
    # 1 - exp(-x) = 2 t/(1 + t) with t = tanh(x/2): no cancellation at low cutoffs.
    t = ctx.tanh(ctx.pi * _turns(ctx, hz, sample_rate_hz))
    return 2 * t / (1 + t)


def one_pole_bilinear_from_hz(ctx: Context, hz: Number, *, sample_rate_hz: object) -> Number:
    """Gain g/(1 + g) of a trapezoidal one-pole with g = tan(pi hz/sample_rate_hz); the cutoff is exact.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    hz, sample_rate_hz in Hz; result a plain number in 0..1. It is b0 of the low pass; a1 is 2 result - 1.
    Domain:  0 < hz < sample_rate_hz/2, else DomainError.
    Error:   exact or enclosed by the context.
    Source:  bilinear transform of 1/(s + 1), as scipy.signal.butter of order 1; tests/external/test_filters.py.

    >>> from reference import IntervalContext
    >>> C = IntervalContext(100)
    >>> C.text(one_pole_bilinear_from_hz(C, C.number(12000), sample_rate_hz=48000), 12)
    '0.5'
    """
    half = _turns(ctx, hz, sample_rate_hz) / 2
    sine, cosine = ctx.sin_turns(half), ctx.cos_turns(half)
    return sine / (sine + cosine)


def state_variable_from_hz(ctx: Context, hz: Number, *, sample_rate_hz: object) -> Number:
    """Frequency coefficient of the two-integrator state-variable filter: 2 sin(pi hz/sample_rate_hz).

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    hz, sample_rate_hz in Hz; result a plain number.
    Domain:  0 < hz < sample_rate_hz/2, else DomainError. With damping the loop is only stable well below that.
    Error:   exact or enclosed by the context.
    Source:  poles of the loop without damping, z + 1/z = 2 - f**2, lie at hz; tests/external/test_filters.py.

    >>> from reference import IntervalContext
    >>> C = IntervalContext(100)
    >>> C.text(state_variable_from_hz(C, C.number(8000), sample_rate_hz=48000), 12)
    '1'
    """
    return 2 * ctx.sin_turns(_turns(ctx, hz, sample_rate_hz) / 2)


def state_variable_trapezoidal_from_hz(ctx: Context, hz: Number, *, sample_rate_hz: object) -> Number:
    """Frequency coefficient of the trapezoidal state-variable filter: tan(pi hz/sample_rate_hz).

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    hz, sample_rate_hz in Hz; result a plain number.
    Domain:  0 < hz < sample_rate_hz/2, else DomainError.
    Error:   exact or enclosed by the context.
    Source:  Audio EQ Cookbook, appendix (bilinear substitution); tests/external/test_filters.py.

    >>> from reference import IntervalContext
    >>> C = IntervalContext(100)
    >>> C.text(state_variable_trapezoidal_from_hz(C, C.number(12000), sample_rate_hz=48000), 12)
    '1'
    """
    half = _turns(ctx, hz, sample_rate_hz) / 2
    return ctx.sin_turns(half) / ctx.cos_turns(half)


def db_from_hz(
    ctx: Context, hz: Number, *, b0: object, b1: object, b2: object, a1: object, a2: object, sample_rate_hz: object
) -> Number:
    """Gain of a biquad with given coefficients at a frequency: 20 log10 |H|.

    Shape:   scalar to scalar, numbers of ctx; a one-pole or one-zero has zeros in the places it lacks.
    Unit:    hz, sample_rate_hz in Hz; coefficients over a0; result in dB.
    Domain:  0 < hz < sample_rate_hz/2; a frequency at which the gain is 0 or has no bound raises DomainError.
    Error:   enclosed by the context.
    Source:  |b0 + b1/z + b2/z**2|**2 on the unit circle, as scipy.signal.freqz; tests/external/test_filters.py.

    >>> from reference import IntervalContext
    >>> C = IntervalContext(100)
    >>> two = dict(b0=2, b1=0, b2=0, a1=0, a2=0, sample_rate_hz=48000)
    >>> C.text(db_from_hz(C, C.number(100), **two), 12)
    '6.02059991328'
    """
    turns = _turns(ctx, hz, sample_rate_hz)
    sine, cosine = ctx.sin_turns(turns / 2), ctx.cos_turns(turns / 2)
    numbers = [_rational(x) for x in (b0, b1, b2, 1, a1, a2)]
    top, bottom = (_square_size(ctx, p, 2 * sine * sine, 2 * cosine * cosine) for p in (numbers[:3], numbers[3:]))
    if top <= 0 or bottom <= 0:
        raise DomainError("the gain at this frequency is 0 or has no bound")
    return ctx.log2(top / bottom) * (10 / ctx.log2(ctx.number(10)))


def _rational(value: object) -> Fraction:
    exact = rational_value(value) if isinstance(value, str) else exact_fraction(value)
    if exact is None:
        raise DomainError(f"coefficient {value}: it must be rational")
    return exact


def _square_size(ctx: Context, p: list[Fraction], low: Number, high: Number) -> Number:
    """|p0 + p1/z + p2/z**2|**2 as a sum of what cannot be negative; low = 1 - cos w, high = 1 + cos w.

    Three cases by the roots, so that ranges of frequencies have tight bounds and nothing cancels near a root.
    """
    first, middle, last = p
    outer = first * last
    if outer <= 0:  # real roots of both signs, or fewer than two
        ends = [(first + middle + last) ** 2, (first - middle + last) ** 2]
        return (ends[0] * high + ends[1] * low) / 2 - 4 * outer * (low * high)
    apart = middle * middle - 4 * outer
    if apart < 0:  # complex: the square is completed in cos w
        rest = abs(1 + middle * (first + last) / (4 * outer) - low)
        return 4 * outer * (rest * rest) - (first - last) ** 2 * (apart / (4 * outer))
    size, root = abs(middle), ctx.sqrt(ctx.constant(apart))
    away = low if middle * first <= 0 else high
    result = first * first
    for r in ((size + root) / (2 * abs(first)), (size - root) / (2 * abs(first))):
        result = result * ((1 - r) ** 2 + 2 * r * away)
    return result


def pole_square_from_coefficients(ctx: Context, a1: Number, a2: Number) -> Number:
    """Squared size of a biquad's larger pole: below 1 the filter is stable.

    a2 for a pair of complex poles, else ((|a1| + sqrt(a1**2 - 4 a2))/2)**2.

    Shape:   two scalars to scalar, numbers of ctx.
    Unit:    plain numbers.
    Domain:  real.
    Error:   exact or enclosed by the context.
    Source:  roots of z**2 + a1 z + a2, as scipy.signal.tf2zpk; tests/external/test_filters.py.

    >>> from reference import RationalContext
    >>> R = RationalContext()
    >>> pole_square_from_coefficients(R, R.number(0), R.number("1/4"))
    Fraction(1, 4)
    """
    apart = ctx.maximum(ctx.number(a1) * a1 - 4 * ctx.number(a2), 0)
    root = ctx.sqrt(apart)
    # With complex poles the square of the real part alone is a1**2/4 <= a2, so the larger of both is right.
    real = (abs(ctx.number(a1)) + root) / 2
    return ctx.maximum(real * real, a2)
