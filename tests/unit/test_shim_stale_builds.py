"""Attacks on stored builds: each changes what a compiler would read, in a way that no text of the known files tells."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from firmware_shim.build import Request, build
from tests.unit.test_shim_build_cache import value

pytestmark = pytest.mark.usefixtures("gcc")

F = "float f(float x) { return x * GAIN; }\n"
NEAR = {"src/a.c": '#include "lib/a.h"\n' + F, "src/lib/a.h": '#include "gain.h"\n', "common/gain.h": "#define GAIN 2\n"}
DEEP = {"src/a.c": '#include "x/y/z/gain.h"\n' + F, "common/x/y/z/gain.h": "#define GAIN 2\n", "near/none.h": "\n"}
ASKED = {"src/a.c": '#if __has_include("own.h")\n#include "own.h"\n#else\n#define GAIN 2\n#endif\n' + F,
         "common/none.h": "\n"}
ASKED_BY_NAME = {**ASKED, "src/a.c": '#define OWN "own.h"\n' + ASKED["src/a.c"].replace('("own.h")', "(OWN)")}
ASKED_ON_TWO_LINES = {**ASKED, "src/a.c": ASKED["src/a.c"].replace("include(", "include \\\n  (")}
ASKED_OTHERWISE = {**ASKED, "src/a.c": "#define HAS __has_include\n" + ASKED["src/a.c"].replace("__has_include(", "HAS(")}
BYTES = {"src/a.c": '__asm__(".section .rodata\\n.globl gain\\ngain: .incbin \\"FOLDER/gain.bin\\"\\n.previous");\n'
                    "extern const unsigned char gain;\nfloat f(float x) { return x * gain; }\n", "gain.bin": "\2"}
BYTES_BY_MACRO = {**BYTES, "src/a.c": '#define TAKE "in" "cbin "\n' + BYTES["src/a.c"].replace("incbin ", '" TAKE "')}
ANSWERS = {"src/a.c": F, "outer.rsp": "-O1 @FOLDER/inner.rsp\n", "inner.rsp": "-DGAIN=2\n"}
LINKED = {"one/a.c": '#include "gain.h"\n' + F, "one/gain.h": "#define GAIN 2\n", "two/a.c": '#include "gain.h"\n' + F,
          "two/gain.h": "#define GAIN 9\n"}
PLAIN = {"src/a.c": '#include "gain.h"\n' + F, "common/gain.h": "#define GAIN 2\n"}
BEHIND = {"src": "-> away/deep/src", "away/deep/src/a.c": '#include "../common/gain.h"\n' + F,
          "away/deep/common/gain.h": "#define GAIN 2\n", "common/gain.h": "#define GAIN 3\n"}
NOTHING_HERE = {name: text for name, text in BEHIND.items() if name != "common/gain.h"}
FOLDER_BEHIND = {"lib": "-> away/deep/lib", "away/deep/lib/none.h": "\n", "src/a.c": '#include "gain.h"\n' + F,
                 "away/deep/common/gain.h": "#define GAIN 2\n", "common/gain.h": "#define GAIN 3\n"}


def write(folder: Path, files: dict[str, str]) -> None:
    for name, text in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        if text.startswith("-> "):
            (folder / name).symlink_to(text.removeprefix("-> "))
        else:
            (folder / name).write_text(text.replace("FOLDER", str(folder)))


def writes(name: str, text: str) -> Callable[[Path], None]:
    return lambda folder: write(folder, {name: text})


def points_elsewhere(folder: Path) -> None:
    (folder / "src").unlink()
    (folder / "src").symlink_to("two")


ATTACKS: dict[str, tuple[dict[str, str], str, Callable[[Path], None]]] = {
    "a header beside the header that includes it": (NEAR, "-Icommon", writes("src/lib/gain.h", "#define GAIN 9\n")),
    "a header of the same long name found earlier":
        (DEEP, "-Inear -Icommon", writes("near/x/y/z/gain.h", "#define GAIN 9\n")),
    "a header that was asked for and not there": (ASKED, "-Icommon", writes("common/own.h", "#define GAIN 9\n")),
    "the same, asked for by a macro": (ASKED_BY_NAME, "-Icommon", writes("common/own.h", "#define GAIN 9\n")),
    "bytes that the assembler takes in": (BYTES, "", writes("gain.bin", "\11")),
    "the same, its name made by a macro": (BYTES_BY_MACRO, "", writes("gain.bin", "\11")),
    "a header asked for on two lines": (ASKED_ON_TWO_LINES, "-Icommon", writes("common/own.h", "#define GAIN 9\n")),
    "a header asked for by another word": (ASKED_OTHERWISE, "-Icommon", writes("common/own.h", "#define GAIN 9\n")),
    "a header above a folder that is a link": (BEHIND, "", writes("away/deep/common/gain.h", "#define GAIN 9\n")),
    "the same, and nothing where it seems to lie":
        (NOTHING_HERE, "", writes("away/deep/common/gain.h", "#define GAIN 9\n")),
    "a folder of headers above a link":
        (FOLDER_BEHIND, "-Ilib/../common", writes("away/deep/common/gain.h", "#define GAIN 9\n")),
    "a response file inside a response file": (ANSWERS, "@FOLDER/outer.rsp", writes("inner.rsp", "-DGAIN=9\n")),
    "a folder of sources that is a link": (LINKED, "", points_elsewhere),
    "a header earlier on a path of the environment": (PLAIN, "", writes("env/gain.h", "#define GAIN 9\n")),
}


BUILT_EACH_TIME = ("the same, asked for by a macro", "a header asked for by another word",
                   "bytes that the assembler takes in", "the same, its name made by a macro")


@pytest.mark.parametrize("attack", ATTACKS)
def test_a_stale_build_is_not_used(tmp_path: Path, attack: str, monkeypatch: pytest.MonkeyPatch) -> None:
    files, flags, change = ATTACKS[attack]
    write(tmp_path, files)
    if files is LINKED:
        (tmp_path / "src").symlink_to("one")
    if files is PLAIN:
        (tmp_path / "env").mkdir()
        monkeypatch.setenv("CPATH", f"{tmp_path}/env{os.pathsep}{tmp_path}/common")
    request = Request((Path("src/a.c"),), routines=("f",), flags=flags.replace("FOLDER", str(tmp_path)), folder=tmp_path)
    first = build(request, tmp_path / "cache")
    again = build(request, tmp_path / "cache")
    change(tmp_path)
    second = build(request, tmp_path / "cache")

    assert (2.0, 9.0) == (value(first, "f", 1.0), value(second, "f", 1.0))
    assert not second.reused
    assert again.reused or attack in BUILT_EACH_TIME


def test_a_wrapper_that_reads_a_variable(tmp_path: Path, gcc: str, monkeypatch: pytest.MonkeyPatch) -> None:
    write(tmp_path, {"a.c": F, "cc": f'#!/bin/sh\nexec {gcc} -DGAIN="${{OWN_GAIN:-2}}" "$@"\n'})
    (tmp_path / "cc").chmod(0o755)
    request = Request((Path("a.c"),), routines=("f",), folder=tmp_path, compiler=str(tmp_path / "cc"))
    first = build(request, tmp_path / "cache")
    monkeypatch.setenv("OWN_GAIN", "9")
    second = build(request, tmp_path / "cache")

    assert (2.0, 9.0) == (value(first, "f", 1.0), value(second, "f", 1.0))
