"""Real C that no one here wrote, through sheets: sine and square root of a public DSP library, in three formats.

Fetched at test time as the source distribution cmsisdsp 1.10.3 (Apache-2.0). Figures measured by others on
the same code: sine 4.57 to 4.6 steps (Q15), 1.88234e-5 (Q31), 1.88472e-5 (float, 20 011 points in [-pi, pi]); its float to
Q15 conversion cuts toward zero; square root in Q15 off by 7.2 steps at most over all positive inputs.
"""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
import tarfile
from pathlib import Path

import pytest

from tests.end_to_end.test_command_line import preflash

pytestmark = pytest.mark.usefixtures("gcc", "private_cache")

NAME, VERSION = "cmsisdsp", "1.10.3"
ROOT = Path(__file__).parents[2]

# A loop cannot carry pointers of its own: the two that the library asks for are given here.
AROUND = """\
#include "arm_math.h"
q15_t root_q15(q15_t x) { q15_t y; arm_sqrt_q15(x, &y); return y; }
q31_t root_q31(q31_t x) { q31_t y; arm_sqrt_q31(x, &y); return y; }
float root_float(float x) { float32_t y; arm_sqrt_f32(x, &y); return y; }
q15_t q15_of(float x) { q15_t y; arm_float_to_q15(&x, &y, 1); return y; }
q15_t product_q15(q15_t a, q15_t b) { q15_t y; arm_mult_q15(&a, &b, &y, 1); return y; }
q31_t product_q31(q31_t a, q31_t b) { q31_t y; arm_mult_q31(&a, &b, &y, 1); return y; }
"""
SOURCES = ("FastMathFunctions/arm_sin_q15.c", "FastMathFunctions/arm_sin_q31.c", "FastMathFunctions/arm_sin_f32.c",
           "FastMathFunctions/arm_sqrt_q15.c", "FastMathFunctions/arm_sqrt_q31.c", "SupportFunctions/arm_float_to_q15.c",
           "BasicMathFunctions/arm_mult_q15.c", "BasicMathFunctions/arm_mult_q31.c", "CommonTables/arm_common_tables.c")
HEAD = """\
import math
from verify import *
firmware = Sheet(sources=[{sources}], include=["Include", "PrivateInclude"], defines=["__GNUC_PYTHON__"], builds=["host"])
WHY = "measured"

def sine_of_turns(ctx, turns):
    return ctx.sin_turns(turns)

def sine(ctx, x):
    return ctx.sin_turns(x / (2 * ctx.pi))

def sine_of_steps(ctx, steps):
    return ctx.sin_turns(steps / 2**31)

def root(ctx, x):
    return ctx.sqrt(x)

def root_of_steps(ctx, steps):
    return ctx.sqrt(steps / 2**31)

def same(ctx, x):
    return ctx.clamp(x, ctx.number(-1), ctx.number("0.999969482421875"))

def product(ctx, a, b):
    return ctx.minimum(a * b, ctx.number("0.999969482421875"))
"""


def fetch(folder: Path) -> str:
    """Have pip fetch and unpack the source distribution; why not, "" when it is there."""
    tools = folder / "tools"
    pip = [sys.executable, "-m", "pip", "--disable-pip-version-check", "-q"]
    commands = [
        # Nothing is built: pip only asks the package for its name, for which it needs the build tool beside it.
        [*pip, "install", "--target", str(tools), "setuptools>=77"],
        [*pip, "download", "--no-deps", "--no-build-isolation", "--no-binary", ":all:", "-d", str(folder),
         f"{NAME}=={VERSION}"],
    ]
    for command in commands:
        environment = {**os.environ, "PYTHONPATH": str(tools)}
        try:
            done = subprocess.run(command, cwd=folder, env=environment, capture_output=True, text=True, timeout=120)
        except (OSError, subprocess.TimeoutExpired) as problem:
            return f"pip could not fetch it: {problem}"
        if done.returncode:
            return "pip could not fetch it: " + (done.stderr.strip().splitlines() or ["no message"])[-1]
    found = list(folder.glob(f"{NAME}-*.tar.gz"))
    if not found:
        return "pip brought no source distribution"
    with tarfile.open(found[0]) as archive:
        archive.extractall(folder, filter="data")
    return ""


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("dsp")
    why = fetch(folder)
    if why:
        pytest.skip(f"third-party DSP library: {why}")
    return folder / f"{NAME}-{VERSION}"


def verdicts(library: Path, routines: str) -> dict[tuple[str, str], str]:
    """(routine, claim) -> verdict of a sheet over the library."""
    (library / "around.c").write_text(AROUND, encoding="utf-8")
    listed = ", ".join(f'"Source/{source}"' for source in SOURCES) + ', "around.c"'
    (library / "dsp_sheet.py").write_text(HEAD.format(sources=listed) + routines, encoding="utf-8")
    done = preflash(library, "check", "dsp_sheet.py")
    assert done.returncode in (0, 1), done.stdout + done.stderr
    record = json.loads((library / "reports" / "dsp.json").read_text())
    return {(r["name"], c["label"]): c["verdict"] for r in record["routines"] for c in r["claims"]}


def entry(name: str, inputs: str, output: str, reference: str, *limits: str) -> str:
    claims = ", ".join(f"accurate({limit}, because=WHY)" for limit in limits)
    return (f'firmware.function("{name}", inputs=[{inputs}], output={output}, reference={reference}, claims=[{claims}],\n'
            '    without={"no_hidden_events": "not asked here"})\n')


Q15 = 'fixed_output("full scale", fraction_bits=15)'
Q31 = 'fixed_output("full scale", fraction_bits=31)'


@pytest.mark.nightly
def test_sine_errs_as_much_as_others_measured(library: Path) -> None:
    points = ", ".join(repr(math.pi * (i - 10005) / 10005) for i in range(0, 20011))
    found = verdicts(
        library,
        entry("arm_sin_q15", 'fixed("turns", 0, 1 - 2**-15, "turn", fraction_bits=15)', Q15, "sine_of_turns",
              "lsb=4.6", "lsb=4.57")
        + entry("arm_sin_q31", 'integers("turns", 0, 2**31 - 1, "", step=2048)', Q31, "sine_of_steps", "absolute=1.884e-5",
                "absolute=1.8823e-5")
        + entry("arm_sin_f32", f'values("x", [{points}], "")', '""', "sine", "absolute=1.8848e-5", "absolute=1.8846e-5"),
    )

    for name, holds, fails in (("arm_sin_q15", "lsb=4.6", "lsb=4.57"),
                               ("arm_sin_q31", "absolute=1.884e-05", "absolute=1.8823e-05"),
                               ("arm_sin_f32", "absolute=1.8848e-05", "absolute=1.8846e-05")):
        assert ("holds", "fails") == (found[name, f"accurate({holds})"], found[name, f"accurate({fails})"]), name


def test_square_root_errs_as_much_as_others_measured(library: Path) -> None:
    found = verdicts(
        library,
        entry("root_q15", 'fixed("x", 0, 1 - 2**-15, "full scale", fraction_bits=15)', Q15, "root", "lsb=7.2", "lsb=7.15")
        + entry("root_q31", 'integers("x", 2048, 2**31 - 1, "", step=2048)', Q31, "root_of_steps", "lsb=12", "lsb=6")
        + entry("root_float", 'binary32("x", 1, 4, "")', '""', "root", "ulp=0.5", "ulp=0.4999"),
    )

    assert ("holds", "fails") == (found["root_q15", "accurate(lsb=7.2)"], found["root_q15", "accurate(lsb=7.15)"])
    assert ("holds", "fails") == (found["root_q31", "accurate(lsb=12)"], found["root_q31", "accurate(lsb=6)"])
    assert ("holds", "fails") == (found["root_float", "accurate(ulp=0.5)"], found["root_float", "accurate(ulp=0.4999)"])


@pytest.mark.nightly
def test_conversions_and_products_do_as_others_saw(library: Path) -> None:
    """-1.5 to 2 saturate; 0.9999 * 32768 = 32764.7 gives 32764; (-1)(-1) gives 32767."""
    found = verdicts(
        library,
        entry("q15_of", 'values("x", [-1.5, -1, -0.5, 0, 0.5, 0.9999, 1, 2], "full scale")', Q15, "same",
              "lsb=1", "lsb=0.5")
        + entry("product_q15", 'values("a", [-1, -0.5, 0.5], "ratio", fraction_bits=15), '
                               'values("b", [-1, -0.5, 0.5], "ratio", fraction_bits=15)', Q15, "product", "lsb=0"),
    )

    assert ("holds", "fails") == (found["q15_of", "accurate(lsb=1)"], found["q15_of", "accurate(lsb=0.5)"])
    assert "holds" == found["product_q15", "accurate(lsb=0)"]


@pytest.mark.nightly
@pytest.mark.parametrize(
    "header", ["fast_math_functions.h", "basic_math_functions.h", "controller_functions.h", "filtering_functions.h",
               "interpolation_functions.h", "none.h", "utils.h"]
)
def test_a_first_sheet_from_its_headers_does_not_crash(library: Path, header: str, tmp_path: Path) -> None:
    out = tmp_path / "first_sheet.py"
    done = preflash(library, "new", f"Include/dsp/{header}", "--out", str(out), "--include", "Include",
                    "--include", "PrivateInclude", "--define", "__GNUC_PYTHON__")

    assert done.returncode in (0, 2, 3), done.stdout + done.stderr
    assert "preflash's own fault" not in done.stderr
    assert out.exists() == (done.returncode == 0)


@pytest.mark.nightly
def test_a_first_sheet_from_header_and_sources_runs(library: Path, tmp_path: Path) -> None:
    out = tmp_path / "first_sheet.py"
    sources = [f"Source/FastMathFunctions/{n}" for n in ("arm_sin_q15.c", "arm_cos_q15.c", "arm_sqrt_q15.c")]
    done = preflash(library, "new", "Include/dsp/fast_math_functions.h", *sources, "Source/CommonTables/arm_common_tables.c",
                    "--out", str(out), "--include", "Include", "--include", "PrivateInclude", "--define", "__GNUC_PYTHON__")
    assert 0 == done.returncode, done.stdout + done.stderr
    checked = preflash(tmp_path, "check", "first_sheet.py")

    assert checked.returncode in (0, 1), checked.stdout + checked.stderr
    assert "arm_sin_q15" in checked.stdout
