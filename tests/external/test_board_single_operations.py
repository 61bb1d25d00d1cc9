"""Single operations of the emulated boards against Berkeley SoftFloat 3e (J. R. Hauser; the package softfloatpy).

Bits and status flags, in round to nearest, with subnormals kept and flushed. NaN payloads are not compared, but in
default-NaN mode the one pattern is. Flushing follows DDI 0403E, A2.5.2 (FPSCR.FZ): subnormal operands count as zero of
their sign, results that are tiny before rounding become zero.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np
import pytest

from firmware_shim.build import Built
from tests.board.boards import NEEDED, built, run

softfloat: Any = pytest.importorskip("softfloatpy")
pytestmark = NEEDED
C = """
#include <stdint.h>
#define ALL(T, p) \\
    T p##_sum(T a, T b) { return a + b; } T p##_difference(T a, T b) { return a - b; } \\
    T p##_product(T a, T b) { return a * b; } T p##_quotient(T a, T b) { return a / b; } \\
    int32_t p##_whole(T a) { return (int32_t)a; }
ALL(float, single)
ALL(double, double)
double widened(float a) { return a; }
float narrowed(double a) { return (float)a; }
"""
BY_UNIT = {
    "single": "float single_root(float a) { return __builtin_sqrtf(a); }\n"
              "float single_fused(float a, float b, float c) { return __builtin_fmaf(a, b, c); }\n",
    "double": "double double_root(double a) { return __builtin_sqrt(a); }\n"
              "double double_fused(double a, double b, double c) { return __builtin_fma(a, b, c); }\n",
}
FLAGS = "-O2 -std=c11 -fno-math-errno -ffp-contract=off"
OPERATIONS = {"sum": "add", "difference": "sub", "product": "mul", "quotient": "div", "root": "sqrt", "fused": "mul_add"}
KINDS = {"single": ("f32", np.dtype(np.float32), np.dtype(np.uint32), 23, 8),
         "double": ("f64", np.dtype(np.float64), np.dtype(np.uint64), 52, 11)}
# The engine's order: invalid, subnormal operand, division by zero, overflow, subnormal result.
FLAG_NAMES = {"INVALID": 1, "INFINITE": 4, "OVERFLOW": 8, "UNDERFLOW": 16}
OPERAND = 2


def patterns(kind: str, count: int) -> list[np.ndarray]:
    """Three columns of bits: every two special numbers, any bits, near magnitudes, ties of products."""
    _, _, unsigned, fraction, exponent = KINDS[kind]
    bias, one = (1 << exponent - 1) - 1, 1 << fraction
    top = ((1 << exponent) - 1) << fraction
    special = [0, 1, 2, one - 1, one, one + 1, 2 * one, bias * one, bias * one + 1, bias * one - 1, (bias + 1) * one,
               (bias - fraction - 1) * one, (bias - fraction - 1) * one + 1, (bias - fraction) * one, (bias - 1) * one,
               (bias - fraction - 2) * one | one >> 1, (bias // 2) * one + 3, (bias + 30) * one, (bias + 31) * one,
               top - 1, top - one, top, top | one >> 1, top | 1]
    signed = special + [bits | 1 << fraction + exponent for bits in special]
    pairs = [(a, b) for a in signed for b in signed]
    random = np.random.default_rng(11)
    width = 1 + exponent + fraction
    # Short fractions: products and quotients then lie exactly between two numbers, or are exact.
    near = random.integers(bias - 4, bias + 4, (count, 3)) * one + random.integers(0, one, (count, 3))
    short = random.integers(bias - 20, bias + 20, (count, 3)) * one + (
        random.integers(0, 1 << fraction // 2 + 1, (count, 3)) << fraction - fraction // 2 - 1)
    tiny = random.integers(0, fraction + 4, (count, 3)) * one // 2 + random.integers(0, one, (count, 3))
    any_bits = random.integers(0, 1 << width - 1, (count, 3), dtype=np.uint64)
    columns = []
    for at in range(3):
        listed = np.array([pair[at % 2] if at < 2 else signed[n % len(signed)] for n, pair in enumerate(pairs)], np.uint64)
        drawn = np.concatenate([part[:, at].astype(np.uint64) for part in (near, short, tiny, any_bits)])
        signs = random.integers(0, 2, len(drawn)).astype(np.uint64) << np.uint64(width - 1)
        columns.append(np.concatenate([listed, drawn ^ signs]).astype(unsigned))
    return columns


def number_of(kind: str, bits: int) -> Any:
    """SoftFloat's number."""
    name = {"single": softfloat.Float32, "double": softfloat.Float64}[kind]
    return name.from_bytes(struct.pack(">I" if kind == "single" else ">Q", bits))


def oracle(kind: str, gives: str, call: Callable[..., Any], rows: list[tuple[int, ...]],
           flush: bool) -> tuple[list[int], list[int]]:
    """Bits and flags of each row. gives: kind of the result, "whole" for an int32."""
    softfloat.set_tininess_mode(softfloat.TininessMode.BEFORE_ROUNDING)
    softfloat.set_rounding_mode(softfloat.RoundingMode.NEAR_EVEN)
    _, _, _, fraction, exponent = KINDS[kind]
    least, sign = 1 << fraction, 1 << fraction + exponent
    outputs, flags = [], []
    for row in rows:
        told = 0
        operands = []
        for bits in row:
            if flush and 0 < bits & ~sign < least:
                told |= OPERAND
                bits &= sign
            operands.append(number_of(kind, bits))
        softfloat.set_exception_flags(softfloat.ExceptionFlag(0))
        result = call(*operands)
        raised = int(softfloat.get_exception_flags())
        told |= sum(bit for name, bit in FLAG_NAMES.items() if raised & int(softfloat.ExceptionFlag[name]))
        bits = int.from_bytes(result.to_bytes(), "big")
        if flush and gives != "whole":
            _, _, _, f, e = KINDS[gives]
            size = bits & ~(1 << f + e)
            if 0 < size < 1 << f or (size == 1 << f and told & FLAG_NAMES["UNDERFLOW"]):
                bits, told = bits & 1 << f + e, told | FLAG_NAMES["UNDERFLOW"]
        outputs.append(bits)
        flags.append(told)
    return outputs, flags


CORES = {"cortex-m4f": ("single",), "cortex-m7d": ("single", "double"), "cortex-m33f": ("single",), "cortex-m3": ()}


# One with both units every day, the others at night.
DAILY = "cortex-m7d"


@pytest.fixture(scope="module")
def image_of(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Built]:
    folder = tmp_path_factory.mktemp("operations")

    @cache
    def made(core: str) -> Built:
        units = CORES[core]
        names = [f"{kind}_{name}" for kind in KINDS for name in (*list(OPERATIONS)[: 6 if kind in units else 4], "whole")]
        text = C + "".join(BY_UNIT[kind] for kind in units)
        return built(folder / core, text, (*names, "widened", "narrowed"), core, FLAGS)

    return made


CASES = [(core, kind, name) for core, units in CORES.items() for kind in KINDS
         for name in [*list(OPERATIONS)[: 6 if kind in units else 4], "whole"]]
CASES += [(core, kind, name) for core in CORES for kind, name in (("single", "widened"), ("double", "narrowed"))]


@pytest.mark.parametrize(("core", "kind", "name"), [
    pytest.param(*case, id="-".join(case), marks=[] if case[0] == DAILY else [pytest.mark.nightly]) for case in CASES])
def test_operation_is_softfloats(image_of: Callable[[str], Built], core: str, kind: str, name: str) -> None:
    word, plain, _, _, _ = KINDS[kind]
    gives = {"whole": "whole", "widened": "double", "narrowed": "single"}.get(name, kind)
    asked = {"whole": f"{word}_to_i32", "widened": "f32_to_f64", "narrowed": "f64_to_f32"}.get(
        name, f"{word}_{OPERATIONS.get(name)}")
    inputs = {"root": 1, "fused": 3, "whole": 1, "widened": 1, "narrowed": 1}.get(name, 2)
    columns = patterns(kind, 150)[:inputs]
    call = getattr(softfloat, asked)
    if name == "whole":
        def call(number: Any) -> Any:
            return getattr(softfloat, asked)(number, softfloat.RoundingMode.MIN_MAG)
    routine = name if name in ("widened", "narrowed") else f"{kind}_{name}"
    by_unit = kind in CORES[core] and (gives == "whole" or gives in CORES[core])
    rows = list(zip(*(column.tolist() for column in columns), strict=True))
    for flush in (False, True) if by_unit else (False,):
        bits, flags = oracle(kind, gives, call, rows, flush)
        given = [column.view(plain) for column in columns]
        outputs, result = run(image_of(core), routine, *given, flush_to_zero=flush, default_nan=flush, keep_flags=by_unit)
        assert not result.stops and not result.load_problem
        got = outputs.view(np.uint32 if gives in ("single", "whole") else np.uint64).tolist()
        same = [number_is_same(gives, one, other, flush, rows[n], kind) for n, (one, other) in enumerate(
            zip(got, bits, strict=True))]
        first = next((n for n, right in enumerate(same) if not right), None)
        assert first is None, (flush, [hex(x) for x in rows[first]], hex(got[first]), hex(bits[first]))
        told = list(result.flags[: len(rows)]) if by_unit else flags
        first = next((n for n, (one, other) in enumerate(zip(told, flags, strict=True)) if one != other), None)
        assert first is None, (flush, [hex(x) for x in rows[first]], told[first], flags[first])


def is_nan(kind: str, bits: int) -> bool:
    """By its bits."""
    _, _, _, fraction, exponent = KINDS[kind]
    return bits & ~(1 << fraction + exponent) > ((1 << exponent) - 1) << fraction


def number_is_same(gives: str, got: int, right: int, default_nan: bool, row: tuple[int, ...], kind: str) -> bool:
    """Equal bits; NaN by category, and by its one pattern in default-NaN mode; of whole numbers those in range."""
    if gives == "whole":
        # SoftFloat saturates as some processors do and not others: beyond the range Arm's own table is the witness.
        value = struct.unpack(">f" if kind == "single" else ">d", struct.pack(">I" if kind == "single" else ">Q", row[0]))[0]
        return got == right if abs(value) < 2**31 else True
    if not is_nan(gives, right):
        return got == right
    _, _, _, fraction, exponent = KINDS[gives]
    quiet = ((1 << exponent + 1) - 1) << fraction - 1
    return is_nan(gives, got) and (not default_nan or got == quiet)
