"""Loading a library built with the author's -Ofast leaves the processor's floating-point mode alone."""

import subprocess
import sys
from pathlib import Path

import pytest

from firmware_shim.build import Request, build
from firmware_shim.compiler import find_compiler, run

PROBE = """
import ctypes, sys
least = float.fromhex("0x1p-1022")
before = least * 0.5
print(before)
ctypes.CDLL(sys.argv[1])
print(least * float(sys.argv[2]))
"""


def _halved_after_loading(library: Path) -> list[float]:
    ran = subprocess.run(
        [sys.executable, "-c", PROBE, str(library), "0.5"],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    return [float(word) for word in ran.stdout.split()]


def test_loading_a_fast_library_keeps_subnormals(tmp_path: Path) -> None:
    (tmp_path / "a.c").write_text("float f(float x) { return x * 0.5f; }\n")
    built = build(
        Request((tmp_path / "a.c",), flags="-Ofast -ffast-math", routines=("f",)), tmp_path / "cache"
    )

    assert ("-Ofast", "-ffast-math") == built.kept_flags[-2:]
    assert [2.0**-1023, 2.0**-1023] == _halved_after_loading(built.library)


def test_the_probe_sees_the_mode_that_a_plain_link_would_set(tmp_path: Path) -> None:
    compiler = find_compiler()
    version = run([*compiler.command, "-dumpversion"]).out.split(".")[0]
    if compiler.family != "gcc" or int(version) > 12 or not compiler.target.startswith("x86_64"):
        pytest.skip("this compiler does not add the start-up object to shared libraries")
    (tmp_path / "a.c").write_text("float f(float x) { return x * 0.5f; }\n")
    run([*compiler.command, "-Ofast", "-shared", "-fPIC", "a.c", "-o", "fast.so"], folder=tmp_path)

    assert [2.0**-1023, 0.0] == _halved_after_loading(tmp_path / "fast.so")
