"""Published errors of single-precision mathematical functions, as data for tests of our own ULP metric.

ROWS and GLIBC_STATED are other people's figures; GLIBC_MEASURED says how it was found.
ULP: abs(output - exact) / ulp(exact), where for 2^e <= abs(x) < 2^(e+1)
ulp(x) = 2^(max(e, -126) - 23); rounding to nearest.
"""

from __future__ import annotations

from typing import NamedTuple


class PublishedError(NamedTuple):
    """Input and output bits of binary32, and the error published for them."""

    function: str
    input_bits: int
    error_ulp: float
    output_bits: int


# M. Mikaitis, T. Rizyal, "Accuracy of Mathematical Functions in Julia", arXiv 2509.05666 (September 2025):
# largest errors of Julia Base over all binary32 inputs, published to ten decimals; data file
# HEX_test-binary32RN-exhaustive-nofastmath.txt of north-numerical-computing/MathBenchmark.jl, commit
# c39e58eb07fc (22 August 2026).
ROWS: tuple[PublishedError, ...] = (
    PublishedError("exp", 0x41d5850f, 0.8934687937, 0x52b5b58b),
    PublishedError("exp2", 0xc2fcd824, 0.8747607674, 0x005f8724),
    PublishedError("exp10", 0x4082da24, 1.0477928032, 0x463fd818),
    PublishedError("log", 0x3f886449, 0.5507246331, 0x3d820cc5),
    PublishedError("log2", 0x3f8a6cff, 0.5707293911, 0x3de75c21),
    PublishedError("log10", 0x3f886f01, 0.5866946950, 0x3ce30304),
    PublishedError("log1p", 0x3da7f157, 0.5635540398, 0x3da1695a),
    PublishedError("sin", 0xf3a291c1, 0.5009001286, 0xbf4ecafe),
    PublishedError("cos", 0xc6756516, 0.5009001762, 0xbf668924),
    PublishedError("tan", 0xd170ec32, 0.7998569047, 0xc0ffd53c),
    PublishedError("sinpi", 0xb81ffe78, 0.5000706535, 0xb8fb5169),
    PublishedError("cospi", 0xbed84b69, 0.5000704434, 0x3e770414),
    PublishedError("tanpi", 0xbe7ffa56, 0.5000820140, 0xbf7ff71b),
    PublishedError("sinh", 0xc2b2bd8a, 2.4140868360, 0xff748a97),
    PublishedError("cosh", 0xc2b2bd8a, 2.4140868360, 0x7f748a97),
    PublishedError("tanh", 0xbe0085d0, 1.3663689677, 0xbdffb443),
    PublishedError("asin", 0xbf003007, 0.7298913713, 0xbf06420b),
    PublishedError("acos", 0xbf001bc1, 0.9179250677, 0x40061296),
    PublishedError("atan", 0xbf3133b9, 0.8521076359, 0xbf1b0000),
    PublishedError("asinh", 0xbdf6422d, 1.5277680587, 0xbdf5ab3f),
    PublishedError("acosh", 0x3f80fde1, 1.9944941297, 0x3dfec5dd),
    PublishedError("atanh", 0xbbff65bf, 1.9411387117, 0xbbff6710),
    PublishedError("cbrt", 0xff0353b5, 0.4999999820, 0xd4a2a7bc),
    PublishedError("sqrt", 0x017fffff, 0.4999999925, 0x207fffff),
)


class LibraryMaximum(NamedTuple):
    """Largest error that a library states for a function, and where it says so."""

    function: str
    error_ulp: float
    valid_for: str


# Stated in the source headers of the GNU C library, sysdeps/ieee754/flt-32, and for the same code in Arm
# optimized routines, math. They are rounded to the digits shown, not always up: cosf reaches 0.560720.
GLIBC_STATED: tuple[LibraryMaximum, ...] = (
    LibraryMaximum("exp2f", 0.502, "glibc >= 2.27"),
    LibraryMaximum("expf", 0.502, "glibc >= 2.27"),
    LibraryMaximum("exp10f", 0.502, "glibc >= 2.32"),
    LibraryMaximum("logf", 0.818, "glibc >= 2.27"),
    LibraryMaximum("log2f", 0.752, "glibc >= 2.27"),
    LibraryMaximum("powf", 0.82, "glibc >= 2.27"),
    LibraryMaximum("sinf", 0.5607, "glibc >= 2.29"),
    LibraryMaximum("cosf", 0.5607, "glibc >= 2.29"),
)


class MeasuredMaximum(NamedTuple):
    """Largest error found over every binary32 input, and the input where it was found (hex float)."""

    function: str
    error_ulp: float
    at: str


# Not published: found by exhaustive runs of glibc 2.36 on x86-64 with fused multiply-add, against the double
# functions, and each maximum confirmed by MPFR at 400 bits to 1e-6. sinf, cosf, tanf, tanhf: positive inputs.
GLIBC_MEASURED: tuple[MeasuredMaximum, ...] = (
    MeasuredMaximum("exp2f", 0.501636, "-0x1.4795f8p-7"),
    MeasuredMaximum("expf", 0.501637, "-0x1.ce651ep-8"),
    MeasuredMaximum("logf", 0.817664, "0x1.060106p+0"),
    MeasuredMaximum("log2f", 0.751762, "0x1.0057f8p+0"),
    MeasuredMaximum("sinf", 0.560697, "0x1.0c05ccp-1"),
    MeasuredMaximum("cosf", 0.560720, "0x1.ff282p+51"),
    MeasuredMaximum("tanf", 1.475501, "0x1.3a6dfp+71"),
    MeasuredMaximum("tanhf", 2.188555, "0x1.ddca18p-3"),
)
