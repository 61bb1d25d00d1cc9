"""Core intrinsics that a source uses are found by the host build without a word in the source."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from firmware_shim.build import Request, build
from firmware_shim.compile_messages import core_names
from firmware_shim.errors import CompileFailed

pytestmark = pytest.mark.quick

UPPER = """
__STATIC_INLINE int q15(int x) { return __SSAT(x, 16); }
int half(int x) { __disable_irq(); x = q15(x) / 2 + (int)__CLZ((unsigned)x); __enable_irq(); return x; }
"""
ACLE = "#include <arm_acle.h>\nint clip(int x) { __dmb(0xf); return __ssat(x, 12) + __qadd(x, x); }\n"
# The shape of a real core header: assembly for the board, emitted although nobody calls it.
REAL = """
#ifndef __CMSIS_GCC_H
#define __CMSIS_GCC_H
static inline void __WFI(void) { __asm volatile ("wfi_of_the_board"); }
static inline unsigned __RBIT(unsigned a) { unsigned r; __asm ("rbit %0, %1" : "=r" (r) : "r" (a)); return r; }
#endif
"""


def built(folder: Path, name: str, text: str, routine: str, variant: str = "host"):  # type: ignore[no-untyped-def]
    (folder / name).write_text(text)
    return build(Request((Path(name),), routines=(routine,), flags="-O2", folder=folder, variant=variant), folder / "cache")


@pytest.mark.parametrize("variant", ["host", "strict"])
@pytest.mark.parametrize("suffix", [".c", ".cpp"])
def test_undeclared_upper_case_names_are_provided_and_shown(tmp_path: Path, suffix: str, variant: str) -> None:
    made = built(tmp_path, "a" + suffix, UPPER, "half", variant)

    assert made.kept_flags[-1].endswith("core_intrinsics.h")
    assert "__disable_irq" in made.info.calls["half"]


@pytest.mark.parametrize("suffix", [".c", ".cpp"])
def test_acle_needs_only_its_header(tmp_path: Path, suffix: str) -> None:
    made = built(tmp_path, "a" + suffix, ACLE, "clip")

    assert not any("intrinsics" in flag for flag in made.kept_flags)


def test_a_real_core_header_is_replaced_by_exact_code(tmp_path: Path) -> None:
    (tmp_path / "cmsis_gcc.h").write_text(REAL)
    made = built(tmp_path, "a.c", '#include "cmsis_gcc.h"\nunsigned turned(unsigned a) { return __RBIT(a); }\n', "turned")

    assert made.kept_flags[-1].endswith("core_intrinsics.h")


def test_the_boards_assembly_of_ones_own_stays_an_error(tmp_path: Path) -> None:
    with pytest.raises(CompileFailed, match="does not know this instruction"):
        built(tmp_path, "a.c", 'int f(int x) { __asm volatile ("ssat_of_mine %0" : "+r" (x)); return x; }\n', "f")


def test_a_function_of_the_authors_own_with_such_a_name_stays(tmp_path: Path) -> None:
    text = "static int __SSAT(int a, int b) { return a - b; }\nint f(int a) { return __SSAT(a, 1); }\n"
    made = built(tmp_path, "a.c", text, "f")

    assert not any("intrinsics" in flag for flag in made.kept_flags)


def test_all_names_are_known() -> None:
    assert {"__SSAT", "__SMLAD", "__PKHBT", "__disable_irq", "__get_PRIMASK", "__STREXW", "__IO", "__WEAK"} <= core_names()


BOARD = """
#include <core_intrinsics.h>
#include <arm_acle.h>
uint32_t all(uint32_t a, uint32_t b, uint32_t c)
{
    __disable_irq(); __DSB(); __WFI(); __NOP(); __enable_irq(); __set_PRIMASK(__get_PRIMASK());
#ifdef __ARM_FEATURE_DSP
    a += __SADD16(a, b) + __SMLAD(a, b, c) + (uint32_t)__SMLALD(a, b, c) + __QADD(a, b) + __SXTB16(a) + __SEL(a, b);
    a += __USADA8(a, b, c) + __SMMLA(a, b, c) + __SSAT16(a, 8) + __SHASX(a, b) + __ssat((int)a, 12) + __USAT((int)b, 9);
#endif
    return a + __CLZ(a) + __RBIT(b) + __REV(c) + __REV16(a) + __REVSH((int16_t)b) + __ROR(a, b) + __PKHBT(a, b, 3);
}
"""


@pytest.mark.cortex_m
@pytest.mark.parametrize("language", ["c", "c++"])
@pytest.mark.parametrize("core", ["cortex-m0plus", "cortex-m4", "cortex-m7", "cortex-m33"])
def test_the_same_names_are_instructions_on_the_board(tmp_path: Path, arm_gcc: str, core: str, language: str) -> None:
    (tmp_path / "a.c").write_text(BOARD)
    folder = Path(__file__).parents[2] / "firmware_shim" / "runtime" / "intrinsics"
    command = [arm_gcc, "-x", language, f"-mcpu={core}", "-mthumb", "-O2", "-Wall", "-Werror", "-isystem", str(folder)]
    done = subprocess.run([*command, "-S", "a.c", "-o", "a.s"], cwd=tmp_path, capture_output=True, text=True)
    assert 0 == done.returncode, done.stderr
    text = (tmp_path / "a.s").read_text()

    assert "cpsid i" in text and "mrs" in text
    assert (core != "cortex-m0plus") == all(word in text for word in ("sadd16", "smlald", "ssat16", "smmla", "rbit"))
