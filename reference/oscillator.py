"""Oscillators: one value at one phase, and the phase itself after any number of samples.

Conventions. Phase is counted in turns (1 is one period) and increments in turns per sample; whole turns do not matter.
A 32-bit phase counts 2**-32 turns and wraps. The sine rises through 0 at phase 0, the triangle too; the sawtooth runs
from -1 at phase 0 to 1 and jumps at whole turns; the square is +1 in the first half turn. Waveforms are naive
(unlimited in band) unless the name says otherwise. A table oscillator is judged against the sine it stands for: the
table's own error belongs to the firmware.
"""

from __future__ import annotations

from reference.context import Context, Number
from reference.errors import DomainError

TURN_32BIT = 2**32


def sine_from_phase(ctx: Context, phase: Number) -> Number:
    """Sine of a phase in turns: sin(2 pi phase).

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    phase in turns; result in full scale.
    Domain:  real.
    Error:   exact or enclosed by the context.
    Source:  W3C Web Audio API, basic waveform phase; tests/external/test_oscillator.py.

    >>> from reference import RationalContext
    >>> R = RationalContext()
    >>> sine_from_phase(R, R.number("1/12"))
    Fraction(1, 2)
    """
    return ctx.sin_turns(ctx.number(phase))


def sine_from_phase_32bit(ctx: Context, phase: Number) -> Number:
    """Sine of a 32-bit phase: sin(2 pi phase/2**32).

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    phase in 2**-32 turns, signed or unsigned; result in full scale.
    Domain:  real.
    Error:   exact or enclosed by the context.
    Source:  phase accumulator (AN-1396, equation 1); tests/external/test_oscillator.py.

    >>> from reference import RationalContext
    >>> int(sine_from_phase_32bit(RationalContext(), 3 * 2**30))
    -1
    """
    return ctx.sin_turns(ctx.number(phase) / TURN_32BIT)


def sine_from_radians(ctx: Context, angle: Number) -> Number:
    """Sine of an angle in radians: sin(angle).

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    angle in radians; result in full scale.
    Domain:  real.
    Error:   exact or enclosed by the context.
    Source:  definition; tests/external/test_oscillator.py.

    >>> from reference import IntervalContext
    >>> C = IntervalContext(100)
    >>> C.text(sine_from_radians(C, C.number(1)), 15)
    '0.841470984807897'
    """
    return ctx.sin_turns(ctx.number(angle) / (2 * ctx.pi))


def phase_modulated_sine_from_phases(ctx: Context, carrier: Number, modulator: Number, *, index: object) -> Number:
    """Phase-modulated sine: sin(2 pi carrier + index * sin(2 pi modulator)).

    Shape:   two scalars to scalar, numbers of ctx.
    Unit:    both phases in turns; index in radians (peak phase deviation); result in full scale.
    Domain:  real.
    Error:   exact or enclosed by the context.
    Source:  J. M. Chowning, "The synthesis of complex audio spectra by means of frequency modulation", JAES 21(7),
             1973, equation 1 with phases in turns; Bessel spectrum in tests/external/test_oscillator.py.

    >>> from reference import IntervalContext
    >>> C = IntervalContext(100)
    >>> C.text(phase_modulated_sine_from_phases(C, C.number(0), C.number("1/4"), index=1), 15)
    '0.841470984807897'
    """
    deviation = ctx.sin_turns(ctx.number(modulator)) * (ctx.number(index) / (2 * ctx.pi))
    return ctx.sin_turns(carrier + deviation)


def saw_from_phase(ctx: Context, phase: Number) -> Number:
    """Rising sawtooth: 2 (phase mod 1) - 1.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    phase in turns; result in full scale.
    Domain:  real; at whole turns the value after the jump, -1.
    Error:   exact.
    Source:  definition; half a turn from W3C Web Audio API's sawtooth; tests/external/test_oscillator.py.

    >>> from reference import RationalContext
    >>> R = RationalContext()
    >>> [saw_from_phase(R, R.number(p)) for p in (0, "0.75", 1)]
    [Fraction(-1, 1), Fraction(1, 2), Fraction(-1, 1)]
    """
    return 2 * ctx.modulo(ctx.number(phase), 1) - 1


def triangle_from_phase(ctx: Context, phase: Number) -> Number:
    """Triangle: 0 at phase 0, 1 at 1/4, -1 at 3/4; 1 - 4 |(phase + 1/4) mod 1 - 1/2|.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    phase in turns; result in full scale.
    Domain:  real.
    Error:   exact.
    Source:  W3C Web Audio API, basic waveform phase; tests/external/test_oscillator.py.

    >>> from reference import RationalContext
    >>> R = RationalContext()
    >>> [int(triangle_from_phase(R, R.number(p))) for p in (0, "0.25", "0.5", "0.75")]
    [0, 1, 0, -1]
    """
    return 1 - 4 * abs(ctx.modulo(ctx.number(phase) + ctx.number("1/4"), 1) - ctx.number("1/2"))


def square_from_phase(ctx: Context, phase: Number, *, width: object = "1/2") -> Number:
    """Pulse: +1 while phase mod 1 is below width, else -1.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    phase in turns; width a share of a turn; result in full scale.
    Domain:  0 <= width <= 1, else DomainError.
    Error:   exact.
    Source:  W3C Web Audio API, basic waveform phase; tests/external/test_oscillator.py.

    >>> from reference import RationalContext
    >>> R = RationalContext()
    >>> [int(square_from_phase(R, R.number(p))) for p in (0, "0.5", "0.99")]
    [1, -1, -1]
    """
    share = ctx.number(width)
    if share < 0 or share > 1:
        raise DomainError("width must lie in 0..1")
    x = ctx.number(phase)
    # Rising edges up to the phase less falling edges up to it: 1 while the pulse is on.
    return 2 * (ctx.floor(x) - ctx.floor(x - share)) - 1


def step_residual_from_samples(ctx: Context, t: Number) -> Number:
    """What turns a unit up-step at t = 0 into a band-limited one over two samples.

    t**2/2 + t + 1/2 for -1 < t < 0 and t - t**2/2 - 1/2 for 0 <= t < 1, else 0: the running integral of the
    triangular (linear-interpolation) kernel, less the step.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    t in samples after the step; result a share of the step.
    Domain:  real.
    Error:   exact.
    Source:  V. Valimaki, A. Huovilainen, "Antialiasing oscillators in subtractive synthesis", IEEE Signal Processing
             Magazine 24(2), 2007; the integral by quadrature in tests/external/test_oscillator.py.

    >>> from reference import RationalContext
    >>> R = RationalContext()
    >>> [step_residual_from_samples(R, R.number(t)) for t in ("-1/2", "1/2", 0, 3)]
    [Fraction(1, 8), Fraction(-1, 8), Fraction(-1, 2), Fraction(0, 1)]
    """
    x = ctx.number(t)
    near = ctx.maximum(1 - abs(x), 0)
    sign = -1 - 2 * ctx.clamp(ctx.floor(x), -1, 0)  # +1 before the step, -1 from it on
    return near * near * sign / 2


def band_limited_saw_from_phase(ctx: Context, phase: Number, *, increment: object) -> Number:
    """Rising sawtooth with two-sample band-limited steps: saw - 2 * residual on both sides of each jump.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    phase in turns; increment in turns per sample; result in full scale.
    Domain:  0 < increment <= 1/2, else DomainError.
    Error:   exact.
    Source:  step_residual_from_samples scaled to the jump of -2 and to t = phase/increment;
             tests/external/test_oscillator.py.

    >>> from reference import RationalContext
    >>> R = RationalContext()
    >>> band_limited_saw_from_phase(R, R.number(0), increment="0.01")
    Fraction(0, 1)
    """
    step = ctx.number(increment)
    if step <= 0 or step > ctx.number("1/2"):
        raise DomainError("increment must lie above 0 and at or below 1/2")
    share = ctx.modulo(ctx.number(phase), 1)
    after = ctx.maximum(1 - share / step, 0)
    before = ctx.maximum(1 - (1 - share) / step, 0)
    return 2 * share - 1 + after * after - before * before


def phase_after_samples(
    ctx: Context, samples: Number, *, increment: object, start: object = 0
) -> Number:
    """Phase after a number of samples, without accumulated rounding: (start + samples * increment) mod 1.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    increment in turns per sample; start and result in turns, result in [0, 1).
    Domain:  whole samples; any real increment.
    Error:   exact.
    Source:  sum of equal steps; tests/external/test_oscillator.py.

    >>> from reference import RationalContext
    >>> R = RationalContext()
    >>> phase_after_samples(R, R.number(10**9), increment="440/48000")
    Fraction(2, 3)
    """
    return ctx.modulo(ctx.number(samples) * ctx.number(increment) + ctx.number(start), 1)


def phase_32bit_after_samples(ctx: Context, samples: Number, *, increment: int, start: int = 0) -> Number:
    """32-bit phase after a number of samples: (start + samples * increment) mod 2**32.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    increment and start in 2**-32 turns, whole; result likewise, 0 to 2**32 - 1.
    Domain:  whole samples.
    Error:   exact.
    Source:  phase accumulator (AN-1396, equation 1); ISO/IEC 9899, 6.2.5p9; tests/external/test_oscillator.py.

    >>> from reference import RationalContext
    >>> int(phase_32bit_after_samples(RationalContext(), 3, increment=2**31))
    2147483648
    """
    return ctx.modulo(ctx.number(samples) * increment + start, TURN_32BIT)
