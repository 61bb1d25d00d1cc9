"""Random sources: the next state of congruential and shift-register generators, and how long they run.

Conventions. A state is an unsigned whole number of `bits` bits; a reference gives the state after one step. Levels
made of states run from -1 up to, but not including, 1. Generators that work on bits are judged exactly, input by
input; the congruential one up to 32 bits has a screen.
Limits: nothing here says that a sequence sounds or tests as random; the periods below are facts about repetition.
"""

from __future__ import annotations

from fractions import Fraction
from math import gcd

from reference.context import Context, Number
from reference.errors import DomainError


def _mask(bits: int) -> int:
    if isinstance(bits, bool) or not isinstance(bits, int) or not 2 <= bits <= 64:
        raise DomainError("bits must be 2 to 64")
    return int(2**bits - 1)


def congruential_from_state(ctx: Context, state: Number, *, multiplier: int, increment: int, bits: int = 32) -> Number:
    """Next state of a linear congruential generator: (multiplier * state + increment) mod 2**bits.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    whole numbers below 2**bits.
    Domain:  multiplier and increment whole, 0 to 2**bits - 1, bits 2 to 64, else DomainError.
    Error:   exact.
    Source:  D. H. Lehmer 1949; D. E. Knuth, The Art of Computer Programming 2, 3.2.1; tests/external/test_random.py.

    >>> from reference import RationalContext
    >>> int(congruential_from_state(RationalContext(), 0, multiplier=1664525, increment=1013904223))
    1013904223
    """
    mask = _mask(bits)
    if not (0 <= multiplier <= mask and 0 <= increment <= mask):
        raise DomainError("multiplier and increment must lie in 0 to 2**bits - 1")
    if bits > 32:
        return ctx.constant(Fraction((multiplier * ctx.whole(ctx.own(state)) + increment) & mask))
    # In halves, so that every product stays below 2**53 and nothing is rounded in a screen.
    half = bits // 2
    x = ctx.floor(ctx.number(state))
    high = ctx.floor(x * Fraction(1, 2**half))
    low = x - high * 2**half
    upper = _low_bits(ctx, high * multiplier, bits - half)
    return _low_bits(ctx, low * multiplier + upper * 2**half + increment, bits)


def _low_bits(ctx: Context, x: Number, bits: int) -> Number:
    return ctx.modulo(x, 2**bits)


def xorshift_from_state(ctx: Context, state: Number, *, shifts: tuple[int, int, int], bits: int = 32) -> Number:
    """Next state of an xorshift generator: x ^= x << a; x ^= x >> b; x ^= x << c.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    whole numbers below 2**bits; 0 stays 0.
    Domain:  shifts of 1 to bits - 1, bits 2 to 64, else DomainError.
    Error:   exact.
    Source:  G. Marsaglia, "Xorshift RNGs", Journal of Statistical Software 8(14), 2003; tests/external/test_random.py.

    >>> from reference import RationalContext
    >>> int(xorshift_from_state(RationalContext(), 2463534242, shifts=(13, 17, 5)))
    723471715
    """
    mask = _mask(bits)
    if len(shifts) != 3 or not all(isinstance(k, int) and 0 < k < bits for k in shifts):
        raise DomainError("shifts must be three whole numbers of 1 to bits - 1")
    x = ctx.whole(ctx.own(state)) & mask
    x ^= (x << shifts[0]) & mask
    x ^= x >> shifts[1]
    x ^= (x << shifts[2]) & mask
    return ctx.constant(Fraction(x))


def shift_register_from_state(ctx: Context, state: Number, *, taps: int, bits: int) -> Number:
    """Next state of a shift register to the right whose output bit is folded back through taps (Galois form).

    x >> 1, and with taps exclusive-ored in if the bit that left was 1.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    whole numbers below 2**bits; 0 stays 0.
    Domain:  taps of 1 to 2**bits - 1, bits 2 to 64, else DomainError.
    Error:   exact.
    Source:  S. W. Golomb, Shift Register Sequences, 1967; periods by running in tests/external/test_random.py.

    >>> from reference import RationalContext
    >>> hex(int(shift_register_from_state(RationalContext(), 0xACE1, taps=0xB400, bits=16)))
    '0xe270'
    """
    mask = _mask(bits)
    if not 1 <= taps <= mask:
        raise DomainError("taps must lie in 1 to 2**bits - 1")
    x = ctx.whole(ctx.own(state)) & mask
    return ctx.constant(Fraction((x >> 1) ^ (taps if x & 1 else 0)))


def shift_register_parity_from_state(ctx: Context, state: Number, *, taps: int, bits: int) -> Number:
    """Next state of a shift register to the right whose new top bit is the parity of the tapped bits (Fibonacci form).

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    whole numbers below 2**bits; 0 stays 0.
    Domain:  taps (a mask) of 1 to 2**bits - 1, bits 2 to 64, else DomainError.
    Error:   exact.
    Source:  S. W. Golomb, Shift Register Sequences, 1967; periods by running in tests/external/test_random.py.

    >>> from reference import RationalContext
    >>> hex(int(shift_register_parity_from_state(RationalContext(), 0xACE1, taps=0x002D, bits=16)))
    '0x5670'
    """
    mask = _mask(bits)
    if not 1 <= taps <= mask:
        raise DomainError("taps must lie in 1 to 2**bits - 1")
    x = ctx.whole(ctx.own(state)) & mask
    return ctx.constant(Fraction((x >> 1) | (((x & taps).bit_count() & 1) << (bits - 1))))


def level_from_state(ctx: Context, state: Number, *, bits: int = 32) -> Number:
    """Level of a state read as an unsigned number: state/2**(bits-1) - 1, from -1 up to below 1.

    Shape:   scalar to scalar, numbers of ctx.
    Unit:    state whole; result in full scale.
    Domain:  bits 2 to 64, else DomainError.
    Error:   exact.
    Source:  offset binary; tests/external/test_random.py.

    >>> from reference import RationalContext
    >>> level_from_state(RationalContext(), 3 * 2**30)
    Fraction(1, 2)
    """
    _mask(bits)
    return ctx.number(state) / 2 ** (bits - 1) - 1


def has_full_period(multiplier: int, increment: int, bits: int) -> bool:
    """Whether a congruential generator modulo 2**bits visits every state before it repeats.

    Shape:   three whole numbers to a truth value.
    Unit:    none.
    Domain:  bits 2 to 64, else DomainError.
    Error:   none.
    Source:  T. E. Hull, A. R. Dobell, "Random number generators", SIAM Review 4(3), 1962: increment odd and
             multiplier - 1 a multiple of 4; tests/external/test_random.py.

    >>> has_full_period(1664525, 1013904223, 32), has_full_period(1664525, 1013904222, 32)
    (True, False)
    """
    _mask(bits)
    return gcd(increment, 2) == 1 and (multiplier - 1) % 4 == 0
