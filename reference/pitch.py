"""Pitch: volts, converter codes, notes, cents, Hz and oscillator increments.

Conventions. One volt is one octave unless the name says linear; zero_volt_hz is the frequency at 0 V and has
no default, because instruments differ (65.406 Hz, 261.63 Hz, ...). Notes are numbered in semitones with A4 =
440 Hz at 69 and may be fractional. A cent is 1/1200 octave; positive means sharp. A converter's calibration
is the straight line through two measured (code, volts) points and goes on beyond them. An increment is the
phase step per sample, in turns or in 2**-32 turns. All results are real numbers, unrounded and unclamped:
steps of converters and counters are judged in LSB by whoever compares.
Limits: a quantity that must be positive (Hz, rates) and is not raises DomainError.
"""

from __future__ import annotations

from reference.context import Context, Number
from reference.errors import DomainError

CENTS_PER_OCTAVE = 1200
SEMITONES_PER_OCTAVE = 12
A4_NOTE = 69
TURN_32BIT = 2**32


def _positive(ctx: Context, value: object, name: str) -> Number:
    number = ctx.number(value)
    if number <= 0:
        raise DomainError(f"{name} must be above 0")
    return number


def hz_from_volts(ctx: Context, volts: Number, *, zero_volt_hz: object) -> Number:
    """Frequency for a control voltage at one volt per octave: zero_volt_hz * 2**volts.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    volts in V; zero_volt_hz and result in Hz.
    Domain:  volts real; zero_volt_hz > 0, else DomainError.
    Error:   exact or enclosed by the context.
    Source:  definition of one volt per octave; tests/external/test_pitch.py.

    >>> from reference.precision import IntervalContext
    >>> C = IntervalContext(120)
    >>> C.text(hz_from_volts(C, C.number("-0.75"), zero_volt_hz=440), 30)
    '261.625565300598634677849993523'
    """
    return _positive(ctx, zero_volt_hz, "zero_volt_hz") * ctx.exp2(volts)


def hz_from_volts_linear(ctx: Context, volts: Number, *, hz_per_volt: object) -> Number:
    """Frequency for a control voltage in hertz per volt: hz_per_volt * volts.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    volts in V; hz_per_volt in Hz/V; result in Hz (0 V is 0 Hz, negative volts give negative Hz).
    Domain:  volts real; hz_per_volt > 0, else DomainError.
    Error:   exact or enclosed by the context.
    Source:  definition; tests/external/test_pitch.py.

    >>> from reference.precision import RationalContext
    >>> R = RationalContext()
    >>> hz_from_volts_linear(R, R.number("1/2"), hz_per_volt=880)
    Fraction(440, 1)
    """
    return _positive(ctx, hz_per_volt, "hz_per_volt") * volts


def hz_from_note(ctx: Context, note: Number, *, a4_hz: object = 440) -> Number:
    """Frequency of a note number in equal temperament: a4_hz * 2**((note - 69)/12).

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    note in semitones, fractions allowed; a4_hz and result in Hz.
    Domain:  note real; a4_hz > 0, else DomainError.
    Error:   exact or enclosed by the context.
    Source:  MIDI Tuning specification (frequency data format), ISO 16; tests/external/test_pitch.py.

    >>> from reference.precision import IntervalContext, RationalContext
    >>> R = RationalContext()
    >>> C = IntervalContext(100)
    >>> C.text(hz_from_note(C, C.number(60)), 20)
    '261.62556530059863468'
    >>> hz_from_note(R, R.number(21))
    Fraction(55, 2)
    """
    return _positive(ctx, a4_hz, "a4_hz") * ctx.exp2((ctx.number(note) - A4_NOTE) / SEMITONES_PER_OCTAVE)


def note_from_hz(ctx: Context, hz: Number, *, a4_hz: object = 440) -> Number:
    """Note number of a frequency in equal temperament: 69 + 12 log2(hz/a4_hz), unrounded.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    hz and a4_hz in Hz; result in semitones.
    Domain:  hz > 0 and a4_hz > 0, else DomainError.
    Error:   exact or enclosed by the context.
    Source:  inverse of hz_from_note; tests/external/test_pitch.py.

    >>> from reference.precision import RationalContext
    >>> R = RationalContext()
    >>> note_from_hz(R, R.number(880))
    Fraction(81, 1)
    """
    a4 = _positive(ctx, a4_hz, "a4_hz")
    return A4_NOTE + SEMITONES_PER_OCTAVE * ctx.log2(_positive(ctx, hz, "hz") / a4)


def volts_from_code(
    ctx: Context, code: Number, *, low_code: object, low_volts: object, high_code: object, high_volts: object
) -> Number:
    """Voltage for a converter code: the line through two calibration points.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    codes in LSB; volts in V.
    Domain:  code real; low_code and high_code differ, else DomainError.
    Error:   exact or enclosed by the context.
    Source:  equation of a line; tests/external/test_pitch.py.

    >>> from reference.precision import RationalContext
    >>> R = RationalContext()
    >>> volts_from_code(R, R.number(2048), low_code=0, low_volts=-5, high_code=4096, high_volts=5)
    Fraction(0, 1)
    """
    low, high = ctx.number(low_code), ctx.number(high_code)
    if low == high:
        raise DomainError("low_code and high_code must differ")
    bottom_volts = ctx.number(low_volts)
    volts_per_code = (ctx.number(high_volts) - bottom_volts) / (high - low)
    return (code - low) * volts_per_code + bottom_volts


def code_from_volts(
    ctx: Context, volts: Number, *, low_code: object, low_volts: object, high_code: object, high_volts: object
) -> Number:
    """Converter code for a voltage: the calibration line read backwards, unrounded and unclamped.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    volts in V; codes in LSB.
    Domain:  volts real; low_volts and high_volts differ, else DomainError.
    Error:   exact or enclosed by the context.
    Source:  inverse of volts_from_code; tests/external/test_pitch.py.

    >>> from reference.precision import RationalContext
    >>> R = RationalContext()
    >>> code_from_volts(R, R.number(1), low_code=0, low_volts=0, high_code=4095, high_volts=5)
    Fraction(819, 1)
    """
    low, high = ctx.number(low_volts), ctx.number(high_volts)
    if low == high:
        raise DomainError("low_volts and high_volts must differ")
    bottom_code = ctx.number(low_code)
    codes_per_volt = (ctx.number(high_code) - bottom_code) / (high - low)
    return (volts - low) * codes_per_volt + bottom_code


def hz_from_code(
    ctx: Context,
    code: Number,
    *,
    low_code: object,
    low_volts: object,
    high_code: object,
    high_volts: object,
    zero_volt_hz: object,
) -> Number:
    """Frequency for a pitch input's code: two-point calibration, then one volt per octave.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    codes in LSB; volts in V; zero_volt_hz and result in Hz.
    Domain:  code real; calibration codes differ and zero_volt_hz > 0, else DomainError.
    Error:   exact or enclosed by the context.
    Source:  hz_from_volts after volts_from_code; tests/external/test_pitch.py.

    >>> from reference.precision import RationalContext
    >>> R = RationalContext()
    >>> hz_from_code(R, R.number(1638), low_code=0, low_volts=0, high_code=4095, high_volts=5,
    ...              zero_volt_hz=110)
    Fraction(440, 1)
    """
    volts = volts_from_code(
        ctx, code, low_code=low_code, low_volts=low_volts, high_code=high_code, high_volts=high_volts
    )
    return hz_from_volts(ctx, volts, zero_volt_hz=zero_volt_hz)


def hz_from_volts_and_cents(ctx: Context, volts: Number, cents: Number, *, zero_volt_hz: object) -> Number:
    """Frequency for a pitch voltage with fine tune: zero_volt_hz * 2**(volts + cents/1200).

    Shape:   two scalars to scalar, numbers of ctx.
    Unit:    volts in V at one volt per octave; cents in cents; zero_volt_hz and result in Hz.
    Domain:  volts and cents real; zero_volt_hz > 0, else DomainError.
    Error:   exact or enclosed by the context.
    Source:  W3C Web Audio API, detune; definition of the cent; tests/external/test_pitch.py.

    >>> from reference.precision import RationalContext
    >>> R = RationalContext()
    >>> hz_from_volts_and_cents(R, R.number(1), R.number(-2400), zero_volt_hz=440)
    Fraction(220, 1)
    """
    return hz_from_volts(ctx, volts + ctx.number(cents) / CENTS_PER_OCTAVE, zero_volt_hz=zero_volt_hz)


def volts_from_hz(ctx: Context, hz: Number, *, zero_volt_hz: object) -> Number:
    """Control voltage for a frequency at one volt per octave: log2(hz/zero_volt_hz).

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    hz and zero_volt_hz in Hz; result in V.
    Domain:  hz > 0 and zero_volt_hz > 0, else DomainError.
    Error:   exact or enclosed by the context.
    Source:  inverse of hz_from_volts; tests/external/test_pitch.py.

    >>> from reference.precision import RationalContext
    >>> R = RationalContext()
    >>> volts_from_hz(R, R.number(55), zero_volt_hz=440)
    Fraction(-3, 1)
    """
    zero = _positive(ctx, zero_volt_hz, "zero_volt_hz")
    return ctx.log2(_positive(ctx, hz, "hz") / zero)


def code_from_hz(
    ctx: Context,
    hz: Number,
    *,
    low_code: object,
    low_volts: object,
    high_code: object,
    high_volts: object,
    zero_volt_hz: object,
) -> Number:
    """Converter code of a pitch output: volts_from_hz, then the calibration line; unrounded and unclamped.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    hz and zero_volt_hz in Hz; codes in LSB; volts in V.
    Domain:  hz > 0 and zero_volt_hz > 0, calibration volts differ, else DomainError.
    Error:   exact or enclosed by the context.
    Source:  code_from_volts after volts_from_hz; tests/external/test_pitch.py.

    >>> from reference.precision import RationalContext
    >>> R = RationalContext()
    >>> code_from_hz(R, R.number(220), low_code=0, low_volts=0, high_code=4095, high_volts=5,
    ...              zero_volt_hz=110)
    Fraction(819, 1)
    """
    volts = volts_from_hz(ctx, hz, zero_volt_hz=zero_volt_hz)
    return code_from_volts(
        ctx, volts, low_code=low_code, low_volts=low_volts, high_code=high_code, high_volts=high_volts
    )


def ratio_from_cents(ctx: Context, cents: Number) -> Number:
    """Frequency ratio of an interval in cents: 2**(cents/1200).

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    cents in cents; result a ratio of frequencies.
    Domain:  cents real.
    Error:   exact or enclosed by the context.
    Source:  A. J. Ellis 1885, definition of the cent; tests/external/test_pitch.py.

    >>> from reference.precision import IntervalContext
    >>> C = IntervalContext(100)
    >>> C.text(ratio_from_cents(C, C.number(1)), 25)
    '1.000577789506554859296793'
    """
    return ctx.exp2(ctx.number(cents) / CENTS_PER_OCTAVE)


def ratio_from_semitones(ctx: Context, semitones: Number) -> Number:
    """Frequency ratio of an interval in semitones: 2**(semitones/12).

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    semitones of equal temperament; result a ratio of frequencies.
    Domain:  semitones real.
    Error:   exact or enclosed by the context.
    Source:  definition of equal temperament; tests/external/test_pitch.py.

    >>> from reference.precision import RationalContext
    >>> R = RationalContext()
    >>> ratio_from_semitones(R, R.number(-24))
    Fraction(1, 4)
    """
    return ctx.exp2(ctx.number(semitones) / SEMITONES_PER_OCTAVE)


def cents_between(ctx: Context, hz: Number, reference_hz: Number) -> Number:
    """Interval from reference_hz up to hz: 1200 log2(hz/reference_hz); positive where hz is sharp.

    Shape:   two scalars to scalar, numbers of ctx.
    Unit:    both in Hz; result in cents.
    Domain:  both > 0, else DomainError.
    Error:   exact or enclosed by the context.
    Source:  A. J. Ellis 1885, definition of the cent; tests/external/test_pitch.py.

    >>> from reference.precision import RationalContext
    >>> R = RationalContext()
    >>> cents_between(R, R.number(110), R.number(440))
    Fraction(-2400, 1)
    """
    ratio = _positive(ctx, hz, "hz") / _positive(ctx, reference_hz, "reference_hz")
    return CENTS_PER_OCTAVE * ctx.log2(ratio)


def increment_from_hz(ctx: Context, hz: Number, *, sample_rate_hz: object) -> Number:
    """Phase step per sample in turns: hz/sample_rate_hz.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    hz and sample_rate_hz in Hz; result in turns per sample (cycles).
    Domain:  hz real (negative runs backwards); sample_rate_hz > 0, else DomainError.
    Error:   exact or enclosed by the context.
    Source:  definition of the phase accumulator (AN-1396, equation 1); tests/external/test_pitch.py.

    >>> from reference.precision import RationalContext
    >>> R = RationalContext()
    >>> increment_from_hz(R, R.number(440), sample_rate_hz=48000)
    Fraction(11, 1200)
    """
    return hz / _positive(ctx, sample_rate_hz, "sample_rate_hz")


def increment_32bit_from_hz(ctx: Context, hz: Number, *, sample_rate_hz: object) -> Number:
    """Phase step per sample of a 32-bit accumulator: 2**32 * hz/sample_rate_hz, real-valued and unrounded.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    hz and sample_rate_hz in Hz; result in 2**-32 turns per sample.
    Domain:  hz real (negative runs backwards); sample_rate_hz > 0, else DomainError.
    Error:   exact or enclosed by the context.
    Source:  phase accumulator, f = fs * word / 2**32 (AN-1396, equation 1); tests/external/test_pitch.py.

    >>> from reference.precision import RationalContext
    >>> R = RationalContext()
    >>> increment_32bit_from_hz(R, R.number(375), sample_rate_hz=48000)
    Fraction(33554432, 1)
    """
    return TURN_32BIT * hz / _positive(ctx, sample_rate_hz, "sample_rate_hz")


def semitone_from_volts(ctx: Context, volts: Number, *, zero_volt_semitone: object = 0) -> Number:
    """Nearest semitone of a pitch voltage at 1 V per octave: floor(12 volts + zero_volt_semitone + 1/2).

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    volts in V; result in semitones.
    Domain:  volts finite. Half way between two semitones the upper one is meant; a claim's band lets both.
    Error:   exact.
    Source:  twelve equal semitones per octave; tests/external/test_pitch.py.

    >>> from fractions import Fraction
    >>> from reference import enclose
    >>> int(enclose(semitone_from_volts, [Fraction(1, 4)], {}).low)
    3
    """
    return ctx.nearest(12 * volts + ctx.number(zero_volt_semitone))
