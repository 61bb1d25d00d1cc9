"""From sources to a library: what is found, what is refused and how it is said."""

import ctypes
from dataclasses import replace
from pathlib import Path

import pytest

from firmware_shim.build import Built, Request, build
from firmware_shim.compiler import find_compiler, run
from firmware_shim.errors import (
    CompileFailed,
    SourceMissing,
    SymbolMissing,
    UnknownFlag,
    UnsupportedPrototype,
)


def write(folder: Path, **texts: str) -> None:
    for name, text in texts.items():
        (folder / name.replace("__", ".")).write_text(text)


def value(built: Built, routine: str, x: float) -> float:
    """One call of a float -> float routine through its loop."""
    given, output, progress = ctypes.c_float(x), ctypes.c_float(), ctypes.c_long()
    inputs = (ctypes.c_void_p * 1)(ctypes.addressof(given))
    loop = getattr(ctypes.CDLL(str(built.library)), built.loops[routine])
    loop.argtypes = [ctypes.c_void_p, ctypes.c_void_p, ctypes.c_long, ctypes.c_void_p]
    loop(inputs, ctypes.addressof(output), 1, ctypes.addressof(progress))
    return output.value


def test_static_inline_and_header_functions_are_reached(tmp_path: Path) -> None:
    write(
        tmp_path,
        half__h="#pragma once\nstatic inline float half(float x) { return x * 0.5f; }\n"
        "inline float quarter(float x) { return x * 0.25f; }\n",
        one__c='#include "half.h"\nstatic float same(float x) { return half(x) + 1; }\n'
        "float one(float x) { return same(x); }\n",
        two__c='#include "half.h"\nstatic float same(float x) { return half(x) + 2; }\n'
        "float two(float x) { return same(x); }\nstatic float only_here(float x) { return x + 7; }\n",
    )
    routines = ("half", "quarter", "one", "two", "only_here", "same")
    sources = (tmp_path / "one.c", tmp_path / "two.c")
    built = build(Request(sources, flags="-O2 -std=gnu11", routines=routines), tmp_path / "cache")

    assert [2.0, 1.0, 3.0, 4.0, 11.0, 3.0] == [value(built, r, 4.0) for r in routines]
    assert {"one.c", "two.c", "half.h"} <= {Path(p).name for p in built.source_hashes}


def test_a_header_alone_can_be_the_source(tmp_path: Path) -> None:
    write(tmp_path, half__h="static inline float half(float x) { return x * 0.5f; }\n")
    built = build(Request((tmp_path / "half.h",), routines=("half",)), tmp_path / "cache")

    assert 2.0 == value(built, "half", 4.0)


def test_a_real_definition_wins_over_a_static_one_of_the_same_name(tmp_path: Path) -> None:
    write(
        tmp_path,
        one__c="static float f(float x) { return x + 1; }\nfloat one(float x) { return f(x); }\n",
        two__c="float f(float x) { return x + 2; }\n",
    )
    built = build(
        Request((tmp_path / "one.c", tmp_path / "two.c"), routines=("f", "one")), tmp_path / "cache"
    )

    assert [2.0, 1.0] == [value(built, "f", 0.0), value(built, "one", 0.0)]
    assert built.info.functions["f"].file.endswith("two.c")


def test_main_is_renamed_and_cannot_be_asked_for(tmp_path: Path) -> None:
    write(tmp_path, a__c="float f(float x) { return -x; }\nint main(void) { for (;;) f(1); }\n")
    built = build(Request((tmp_path / "a.c",), routines=("f",)), tmp_path / "cache")

    assert -3.0 == value(built, "f", 3.0)
    assert "main" not in built.info.functions
    with pytest.raises(UnsupportedPrototype):
        build(Request((tmp_path / "a.c",), routines=("main",)), tmp_path / "cache")


def test_defines_folders_and_forced_headers_reach_the_source(tmp_path: Path) -> None:
    (tmp_path / "inc").mkdir()
    (tmp_path / "inc" / "gain.h").write_text("#define GAIN 3\n")
    write(
        tmp_path,
        first__h="#define OFFSET 100\n",
        a__c='#include "gain.h"\nfloat f(float x) { return x * GAIN + OFFSET + MORE; }\n',
    )
    request = Request(
        (Path("a.c"),),
        include=(Path("inc"),),
        routines=("f",),
        defines=("MORE=1000",),
        headers=(Path("first.h"),),
        folder=tmp_path,
    )

    assert 1106.0 == value(build(request, tmp_path / "cache"), "f", 2.0)


def test_all_missing_headers_are_listed_at_once(tmp_path: Path) -> None:
    write(
        tmp_path,
        a__c='#include <math.h>\n#include "board_pins.h"\n#include <vendor/core.h>\nint a;\n',
        b__c='#include "codec.h"\nint b;\n',
    )
    with pytest.raises(CompileFailed) as caught:
        build(Request((tmp_path / "a.c", tmp_path / "b.c")), tmp_path / "cache")

    assert ("board_pins.h", "vendor/core.h", "codec.h") == caught.value.missing_headers
    assert (str(tmp_path / "a.c"), 2) == (caught.value.file, caught.value.line)
    assert all(name in str(caught.value) for name in caught.value.missing_headers)


@pytest.mark.parametrize(("header", "words"), [("cmaths", "C++ library"), ("board_pins.h", "include=[...]")])
def test_what_to_do_about_a_missing_header_fits_its_kind(tmp_path: Path, header: str, words: str) -> None:
    write(tmp_path, a__c=f"#include <{header}>\nint a;\n")
    with pytest.raises(CompileFailed) as caught:
        build(Request((tmp_path / "a.c",)), tmp_path / "cache")

    assert words in str(caught.value)


def test_the_first_error_is_reported_with_its_place(tmp_path: Path) -> None:
    write(tmp_path, a__c="float f(float x)\n{\n    return x +;\n}\nfloat g(float x) { return y; }\n")
    with pytest.raises(CompileFailed) as caught:
        build(Request((tmp_path / "a.c",)), tmp_path / "cache")

    error = caught.value
    assert (str(tmp_path / "a.c"), 3, 15) == (error.file, error.line, error.column)
    assert "expected expression" in error.text
    assert f"{tmp_path / 'a.c'}:3:15" == error.where
    assert 4 == len(str(error).splitlines())


def test_an_error_in_a_header_names_the_header(tmp_path: Path) -> None:
    write(tmp_path, h__h="int ok;\nint broken[;\n", a__c='#include "h.h"\n')
    with pytest.raises(CompileFailed) as caught:
        build(Request((tmp_path / "a.c",)), tmp_path / "cache")

    assert (str(tmp_path / "h.h"), 2) == (caught.value.file, caught.value.line)


def test_an_undefined_function_is_named_with_the_line_that_uses_it(tmp_path: Path) -> None:
    write(tmp_path, a__c="float read_codec(float);\n\nfloat f(float x)\n{\n    return read_codec(x);\n}\n")
    with pytest.raises(CompileFailed) as caught:
        build(Request((tmp_path / "a.c",), routines=("f",)), tmp_path / "cache")

    assert ("read_codec", str(tmp_path / "a.c"), 5) == (
        caught.value.symbol,
        caught.value.file,
        caught.value.line,
    )


def test_a_symbol_defined_twice_is_named(tmp_path: Path) -> None:
    write(tmp_path, a__c="int gain = 1;\n", b__c="int gain = 2;\n")
    with pytest.raises(CompileFailed) as caught:
        build(Request((tmp_path / "a.c", tmp_path / "b.c")), tmp_path / "cache")

    assert "gain" == caught.value.symbol


def test_an_instruction_of_the_board_is_said_to_be_one(tmp_path: Path) -> None:
    write(
        tmp_path, a__c='float f(float x)\n{\n    __asm volatile("vjcvt.nothing s0, s0");\n    return x;\n}\n'
    )
    with pytest.raises(CompileFailed) as caught:
        build(Request((tmp_path / "a.c",)), tmp_path / "cache")

    assert "instruction" in caught.value.why
    assert str(tmp_path / "a.c") in caught.value.where


def test_a_missing_routine_brings_the_nearest_names(tmp_path: Path) -> None:
    write(
        tmp_path,
        a__c="static float pitch_hz_from_volts(float x) { return x; }\nfloat other(float x) { return x; }\n",
    )
    with pytest.raises(SymbolMissing) as caught:
        build(Request((tmp_path / "a.c",), routines=("pitch_hz_form_volts",)), tmp_path / "cache")

    assert ("pitch_hz_from_volts",) == caught.value.nearest
    assert "did you mean pitch_hz_from_volts (a.c:1)" in caught.value.todo


@pytest.mark.parametrize(
    "request_",
    [
        Request(()),
        Request((Path("absent.c"),)),
        Request((Path("notes.txt"),)),
        Request((Path("a.c"),), include=(Path("nowhere"),)),
        Request((Path("a.c"),), headers=(Path("nowhere.h"),)),
        Request((Path("a.c"),), variant="fast"),
    ],
    ids=["none", "absent", "not C", "folder", "header", "variant"],
)
def test_a_request_that_cannot_be_met_is_a_clear_error(tmp_path: Path, request_: Request) -> None:
    write(tmp_path, a__c="int a;\n", notes__txt="")
    with pytest.raises(SourceMissing):
        build(replace(request_, folder=tmp_path), tmp_path / "cache")


def test_an_unknown_flag_stops_the_build(tmp_path: Path) -> None:
    write(tmp_path, a__c="int a;\n")
    with pytest.raises(UnknownFlag):
        build(Request((tmp_path / "a.c",), flags="-O2 -fno-such-thing"), tmp_path / "cache")


def test_extern_c_functions_of_a_cpp_source_are_reached(tmp_path: Path) -> None:
    if run([*find_compiler().command, "-x", "c++", "-fsyntax-only", "/dev/null"], folder=tmp_path).code != 0:
        pytest.skip("needs a C++ compiler: install g++")
    write(
        tmp_path,
        v__cpp="namespace dsp { template <class T> T twice(T x) { return x * 2; } }\n"
        'extern "C" float f(float x) { return dsp::twice(x); }\n',
    )
    built = build(Request((tmp_path / "v.cpp",), flags="-O2 -std=c++17", routines=("f",)), tmp_path / "cache")

    assert 6.0 == value(built, "f", 3.0)
