"""newlib as it is linked for two cores, at published worst inputs and around them.

Maxima over all inputs: P. Zimmermann and others, "Accuracy of Mathematical Functions in Single, Double, Extended
Double and Quadruple Precision" (hal-03141101), worst inputs for Newlib as listed by M. Mikaitis and T. Rizyal,
"Accuracy of Mathematical Functions in Julia" (arXiv 2509.05666); code for cores with double precision: the
headers of the Arm optimized routines (exp2f 0.502, expf 0.502, logf 0.818, log2f 0.752, sinf 0.5607 ULP).
"""

from __future__ import annotations

from fractions import Fraction

import mpmath
import numpy as np
import pytest

from firmware_shim.build import Built
from tests.board.boards import NEEDED, built, run

pytestmark = NEEDED
NAMES = ("exp2f", "expf", "logf", "log2f", "sinf", "cosf", "tanf", "tanhf")
C = "#include <math.h>\n" + "".join(f"float own_{name}(float x) {{ return {name}(x); }}\n" for name in NAMES)
EXACT = {"exp2f": lambda ctx, x: ctx.power(2, x), "expf": lambda ctx, x: ctx.exp(x), "logf": lambda ctx, x: ctx.log(x),
         "log2f": lambda ctx, x: ctx.log(x, 2), "sinf": lambda ctx, x: ctx.sin(x), "cosf": lambda ctx, x: ctx.cos(x),
         "tanf": lambda ctx, x: ctx.tan(x), "tanhf": lambda ctx, x: ctx.tanh(x)}

# Core without double precision: the older code. Function, worst input, its error in ULP, what it returns there.
OLDER = [
    ("expf", "-0x1.2e35b6p+5", 0.910078, "0x1.6a2544p-55"),
    ("exp2f", "0x1.003678p-1", 0.875121, None),
    ("sinf", "0x1.ffe2a4p+101", 1.361356, "-0x1.6edda4p-1"),
    ("cosf", "0x1.921fcp+0", 2.905172, "-0x1.5777ap-21"),
    ("tanf", "0x1.921fcp+0", 3.478363, "-0x1.7d9d3ep+20"),
    ("tanhf", "0x1.ddca18p-3", 2.188555, "0x1.d54e4ap-3"),
]
# Here the delivered library differs from the published figures: it was compiled with fused multiplication and addition.
FUSED = [("logf", "0x1.472fdep+0", 0.887945), ("log2f", "0x1.69cf3ep+0", 1.644368)]
NEWER = [
    ("exp2f", "-0x1.4795f8p-7", 0.501636, None),
    ("expf", "-0x1.ce651ep-8", 0.501637, None),
    ("logf", "0x1.060106p+0", 0.817664, None),
    ("log2f", "0x1.0057f8p+0", 0.751762, None),
    ("sinf", "0x1.0c05ccp-1", 0.560697, None),
    ("tanhf", "0x1.ddca18p-3", 2.188555, "0x1.d54e4ap-3"),
]


@pytest.fixture(scope="module")
def images(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Built]:
    names = tuple(f"own_{name}" for name in NAMES)
    folder = tmp_path_factory.mktemp("library")
    return {core: built(folder / core, C, names, core) for core in ("cortex-m4f", "cortex-m7d")}


def error_ulp(name: str, x: float, got: float) -> float:
    """Distance from the true value in units of the last place at the true value."""
    with mpmath.workprec(400):
        right = EXACT[name](mpmath, mpmath.mpf(x))
        _, exponent = mpmath.frexp(right)
        return float(abs(mpmath.mpf(got) - right) / mpmath.ldexp(1, max(int(exponent) - 1, -126) - 23))


@pytest.mark.parametrize(("core", "row"), [("cortex-m4f", row) for row in OLDER] + [("cortex-m7d", row) for row in NEWER],
                         ids=lambda value: value if isinstance(value, str) else value[0])
def test_error_at_the_published_worst_input(images: dict[str, Built], core: str, row: tuple[str, str, float, str]) -> None:
    name, text, published, returned = row
    x = np.array([float.fromhex(text)], np.float32)
    outputs, result = run(images[core], f"own_{name}", x)
    assert not result.stops and not result.load_problem
    assert error_ulp(name, float(x[0]), float(outputs[0])) == pytest.approx(published, abs=2e-6)
    if returned is not None:
        assert float(outputs[0]) == float.fromhex(returned)


@pytest.mark.parametrize(("core", "row"), [("cortex-m4f", OLDER[1]), ("cortex-m7d", NEWER[0]), ("cortex-m7d", NEWER[4])],
                         ids=["older exp2f", "newer exp2f", "newer sinf"])
def test_no_neighbour_is_worse_than_the_published_maximum(
        images: dict[str, Built], core: str, row: tuple[str, str, float, str]) -> None:
    name, text, published, _ = row
    middle = int(np.float32(float.fromhex(text)).view(np.uint32))
    bits = np.arange(middle - 2**14, middle + 2**14, dtype=np.uint32)
    x = bits.view(np.float32)
    outputs, _ = run(images[core], f"own_{name}", x)
    reference = {"exp2f": np.exp2, "sinf": np.sin}[name](x.astype(np.float64))
    ulp = np.ldexp(1.0, np.maximum(np.frexp(np.abs(reference))[1] - 1, -126) - 23)
    errors = np.abs(outputs.astype(np.float64) - reference) / ulp
    assert errors.max() <= published + 1e-5
    assert float(x[np.argmax(errors)]) == float.fromhex(text)


@pytest.mark.parametrize("row", FUSED, ids=lambda row: row[0])
def test_fused_library_code_is_no_worse_than_published(images: dict[str, Built], row: tuple[str, str, float]) -> None:
    name, text, published = row
    outputs, _ = run(images["cortex-m4f"], f"own_{name}", np.array([float.fromhex(text)], np.float32))
    assert error_ulp(name, float.fromhex(text), float(outputs[0])) < published


def test_the_older_code_returns_zero_where_a_subnormal_is_right(images: dict[str, Built]) -> None:
    """exp2f(-0x1.2a0002p+7) is 0x1p-149 when correctly rounded; newlib's older code returns 0."""
    outputs, _ = run(images["cortex-m4f"], "own_exp2f", np.array([float.fromhex("-0x1.2a0002p+7")], np.float32))
    assert outputs[0] == 0
    assert Fraction(float.fromhex("0x1p-149")) > 0


def test_one_source_gives_other_bits_on_the_two_cores(images: dict[str, Built]) -> None:
    x = np.linspace(0.5, 5, 4096, dtype=np.float32)
    first, second = (run(images[core], "own_exp2f", x)[0] for core in images)
    different = np.flatnonzero(first.view(np.uint32) != second.view(np.uint32))
    assert 0 < len(different) < len(x)
    assert np.abs(first.view(np.int32) - second.view(np.int32)).max() == 1
