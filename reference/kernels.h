/* Elementary functions for float64 screens from + - * / sqrt and integer operations only.
 *
 * No library function, no fused multiply-add, no table, no branch: the same bits on every machine with IEEE
 * binary64 in round-to-nearest, and loops around them vectorise. Compile with -ffp-contract=off.
 * Twin in numpy: kernels.py, same operations in the same order, where bounds are stated and derived.
 *
 *   kernel_exp2       |x| <= 900            relative error <= 2**-51
 *   kernel_exp        |x| <= 620            relative error <= 2**-50
 *   kernel_log2       2**-890 .. 2**890     relative error <= 2**-49 (also near 1)
 *   kernel_log        2**-890 .. 2**890     relative error <= 2**-49 (also near 1)
 *   kernel_sin_turns  |x| <= 2**50          relative and absolute error <= 2**-50, sin(2 pi x)
 *   kernel_cos_turns  |x| <= 2**50          relative and absolute error <= 2**-50, cos(2 pi x)
 *   kernel_tanh       |x| <= 2**900         relative error <= 2**-48
 */
#ifndef REFERENCE_KERNELS_H
#define REFERENCE_KERNELS_H

#include <stdint.h>
#include <string.h>

#define KERNEL static inline __attribute__((always_inline, unused))

KERNEL uint64_t kernel_bits(double x) { uint64_t bits; memcpy(&bits, &x, 8); return bits; }
KERNEL double kernel_value(uint64_t bits) { double x; memcpy(&x, &bits, 8); return x; }

/* Adding and subtracting 1.5 * 2**52 rounds to the nearest integer, halves to even, for |x| <= 2**51; the low
 * bits of the sum are that integer in two's complement. */
#define KERNEL_ROUNDER 0x1.8p+52

/* floor(x), |x| <= 2**50; NaN where x lies within margin of an integer, unless the margin is 0. */
KERNEL double kernel_floor_or_nan(double x, double margin) {
    const double nearest = (x + KERNEL_ROUNDER) - KERNEL_ROUNDER;
    const double rest = x - nearest;
    const double size = rest < 0.0 ? -rest : rest;
    const double whole = nearest - (rest < 0.0 ? 1.0 : 0.0);
    return size <= margin && margin > 0.0 ? __builtin_nan("") : whole;
}

/* The entry at an integer place of 0 to last; NaN (a floor in doubt) stays NaN. */
KERNEL double kernel_entry(const double *table, double last, double place) {
    return place >= 0.0 && place <= last ? table[(long)place] : __builtin_nan("");
}

/* A NaN, from a floor in doubt, must not be lost on either side. */
KERNEL double kernel_minimum(double a, double b) { const double least = a < b ? a : b; return a == a ? least : a; }
KERNEL double kernel_maximum(double a, double b) { const double most = a > b ? a : b; return a == a ? most : a; }
KERNEL double kernel_absolute(double x) { return kernel_value(kernel_bits(x) & 0x7fffffffffffffffu); }
KERNEL double kernel_with_sign(double x, double sign) {
    return kernel_value(kernel_bits(x) ^ (kernel_bits(sign) & 0x8000000000000000u));
}
/* 2**n for the integer n that was rounded into `rounded`, -1022 <= n <= 1023. */
KERNEL double kernel_power(double rounded) {
    return kernel_value((kernel_bits(rounded) << 52) + 0x3ff0000000000000u);
}

/* 2**f - 1 for |f| <= 0.5005: f times a polynomial of degree 10. */
KERNEL double kernel_exp2_less_1(double f) {
    const double c0 = 0x1.62e42fefa39efp-1; /* 0.6931471805599453 */
    const double c1 = 0x1.ebfbdff82c598p-3; /* 0.24022650695910097 */
    const double c2 = 0x1.c6b08d704a0c2p-5; /* 0.0555041086648216 */
    const double c3 = 0x1.3b2ab6fba1d76p-7; /* 0.009618129107606715 */
    const double c4 = 0x1.5d87fe78a524bp-10; /* 0.0013333558146416842 */
    const double c5 = 0x1.430913098a106p-13; /* 0.0001540353044202707 */
    const double c6 = 0x1.ffcbfc6724283p-17; /* 1.525273382999124e-05 */
    const double c7 = 0x1.62bfd427a44e9p-20; /* 1.3215442410711872e-06 */
    const double c8 = 0x1.b524faa21725ep-24; /* 1.0178062351388103e-07 */
    const double c9 = 0x1.e606dee7e5577p-28; /* 7.072621356539349e-09 */
    const double c10 = 0x1.e9d48637d76acp-32; /* 4.4549794711760616e-10 */
    const double f2 = f * f, f4 = f2 * f2;
    double p = ((c8 + f * c9) + f2 * c10);
    p = ((c4 + f * c5) + f2 * (c6 + f * c7)) + f4 * p;
    p = ((c0 + f * c1) + f2 * (c2 + f * c3)) + f4 * p;
    return f * p;
}

KERNEL double kernel_exp2(double x) {
    const double rounded = x + KERNEL_ROUNDER;
    const double f = x - (rounded - KERNEL_ROUNDER);            /* exact */
    return (1.0 + kernel_exp2_less_1(f)) * kernel_power(rounded); /* the product is exact */
}

/* ln 2 in two parts; the first has 40 bits, so that n times it is exact for |n| < 2**13. */
#define KERNEL_LOG2_E 0x1.71547652b82fep+0      /* 1.4426950408889634 */
#define KERNEL_LN2_HIGH 0x1.62e42fefa2000p-1    /* 0.6931471805592082 */
#define KERNEL_LN2_LOW 0x1.9ef35793c7673p-41    /* 7.371002565167799e-13 */
#define KERNEL_LN2 0x1.62e42fefa39efp-1         /* 0.6931471805599453 */

/* x/ln 2 less the integer in `rounded`, from x - n ln 2 so that nothing cancels. */
KERNEL double kernel_exp_fraction(double x, double rounded) {
    const double n = rounded - KERNEL_ROUNDER;
    return ((x - n * KERNEL_LN2_HIGH) - n * KERNEL_LN2_LOW) * KERNEL_LOG2_E;
}

KERNEL double kernel_exp(double x) {
    const double rounded = x * KERNEL_LOG2_E + KERNEL_ROUNDER;
    return (1.0 + kernel_exp2_less_1(kernel_exp_fraction(x, rounded))) * kernel_power(rounded);
}

/* log2 x = e + log2 m with m in [sqrt(1/2), sqrt 2): log2 m = s S(s**2), s = (m - 1)/(m + 1). */
KERNEL double kernel_log2(double x) {
    const uint64_t root = 0x3fe6a09e667f3bcdu;                  /* bits of sqrt(1/2) */
    const uint64_t shifted = kernel_bits(x) - root + 0x4000000000000000u;
    const uint64_t exponent = shifted >> 52;                    /* e + 1024, positive */
    const double m = kernel_value(kernel_bits(x) - (exponent << 52) + 0x4000000000000000u);
    const double e = kernel_value(exponent | 0x4330000000000000u) - 0x1.00000000004p+52; /* 2**52 + 1024 */
    const double s = (m - 1.0) / (m + 1.0);                     /* m - 1 is exact */
    const double z = s * s;
    const double c0 = 0x1.71547652b82fep+1; /* 2.8853900817779268 */
    const double c1 = 0x1.ec709dc3a047dp-1; /* 0.9617966939259898 */
    const double c2 = 0x1.2776c50ee39a4p-1; /* 0.577078016345514 */
    const double c3 = 0x1.a61762d699b46p-2; /* 0.4121985858422942 */
    const double c4 = 0x1.484afb77d8797p-2; /* 0.3205985347650481 */
    const double c5 = 0x1.0ca160eda205bp-2; /* 0.26233436060329546 */
    const double c6 = 0x1.c46df723fd2ebp-3; /* 0.22091286734180157 */
    const double c7 = 0x1.b594042f590e9p-3; /* 0.21366122502798326 */
    const double z2 = z * z, z4 = z2 * z2;
    double p = ((c4 + z * c5) + z2 * (c6 + z * c7));
    p = ((c0 + z * c1) + z2 * (c2 + z * c3)) + z4 * p;
    return e + s * p;
}

KERNEL double kernel_log(double x) { return kernel_log2(x) * KERNEL_LN2; }

/* sin(2 pi t) for |t| <= 1/4: t times a polynomial of degree 8 in t**2. */
KERNEL double kernel_quarter_sine(double t) {
    const double z = t * t;
    const double c0 = 0x1.921fb54442d18p+2; /* 6.283185307179586 */
    const double c1 = -0x1.4abbce625be52p+5; /* -41.341702240399755 */
    const double c2 = 0x1.466bc6775aa7dp+6; /* 81.60524927607362 */
    const double c3 = -0x1.32d2cce627c86p+6; /* -76.70585975282492 */
    const double c4 = 0x1.5078348551854p+5; /* 42.058693925428685 */
    const double c5 = -0x1.e3074dfaf87afp+3; /* -15.0946416761179 */
    const double c6 = 0x1.e8f3675ee37ddp+1; /* 3.8199280942271643 */
    const double c7 = -0x1.6f7acdb8f6580p-1; /* -0.7177337921413454 */
    const double c8 = 0x1.9d462020fcc78p-4; /* 0.10089695501646812 */
    const double z2 = z * z, z4 = z2 * z2;
    double p = c8;
    p = ((c4 + z * c5) + z2 * (c6 + z * c7)) + z4 * p;
    p = ((c0 + z * c1) + z2 * (c2 + z * c3)) + z4 * p;
    return t * p;
}

KERNEL double kernel_sin_turns(double x) {
    const double r = x - ((x + KERNEL_ROUNDER) - KERNEL_ROUNDER); /* exact, |r| <= 1/2 */
    const double size = kernel_absolute(r);
    const double t = kernel_minimum(size, 0.5 - size);          /* exact where it is chosen */
    return kernel_with_sign(kernel_quarter_sine(t), r);
}

KERNEL double kernel_cos_turns(double x) {
    const double r = x - ((x + KERNEL_ROUNDER) - KERNEL_ROUNDER);
    return kernel_quarter_sine(0.25 - kernel_absolute(r));
}

/* tanh x = d/(d + 2) with d = exp(2x) - 1; beyond 22 it is 1 within 2**-62. */
KERNEL double kernel_tanh(double x) {
    const double y = kernel_minimum(kernel_absolute(x), 22.0) * 2.0;
    const double rounded = y * KERNEL_LOG2_E + KERNEL_ROUNDER;
    const double power = kernel_power(rounded);
    const double d = kernel_exp2_less_1(kernel_exp_fraction(y, rounded)) * power + (power - 1.0);
    return kernel_with_sign(d / (d + 2.0), x);
}

#endif
