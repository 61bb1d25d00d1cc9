"""Bits of binary32 and integers: ordinals, exact values, categories, ULP, and text that loses nothing."""

from __future__ import annotations

import math
import struct
from fractions import Fraction

import numpy as np

LARGEST_FLOAT32 = (2 - Fraction(1, 2**23)) * 2**127
INT_RANGES = {("int", n): (-(2 ** (8 * n - 1)), 2 ** (8 * n - 1) - 1) for n in (1, 2, 4, 8)} | {
    ("uint", n): (0, 2 ** (8 * n) - 1) for n in (1, 2, 4, 8)
}


def ordinal_from_float32(value: float) -> int:
    """Place of a binary32 value on the line of reals: 0 is +0, -1 is -0. value must be representable."""
    (bits,) = struct.unpack("<I", struct.pack("<f", value))
    return bits if bits < 0x80000000 else -1 - (bits & 0x7FFFFFFF)


def bits_from_ordinal(ordinal: int) -> int:
    """Bits of a binary32 value by its place."""
    return ordinal if ordinal >= 0 else 0x80000000 | (-1 - ordinal)


def float32_from_ordinal(ordinal: int) -> float:
    """Inverse of ordinal_from_float32."""
    return float(struct.unpack("<f", struct.pack("<I", bits_from_ordinal(ordinal)))[0])


def float32_array(ordinals: np.ndarray) -> np.ndarray:
    """binary32 array for int64 ordinals."""
    bits = np.where(ordinals >= 0, ordinals, 0x80000000 | (-1 - ordinals)).astype(np.uint32)
    return bits.view(np.float32)


def nearest_float32(value: Fraction) -> Fraction:
    """The binary32 value nearest to an exact one, halves to even; the largest one beyond the ends."""
    largest = float(LARGEST_FLOAT32)
    number = min(max(float(value), -largest), largest)
    nearest = np.float32(number)
    # Twice rounded: where binary64 stands just between two floats, the exact value decides.
    candidates = [nearest, np.nextafter(nearest, np.float32(-largest)), np.nextafter(nearest, np.float32(largest))]
    return min((Fraction(float(c)) for c in candidates), key=lambda c: (abs(c - value), c != Fraction(float(nearest))))


def float32_at_least(value: Fraction) -> float:
    """Smallest finite binary32 value not below an exact value; the largest one when there is none."""
    if value > LARGEST_FLOAT32 or value < -LARGEST_FLOAT32:
        return math.copysign(float(LARGEST_FLOAT32), value)
    nearest = np.float32(min(max(float(value), -float(LARGEST_FLOAT32)), float(LARGEST_FLOAT32)))
    with np.errstate(over="ignore"):
        while Fraction(float(nearest)) < value:
            nearest = np.nextafter(nearest, np.float32(np.inf))
        while True:
            below = np.nextafter(nearest, np.float32(-np.inf))
            if not np.isfinite(below) or Fraction(float(below)) < value:
                return float(nearest)
            nearest = below


def category(value: float) -> str:
    """finite, NaN, +inf or -inf."""
    if math.isnan(value):
        return "NaN"
    if math.isinf(value):
        return "+inf" if value > 0 else "-inf"
    return "finite"


def ulp_float32(value: Fraction) -> Fraction:
    """Unit in the last place: 2^(max(e, -126) - 23) for |value| in [2^e, 2^(e+1)).

    Source: J.-M. Muller, On the definition of ulp(x), INRIA RR-5504 (2005), as in check value 5.2.
    """
    size = abs(value)
    if size == 0:
        return Fraction(1, 2**149)
    exponent = size.numerator.bit_length() - size.denominator.bit_length()
    if Fraction(2) ** exponent > size:
        exponent -= 1
    return Fraction(2) ** (max(exponent, -126) - 23)


def ulp_float64(value: Fraction) -> Fraction:
    """The same for binary64."""
    size = abs(value)
    if size == 0:
        return Fraction(1, 2**1074)
    exponent = size.numerator.bit_length() - size.denominator.bit_length()
    if Fraction(2) ** exponent > size:
        exponent -= 1
    return Fraction(2) ** (max(exponent, -1022) - 52)


def hex_text(value: float, bytes_wide: int = 4) -> str:
    """Hexadecimal float with no needless zeros: 0x1.8p+1."""
    if not math.isfinite(value):
        return category(value)
    text = float(value).hex()
    head, _, exponent = text.partition("p")
    if "." in head:
        head = head.rstrip("0").rstrip(".")
    return f"{head}p{exponent}"


def bits_text(raw: bytes) -> str:
    """Bits in hexadecimal, most significant first: 0x3c800000."""
    return "0x" + raw[::-1].hex()


def decimal_text(value: float, digits: int = 9) -> str:
    """Shortest decimal text that reads back to the same binary32 value (digits > 9: binary64)."""
    if not math.isfinite(value):
        return category(value)
    number = np.float32(value) if digits <= 9 else np.float64(value)
    if value == 0 or 1e-5 <= abs(value) < 1e9:
        return np.format_float_positional(number, unique=True, trim="-")
    return np.format_float_scientific(number, unique=True, trim="-", exp_digits=2)


# Whole numbers are written as such, others without a power of ten up to here.
MOST_WHOLE, MOST_WRITTEN_OUT = 2**53, 1e7


def figure(value: float | Fraction, digits: int = 9, *, signed: bool = False) -> str:
    """A number in print, to so many digits at least; whole numbers, and those below 1e7, without a power of ten.

    >>> figure(-65536, 4), figure(1234567.25, 4, signed=True), figure(3e20, 4), figure(0.25, 4)
    ('-65536', '+1234567', '3e+20', '0.25')
    """
    number, sign = float(value), "+" if signed else ""
    if number.is_integer() and abs(number) < MOST_WHOLE:
        return f"{number:{sign}.0f}"
    if 1 <= abs(number) < MOST_WRITTEN_OUT:
        digits = max(digits, len(str(math.ceil(abs(number)))))
    return f"{number:{sign}.{digits}g}"


def counted(count: float | Fraction, what: str) -> str:
    """So many things: 1 sample, 2 samples, 0.5 samples."""
    return f"{float(count):.12g} {what}{'s' * (count != 1)}"
