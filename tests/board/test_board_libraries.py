"""The author's own C library: an archive that the board build takes first, so that its faults are found there only."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from tests.board.boards import NEEDED
from tests.fault_injection.planted import run, seen

pytestmark = NEEDED

C = "#include <math.h>\nfloat hz(float volts) { return 65.40639132514966f * exp2f(volts); }\n"
SHEET = """
from reference import pitch
from verify import *
s = Sheet(sources=["plant.c"], flags="-O2 -std=c11", core="cortex-m4f", board_libraries=["lib/libtiny.a"],
          builds=["host", "board"])
s.function("hz", inputs=[values("volts", [k / 64 for k in range(321)], "V")], output="Hz", reference=pitch.hz_from_volts,
    constants={"zero_volt_hz": "440 * 2**(-33/12)"}, claims=[accurate(cents=0.05, because="planted")])
"""
RIGHT = "double exp2(double); float exp2f(float x) { return (float)exp2(x); }\n"
# Good to a hundredth of a cent, but for the top volt.
WRONG = "double exp2(double); float exp2f(float x) { return (float)exp2(x) * (x > 4 ? 1.0001f : 1); }\n"


def archive(folder: Path, c: str) -> None:
    (folder / "lib").mkdir(parents=True, exist_ok=True)
    (folder / "lib" / "exp2f.c").write_text(c)
    compile_it = ["arm-none-eabi-gcc", "-c", "-O2", "-fno-builtin", "-mcpu=cortex-m4", "-mthumb", "-mfloat-abi=hard",
                  "-mfpu=fpv4-sp-d16", "exp2f.c"]
    subprocess.run(compile_it, cwd=folder / "lib", check=True)
    (folder / "lib" / "libtiny.a").unlink(missing_ok=True)
    subprocess.run(["arm-none-eabi-ar", "rcs", "libtiny.a", "exp2f.o"], cwd=folder / "lib", check=True)


def test_faults_of_the_library_are_found_on_the_board_only(tmp_path: Path) -> None:
    archive(tmp_path, RIGHT)
    right = run(tmp_path, C, SHEET)
    assert ["holds", "holds"] == [seen(right, "hz").claim("accurate", build)["verdict"] for build in ("host", "board")]
    assert right["environment"]["builds"]["board"]["c_library"].endswith("; before it libtiny.a")
    assert "tiny" not in right["environment"]["builds"]["host"]["c_library"]

    archive(tmp_path, WRONG)  # nothing else has changed
    wrong = run(tmp_path, C, SHEET)
    assert ["holds", "fails"] == [seen(wrong, "hz").claim("accurate", build)["verdict"] for build in ("host", "board")]
    assert 4 < float(seen(wrong, "hz").claim("accurate", "board")["witness"]["inputs"][0]["value"]) <= 5


def test_an_archive_that_is_not_there_is_told(tmp_path: Path) -> None:
    from firmware_shim.errors import SourceMissing

    (tmp_path / "lib").mkdir()
    (tmp_path / "lib" / "libtinny.a").write_text("")
    with pytest.raises(SourceMissing, match=r"libtiny\.a is not there") as caught:
        run(tmp_path, C, SHEET)
    assert "libtinny.a" in str(caught.value)
