"""Whether two programs are the same but for one function that stands alone: read from their objects."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from firmware_shim.same_code import only_differ_in, same_function, without_inlining
from firmware_shim.sections_apart import apart

pytestmark = pytest.mark.skipif(shutil.which("gcc") is None, reason="needs gcc")
C = """\
#include <math.h>
static int calls;
static const float TABLE[4] = {0.25f, 0.5f, 0.75f, 1.0f};
float level(float x) { BODY }
float other(float x) { return x * 3.25f + TABLE[1]; }
float twice(float x) { calls += 1; return level(x) + level(x * 0.125f) + other(x); }
"""
OLD = "return x > 1.0f ? 1.0f : x;"
OWN = ["-O2", "-fPIC", "-fno-semantic-interposition", "-ffunction-sections", "-fdata-sections", "-fno-math-errno"]
APART = without_inlining("gcc")


def made(folder: Path, name: str, body: str, flags: str = APART, old: str = "", new: str = "") -> list[Path]:
    """The object of the program with a body for its function, constants apart as in every build."""
    text = C.replace("BODY", body)
    assert old in text
    (folder / f"{name}.c").write_text(text.replace(old, new) if old else text)
    subprocess.run(["gcc", *OWN, *flags.split(), "-S", f"{name}.c"], cwd=folder, check=True)
    (folder / f"{name}.s").write_text(apart((folder / f"{name}.s").read_text()))
    subprocess.run(["gcc", "-c", f"{name}.s"], cwd=folder, check=True)
    return [folder / f"{name}.o"]


@pytest.mark.parametrize("body", [
    "return x >= 1.0f ? 1.0f : x;", "return x > 1.0f ? 1.0f : x * 1.5f + 0.375f;", "return TABLE[2] + x;",
    "return rintf(x) + 0.625f;"])
def test_one_function_more_or_less_constants_differ(tmp_path: Path, body: str) -> None:
    old, new = made(tmp_path, "old", OLD), made(tmp_path, "new", body)

    assert only_differ_in("level", old, new)
    assert not same_function("level", old, new)
    assert same_function("other", old, new)
    assert not only_differ_in("other", old, new)
    assert not only_differ_in("gone", old, new)


@pytest.mark.parametrize(("why", "body", "flags", "before", "after"), [
    ("it was taken into its caller", OLD, "", "x > 1.0f", "x > 1.5f"),
    ("it keeps something", "calls += 2; " + OLD, APART, "x > 1.0f", "x >= 1.0f"),
    ("it reads what changes", "return calls ? x : 1.0f;", APART, "? x", "? -x"),
    ("a constant of another function", OLD, APART, "3.25f", "3.5f"),
    ("a table of another function", OLD, APART, "0.5f,", "0.625f,"),
    ("another function", OLD, APART, "calls += 1", "calls += 3"),
    ("it calls what nobody knows", "extern float far_away(float); return far_away(x);", APART, "", ""),
])
def test_what_is_not_the_same_is_told(tmp_path: Path, why: str, body: str, flags: str, before: str, after: str) -> None:
    old, new = made(tmp_path, "old", body, flags), made(tmp_path, "new", body, flags, before, after)

    assert not only_differ_in("level", old, new), why


def test_what_looks_at_traces_of_a_function_is_refused(tmp_path: Path) -> None:
    looks = ("#include <math.h>\n", "#include <errno.h>\n#include <math.h>\n")
    seen = ("calls += 1;", "calls += errno;")
    texts = []
    for name, body in (("old", OLD), ("new", "return x >= 1.0f ? 1.0f : x;")):
        (path,) = made(tmp_path, name, body)
        (tmp_path / f"{name}.c").write_text(C.replace("BODY", body).replace(*looks).replace(*seen))
        subprocess.run(["gcc", "-O2", "-c", "-ffunction-sections", *APART.split(), f"{name}.c"], cwd=tmp_path, check=True)
        texts.append([path])

    assert not only_differ_in("level", *texts)


def test_what_is_no_object_is_no_proof(tmp_path: Path) -> None:
    (tmp_path / "x.o").write_text("text")

    assert not only_differ_in("level", [tmp_path / "x.o"], [tmp_path / "x.o"])
    assert not same_function("level", [tmp_path / "gone.o"], [tmp_path / "gone.o"])
