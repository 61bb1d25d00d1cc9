"""The emulated floating-point unit against Arm's published tables, and modes against its manuals."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from firmware_shim.build import Built
from tests.board.boards import NEEDED, built, floats, run

pytestmark = NEEDED
INVALID, SUBNORMAL_OPERAND, SUBNORMAL_RESULT = 1, 2, 16

C = """
#include <stdint.h>
int32_t to_signed(float x) { return (int32_t)x; }
uint32_t to_unsigned(float x) { return (uint32_t)x; }
float sum(float a, float b) { return a + b; }
float product(float a, float b) { return a * b; }
float quotient(float a, float b) { return a / b; }
int32_t whole(int32_t a, int32_t b) { return a / b; }
"""

# Arm DDI 0301H, table 22-12 (float to integer, saturating, NaN gives 0): input bits, signed result and whether
# it is invalid, unsigned result and whether it is.
CONVERSIONS = [
    (0x7FC00000, 0x00000000, True, 0x00000000, True),
    (0x7F800000, 0x7FFFFFFF, True, 0xFFFFFFFF, True),
    (0x4F000000, 0x7FFFFFFF, True, 0x80000000, False),
    (0x4EFFFFFF, 0x7FFFFF80, False, 0x7FFFFF80, False),
    (0xCF000000, 0x80000000, False, 0x00000000, True),
    (0xCF000001, 0x80000000, True, 0x00000000, True),
    (0xFF800000, 0x80000000, True, 0x00000000, True),
    (0x4F800000, 0x7FFFFFFF, True, 0xFFFFFFFF, True),
    (0xBF000000, 0x00000000, False, 0x00000000, False),
    (0xBF800000, 0xFFFFFFFF, False, 0x00000000, True),
]


@pytest.fixture(scope="module", params=["cortex-m4f", "cortex-m7d", "cortex-m33f"])
def image(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Built:
    names = ("to_signed", "to_unsigned", "sum", "product", "quotient", "whole")
    return built(tmp_path_factory.mktemp("arithmetic"), C, names, request.param)


@pytest.mark.parametrize(("name", "column"), [("to_signed", 1), ("to_unsigned", 3)])
def test_float_to_integer_is_arms_table(image: Built, name: str, column: int) -> None:
    outputs, result = run(image, name, floats([row[0] for row in CONVERSIONS]), keep_flags=True)
    assert [int(value) & 0xFFFFFFFF for value in outputs] == [row[column] for row in CONVERSIONS]
    assert [bool(flag & INVALID) for flag in result.flags[: len(CONVERSIONS)]] == [row[column + 1] for row in CONVERSIONS]


@pytest.mark.parametrize(("flush", "wanted", "flags"), [(False, 2, 0), (True, 0, SUBNORMAL_OPERAND)])
def test_subnormal_operands_are_flushed_only_when_asked(image: Built, flush: bool, wanted: int, flags: int) -> None:
    """FPSCR.FZ and IDC: DDI 0363E, section 12.4."""
    outputs, result = run(image, "sum", floats([1]), floats([1]), flush_to_zero=flush, keep_flags=True)
    assert outputs.view(np.uint32)[0] == wanted
    assert result.flags[0] == flags


def test_tiny_products_raise_the_result_flag(image: Built) -> None:
    """FPSCR.UFC: an inexact subnormal result; in flush-to-zero mode each flushed one."""
    tiny = floats([0x1E3CE508])  # 1e-20
    _, result = run(image, "product", tiny, tiny, keep_flags=True)
    assert result.flags[0] & SUBNORMAL_RESULT
    outputs, result = run(image, "product", tiny, tiny, flush_to_zero=True, keep_flags=True)
    assert outputs[0] == 0 and result.flags[0] & SUBNORMAL_RESULT


@pytest.mark.parametrize(("default", "wanted"), [(False, 0x7FC12345), (True, 0x7FC00000)])
def test_default_nan_mode(image: Built, default: bool, wanted: int) -> None:
    outputs, _ = run(image, "sum", floats([0x7FC12345]), floats([0x3F800000]), default_nan=default)
    assert outputs.view(np.uint32)[0] == wanted


def test_integer_division_by_zero_gives_zero(image: Built) -> None:
    """Armv7-M without the trap: SDIV by zero gives 0, and INT_MIN / -1 gives INT_MIN."""
    a, b = np.array([7, -(2**31)], np.int32), np.array([0, -1], np.int32)
    outputs, result = run(image, "whole", a, b)
    assert not result.stops
    assert outputs.tolist() == [0, -(2**31)]


def test_single_operations_equal_this_computers(image: Built) -> None:
    """Add, multiply and divide are correctly rounded on both sides."""
    random = np.random.default_rng(3)
    a, b = (random.integers(0, 2**32, 4096, dtype=np.uint64).astype(np.uint32).view(np.float32) for _ in range(2))
    with np.errstate(all="ignore"):
        wanted = {"sum": a + b, "product": a * b, "quotient": a / b}
    for name, right in wanted.items():
        outputs, _ = run(image, name, a, b)
        numbers = ~(np.isnan(right) | np.isnan(outputs))
        assert np.array_equal(np.isnan(right), np.isnan(outputs)), name
        assert np.array_equal(outputs[numbers].view(np.uint32), right[numbers].view(np.uint32)), name


def test_text_of_the_image_is_for_the_core(image: Built) -> None:
    assert image.compiler.c_library.startswith("newlib")
    assert image.compiler.target.startswith("arm")
    assert Path(image.library).read_bytes()[:5] == b"\x7fELF\x01"
