"""The C library of this machine through a real sheet: its exp2f errs as much as published, and where known.

Figures: GLIBC_STATED (0.502, source headers) and GLIBC_MEASURED (0.501636 at -0x1.4795f8p-7) of
ulp_published_rows, both for the table-driven exp2f of glibc >= 2.27.
"""

import platform
from pathlib import Path
from typing import Any

import pytest

from tests.external.ulp_published_rows import GLIBC_MEASURED, GLIBC_STATED
from verify.hunting.plan import Plan, thorough
from verify.reports.record import plain
from verify.session import Check
from verify.sheet import load_sheet

C = """\
#include <math.h>
float plain_exp2(float x) { return exp2f(x); }
float hz(float volts) { return 65.40639f * exp2f(volts); }
"""
SHEET = """\
from fractions import Fraction
from verify import *

def power(ctx, x):
    return ctx.exp2(x)

def scaled(ctx, volts):
    # The constant as a binary32 holds it: the claim is about the multiplication and exp2f alone.
    return Fraction(float.fromhex("0x1.05a024p+6")) * ctx.exp2(volts)

s = Sheet(sources=["library.c"], flags="-O2 -fno-builtin", builds=["host"])
"""
EXP2 = 's.function("plain_exp2", inputs=[binary32("x", {low}, {high}, "")], output="", reference=power,\n' \
       '           claims=[accurate(ulp={limit}, because="published")])\n'
HZ = 's.function("hz", inputs=[binary32("volts", {low}, {high}, "V")], output="Hz", reference=scaled,\n' \
     '           claims=[accurate(ulp={limit}, because="one more rounding")])\n'

STATED = next(row for row in GLIBC_STATED if row.function == "exp2f")
MEASURED = next(row for row in GLIBC_MEASURED if row.function == "exp2f")


def why_not() -> str:
    """Why the known figures do not speak of this machine; "" when they do."""
    name, version = platform.libc_ver()
    if name != "glibc" or tuple(map(int, version.split(".")[:2])) < (2, 27):
        return f"the figures are those of glibc >= 2.27, this is {name or 'another C library'} {version}"
    if platform.machine() != "x86_64":
        return "the place was measured on x86-64 only"
    words = Path("/proc/cpuinfo").read_text(encoding="utf-8").split()
    if not {"fma", "avx2"} <= set(words):
        return "the place was measured with fused multiply-add, which this processor lacks"
    return ""


pytestmark = pytest.mark.skipif(bool(why_not()), reason=why_not() or "-")


def claim(folder: Path, entry: str, plan: Plan | None = None) -> dict[str, Any]:
    """The accuracy claim of the one routine of a sheet."""
    folder.mkdir(exist_ok=True)
    (folder / "library.c").write_text(C, encoding="utf-8")
    (folder / "library_sheet.py").write_text(SHEET + entry, encoding="utf-8")
    record = plain(Check(load_sheet(folder / "library_sheet.py"), plan or Plan(), lambda *_: None, workers=2).run())
    (routine,) = record["routines"]
    found: dict[str, Any] = next(c for c in routine["claims"] if c["claim"] == "accurate")
    return found


def near_the_worst(limit: float) -> str:
    return EXP2.format(low="-0.0100", high="-0.0099", limit=limit)


def test_the_stated_limit_holds_and_the_worst_is_the_known_one_at_the_known_place(tmp_path: Path, gcc: str) -> None:
    found = claim(tmp_path, near_the_worst(STATED.error_ulp))

    assert "holds (every value)" == found["verdict_text"]
    assert f"{MEASURED.error_ulp:.6f}" == f"{abs(found['worst']['value']):.6f}"
    assert float.fromhex(MEASURED.at) == float.fromhex(found["worst"]["at"][0]["hex"])


def test_a_limit_just_below_the_known_maximum_fails_at_that_place(tmp_path: Path, gcc: str) -> None:
    found = claim(tmp_path, near_the_worst(0.5016))

    assert "fails" == found["verdict"]
    assert float.fromhex(MEASURED.at) == float.fromhex(found["worst"]["at"][0]["hex"])
    assert MEASURED.error_ulp == pytest.approx(0.5016 * found["worst"]["times_limit"], abs=5e-7)
    assert float.fromhex(found["witness"]["inputs"][0]["hex"]) < 0
    assert "0.50160" < found["witness"]["error"].lstrip("+-")


def test_one_more_multiplication_costs_at_most_one_more_rounding(tmp_path: Path, gcc: str) -> None:
    # Half an ULP of the product, and the 0.502 ULP of the factor grown by at most 2 in the product's unit.
    found = claim(tmp_path, HZ.format(low="4.9", high="5", limit=0.5 + 2 * STATED.error_ulp))

    assert "holds (every value)" == found["verdict_text"]
    assert 0.5 < abs(found["worst"]["value"])


@pytest.mark.nightly
@pytest.mark.full
def test_every_normal_result_keeps_the_stated_limit_and_the_maximum_is_the_known_one(
    tmp_path: Path, gcc: str
) -> None:
    entry = EXP2.format(low="-126", high='float.fromhex("0x1.fffffep+6")', limit=STATED.error_ulp)
    found = claim(tmp_path, entry, thorough())

    assert "holds (every value)" == found["verdict_text"]
    assert f"{MEASURED.error_ulp:.6f}" == f"{abs(found['worst']['value']):.6f}"
    assert float.fromhex(MEASURED.at) == float.fromhex(found["worst"]["at"][0]["hex"])


@pytest.mark.nightly
@pytest.mark.full
def test_every_pitch_voltage_from_0_to_5_keeps_the_limit_of_two_roundings(tmp_path: Path, gcc: str) -> None:
    found = claim(tmp_path, HZ.format(low="0", high="5", limit=0.5 + 2 * STATED.error_ulp), thorough())

    assert "holds (every value)" == found["verdict_text"]
    # The same code measured on another processor's library: 1.0117 ULP near 0.08296527 V.
    assert 1.0117 == pytest.approx(abs(found["worst"]["value"]), abs=5e-5)
    assert 0.08296527 == pytest.approx(float(found["worst"]["at"][0]["value"]), abs=5e-9)
