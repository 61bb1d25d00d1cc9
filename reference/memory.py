"""Memory: reading a table between its entries, ring addresses, counters that wrap.

Conventions. A position counts entries from 0 and may be fractional; entry k is the value at position k. `wrap` means
the table is one period (entry N is entry 0 again); without it the table has guard points of its own: positions are
limited to where all entries that the kernel needs exist. `table` is a sequence of numbers, exact as written. Counters
wrap modulo 2**bits, as unsigned integers of C do; ticks count whole ticks that have begun and ended.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from reference.context import Context, Number
from reference.errors import DomainError
from reference.expressions import exact_fraction


def _entries(table: Sequence[object], least: int) -> list[Fraction]:
    if len(table) < least:
        raise DomainError(f"the table has {len(table)} entries; this reading needs {least}")
    return [exact_fraction(value) for value in table]


def _whole_quotient(ctx: Context, x: Number, divisor: int) -> Number:
    """floor(x/divisor) for whole x, half a step away from every jump so that a screen has no doubt."""
    return ctx.floor((2 * x + 1) / (2 * divisor))


def _wrapped(ctx: Context, x: Number, size: int) -> Number:
    """x mod size for whole x."""
    return ctx.clamp(x - size * _whole_quotient(ctx, x, size), 0, size - 1)


def _split(ctx: Context, position: Number, low: int, high: int, wrap: bool) -> tuple[Number, Number]:
    """Whole part and fraction of a position; without wrap the position is limited to low..high."""
    x = ctx.number(position)
    if wrap:
        whole = ctx.floor(x)
        return whole, x - whole
    limited = ctx.clamp(x, low, high)
    whole = ctx.minimum(ctx.floor(limited), high - 1) if high > low else ctx.floor(limited)
    return whole, limited - whole


def _read(ctx: Context, entries: list[Fraction], place: Number, wrap: bool) -> Number:
    size = len(entries)
    return ctx.pick(entries, _wrapped(ctx, place, size) if wrap else ctx.clamp(place, 0, size - 1))


def entry_from_position(ctx: Context, position: Number, *, table: Sequence[object], wrap: bool = True) -> Number:
    """Reading without interpolation: the entry at floor(position).

    Shape:   scalar to scalar, numbers of ctx; table of 1 and more entries.
    Unit:    position in entries; result in the table's unit.
    Domain:  real; without wrap, positions are limited to 0..N-1.
    Error:   exact.
    Source:  definition; tests/external/test_memory.py.

    >>> from reference import RationalContext
    >>> R = RationalContext()
    >>> [int(entry_from_position(R, R.number(p), table=[5, 7, 9])) for p in ("0.9", 2, 3, -1)]
    [5, 9, 5, 9]
    """
    entries = _entries(table, 1)
    x = ctx.number(position)
    place = ctx.floor(x if wrap else ctx.clamp(x, 0, len(entries) - 1))
    return _read(ctx, entries, place, wrap)


def linear_from_position(ctx: Context, position: Number, *, table: Sequence[object], wrap: bool = True) -> Number:
    """Linear interpolation between the two entries around position.

    Shape:   scalar to scalar, numbers of ctx; table of 2 and more entries.
    Unit:    position in entries; result in the table's unit.
    Domain:  real; without wrap, positions are limited to 0..N-1 (the last entry is the guard point).
    Error:   exact.
    Source:  K. Atkinson, An Introduction to Numerical Analysis, chapter 3; tests/external/test_memory.py.

    >>> from reference import RationalContext
    >>> R = RationalContext()
    >>> [int(linear_from_position(R, R.number(p), table=[0, 4, 8])) for p in ("0.25", "2.5", 2)]
    [1, 4, 8]
    """
    entries = _entries(table, 2)
    whole, part = _split(ctx, position, 0, len(entries) - 1, wrap)
    first, second = (_read(ctx, entries, whole + k, wrap) for k in (0, 1))
    return first + part * (second - first)


def cubic_from_position(ctx: Context, position: Number, *, table: Sequence[object], wrap: bool = True) -> Number:
    """Cubic interpolation through four entries with central-difference slopes (Catmull-Rom, third-order Hermite).

    With p, q, r, s the entries before, at, after and two after, and t the fraction:
    q + t/2 * ((r - p) + t * ((2p - 5q + 4r - s) + t * (3(q - r) + s - p))).

    Shape:   scalar to scalar, numbers of ctx; table of 4 and more entries.
    Unit:    position in entries; result in the table's unit.
    Domain:  real; without wrap, positions are limited to 1..N-2 (one guard point in front, one behind).
    Error:   exact.
    Source:  Hermite cubic with slopes (r - p)/2 and (s - q)/2; scipy CubicHermiteSpline in
             tests/external/test_memory.py.

    >>> from reference import RationalContext
    >>> R = RationalContext()
    >>> cubic_from_position(R, R.number("1.5"), table=[0, 1, 4, 9], wrap=False)
    Fraction(9, 4)
    """
    entries = _entries(table, 4)
    whole, t = _split(ctx, position, 1, len(entries) - 2, wrap)
    p, q, r, s = (_read(ctx, entries, whole + k, wrap) for k in (-1, 0, 1, 2))
    bend = 2 * p - 5 * q + 4 * r - s
    return q + t * ((r - p) + t * (bend + t * (3 * (q - r) + s - p))) / 2


def linear_from_phase_32bit(ctx: Context, phase: Number, *, table: Sequence[object]) -> Number:
    """Linear reading of one period by a 32-bit phase: position phase * N/2**32, wrapping.

    Shape:   scalar to scalar, numbers of ctx; table of 2 and more entries.
    Unit:    phase in 2**-32 turns, whole; result in the table's unit.
    Domain:  whole phases.
    Error:   exact.
    Source:  linear_from_position after the phase accumulator of AN-1396; tests/external/test_memory.py.

    >>> from reference import RationalContext
    >>> linear_from_phase_32bit(RationalContext(), 2**31 + 2**30, table=[0, 8])
    Fraction(4, 1)
    """
    # The floor changes nothing of a whole phase; it tells a screen that there is nothing to round.
    position = ctx.floor(ctx.number(phase)) * Fraction(len(table), 2**32)
    return linear_from_position(ctx, position, table=table)


def address_from_write_and_delay(ctx: Context, write: Number, delay: Number, *, length: int) -> Number:
    """Address in a ring that a delay line reads: (write - delay) mod length.

    Shape:   two scalars to scalar, numbers of ctx.
    Unit:    write an address, delay in samples, both whole; result an address of 0 to length - 1.
    Domain:  length of 1 and more, else DomainError; a delay of length reads the place about to be overwritten.
    Error:   exact.
    Source:  arithmetic modulo the ring's length; tests/external/test_memory.py.

    >>> from reference import RationalContext
    >>> int(address_from_write_and_delay(RationalContext(), 2, 5, length=8))
    5
    """
    if isinstance(length, bool) or not isinstance(length, int) or length < 1:
        raise DomainError("length must be a whole number of 1 and more")
    return _wrapped(ctx, ctx.floor(ctx.number(write)) - ctx.floor(ctx.number(delay)), length)


def _size(bits: int) -> int:
    if isinstance(bits, bool) or not isinstance(bits, int) or not 1 <= bits <= 64:
        raise DomainError("bits must be 1 to 64")
    return int(2**bits)


def counter_after_samples(ctx: Context, samples: Number, *, start: int = 0, bits: int = 32) -> Number:
    """A sample counter: (start + samples) mod 2**bits.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    samples, start and result in samples, whole.
    Domain:  bits 1 to 64, else DomainError.
    Error:   exact.
    Source:  ISO/IEC 9899, 6.2.5p9 (unsigned integers wrap); tests/external/test_memory.py.

    >>> from reference import RationalContext
    >>> int(counter_after_samples(RationalContext(), 3, start=2**32 - 1))
    2
    """
    return _wrapped(ctx, ctx.floor(ctx.number(samples)) + start, _size(bits))


def ticks_from_samples(
    ctx: Context, samples: Number, *, sample_rate_hz: int, ticks_per_second: int = 1000, bits: int = 32
) -> Number:
    """Ticks that have passed after a number of samples: floor(samples * ticks_per_second/sample_rate_hz) mod 2**bits.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    samples whole; result in ticks (milliseconds by default).
    Domain:  whole rates above 0, bits 1 to 64, else DomainError.
    Error:   exact.
    Source:  definition of a rate; ISO/IEC 9899, 6.2.5p9; tests/external/test_memory.py.

    >>> from reference import RationalContext
    >>> [int(ticks_from_samples(RationalContext(), n, sample_rate_hz=48000)) for n in (47, 48, 2**32)]
    [0, 1, 89478485]
    """
    if not all(isinstance(rate, int) and rate > 0 for rate in (sample_rate_hz, ticks_per_second)):
        raise DomainError("sample_rate_hz and ticks_per_second must be whole and above 0")
    passed = _whole_quotient(ctx, ctx.floor(ctx.number(samples)) * ticks_per_second, sample_rate_hz)
    return _wrapped(ctx, passed, _size(bits))


def elapsed_from_ticks(ctx: Context, now: Number, before: Number, *, bits: int = 32) -> Number:
    """Ticks between two readings of a wrapping counter: (now - before) mod 2**bits.

    Shape:   two scalars to scalar, numbers of ctx.
    Unit:    all in ticks, whole.
    Domain:  less than one whole round between the readings; bits 1 to 64, else DomainError.
    Error:   exact.
    Source:  ISO/IEC 9899, 6.2.5p9; tests/external/test_memory.py.

    >>> from reference import RationalContext
    >>> int(elapsed_from_ticks(RationalContext(), 5, 2**32 - 5))
    10
    """
    return _wrapped(ctx, ctx.floor(ctx.number(now)) - ctx.floor(ctx.number(before)), _size(bits))
