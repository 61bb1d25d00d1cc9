"""Generated loops: every scalar type arrives and returns unchanged; everything else is refused by name."""

import ctypes
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from firmware_shim.build import Built, Request, build
from firmware_shim.errors import UnsupportedPrototype
from firmware_shim.loop_source import element_type

pytestmark = pytest.mark.quick

# C type, the array element that carries it, values that need all of its bits and its sign.
SCALARS: list[tuple[str, Any, Sequence[float]]] = [
    ("float", ctypes.c_float, [0.0, -1.5, 2.0**-149, -(2.0**127)]),
    ("double", ctypes.c_double, [0.1, -(2.0**-1074), 2.0**1023]),
    ("int8_t", ctypes.c_int8, [-128, -1, 127]),
    ("uint8_t", ctypes.c_uint8, [0, 128, 255]),
    ("int16_t", ctypes.c_int16, [-32768, 32767]),
    ("uint16_t", ctypes.c_uint16, [0, 65535]),
    ("int32_t", ctypes.c_int32, [-(2**31), 2**31 - 1]),
    ("uint32_t", ctypes.c_uint32, [0, 2**32 - 1]),
    ("int64_t", ctypes.c_int64, [-(2**63), 2**63 - 1]),
    ("uint64_t", ctypes.c_uint64, [0, 2**64 - 1]),
    ("char", ctypes.c_uint8, [0, 200, 255]),
    ("long", ctypes.c_int64, [-(2**63), 2**63 - 1]),
    ("unsigned long", ctypes.c_uint64, [2**64 - 1]),
    ("long long", ctypes.c_int64, [-(2**63)]),
    ("size_t", ctypes.c_uint64, [2**64 - 1]),
    ("q15_t", ctypes.c_int16, [-32768]),
    ("const volatile int", ctypes.c_int32, [-5]),
    ("bool", ctypes.c_uint8, [0, 1]),
    ("enum shape", ctypes.c_uint8, [0, 3]),
    ("signed_mode", ctypes.c_int8, [-1, 1]),
]


def names(c_type: str) -> str:
    return "echo_" + c_type.replace(" ", "_")


def source() -> str:
    head = (
        "#include <stdint.h>\n#include <stdbool.h>\n#include <stddef.h>\ntypedef int16_t q15_t;\n"
        "enum shape { SAW, SQUARE, SINE = 3 };\ntypedef enum { DOWN = -1, UP = 1 } signed_mode;\n"
    )
    return head + "".join(f"static {t} {names(t)}({t} x) {{ return x; }}\n" for t, _, _ in SCALARS)


def call(built: Built, routine: str, result: Any, *columns: tuple[Any, Sequence[float]]) -> list[Any]:
    """Drive a loop over whole arrays and return what it wrote."""
    count = max((len(values) for _, values in columns), default=3)
    arrays = [(element * count)(*values) for element, values in columns]
    inputs = (ctypes.c_void_p * max(len(arrays), 1))(*(ctypes.addressof(a) for a in arrays))
    output = (result * count)()
    progress = ctypes.c_long(-1)
    loop = getattr(ctypes.CDLL(str(built.library)), built.loops[routine])
    loop.argtypes = [ctypes.c_void_p, ctypes.c_void_p, ctypes.c_long, ctypes.c_void_p]
    loop.restype = None
    loop(inputs, output, count, ctypes.addressof(progress))

    assert count == progress.value
    return list(output)


@pytest.fixture(scope="module", params=["-O0", "-O2", "-O3 -ffast-math -fvisibility=hidden"])
def echoes(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Built:
    folder = tmp_path_factory.mktemp("echo")
    (folder / "echo.c").write_text(source())
    routines = tuple(names(t) for t, _, _ in SCALARS)
    return build(Request((folder / "echo.c",), flags=request.param, routines=routines), folder / "cache")


@pytest.mark.parametrize(("c_type", "element", "values"), SCALARS, ids=[t for t, _, _ in SCALARS])
def test_every_scalar_type_passes_unchanged(
    echoes: Built, c_type: str, element: Any, values: Sequence[float]
) -> None:
    assert list(values) == call(echoes, names(c_type), element, (element, values))


def test_the_debug_information_leads_to_the_right_element(echoes: Built) -> None:
    plain = {ctypes.c_float: "float", ctypes.c_double: "double", ctypes.c_int8: "signed char",
             ctypes.c_uint8: "unsigned char", ctypes.c_int16: "short", ctypes.c_uint16: "unsigned short",
             ctypes.c_int32: "int", ctypes.c_uint32: "unsigned int", ctypes.c_int64: "long long",
             ctypes.c_uint64: "unsigned long long"}
    for c_type, element, _ in SCALARS:
        function = echoes.info.functions[names(c_type)]
        assert plain[element] == element_type(function.parameters[0].ctype), c_type
        assert plain[element] == element_type(function.result), c_type
        assert function.static


@pytest.fixture(scope="module")
def mixed(tmp_path_factory: pytest.TempPathFactory) -> Built:
    folder = tmp_path_factory.mktemp("mixed")
    (folder / "mixed.c").write_text(
        "#include <stdint.h>\n"
        "#define call 3\n#define out 4\n#define n 5\n#define i 6\n"
        "double blend(float a, int8_t b, double c, uint16_t d) { return a + b * c - d; }\n"
        "uint8_t next(void) { static uint8_t count = 40; return ++count; }\n"
        "int old(a, b) short a; float b; { return a - (int)b; }\n"
        "float gamma(float x) { return x + call; }\nfloat y1(float x) { return gamma(x) + n; }\n"
        "int main(void) { return 1; }\n"
    )
    routines = ("blend", "next", "old", "gamma", "y1")
    request = Request((folder / "mixed.c",), flags="-O2 -fno-builtin -std=gnu90", routines=routines)
    return build(request, folder / "cache")


def test_parameters_keep_their_order_and_types(mixed: Built) -> None:
    columns = ((ctypes.c_float, [0.5, 2.0]), (ctypes.c_int8, [-3, 4]),
               (ctypes.c_double, [0.25, -8.0]), (ctypes.c_uint16, [65535, 1]))

    assert [0.5 - 0.75 - 65535, 2.0 - 32.0 - 1] == call(mixed, "blend", ctypes.c_double, *columns)


def test_a_routine_without_parameters_is_called_once_per_element(mixed: Built) -> None:
    assert [41, 42, 43] == call(mixed, "next", ctypes.c_uint8)


def test_an_old_style_definition_receives_promoted_arguments(mixed: Built) -> None:
    assert [7 - 2] == call(mixed, "old", ctypes.c_int32, (ctypes.c_int16, [7]), (ctypes.c_float, [2.75]))


def test_a_routine_named_like_one_of_the_maths_library_stays_the_authors(mixed: Built) -> None:
    assert [4.0] == call(mixed, "gamma", ctypes.c_float, (ctypes.c_float, [1.0]))
    assert [9.0] == call(mixed, "y1", ctypes.c_float, (ctypes.c_float, [1.0]))


def test_the_routine_is_neither_inlined_into_its_loop_nor_specialised(tmp_path: Path) -> None:
    (tmp_path / "a.c").write_text("static inline float twice(float x) { return x * 2.0f; }\n")
    request = Request((tmp_path / "a.c",), flags="-O3", routines=("twice",))
    built = build(request, tmp_path / "cache")
    holders = {built.info.line_at(row[0]) for row in built.info.rows} - {None}
    inlined = [r for r in built.info.ranges if r[3] == "twice" and r[2] > 0]

    assert {"twice", "pf_loop_twice"} == {holder[0] for holder in holders if holder is not None}
    assert [] == inlined


REFUSED = [
    ("float f(const float *samples, int count) { return samples[count]; }", "samples", "pointer"),
    ("struct s { float a; }; float f(float x, struct s state) { return x + state.a; }", "state", "struct"),
    ("struct s { float a; }; struct s f(float x) { struct s r = {x}; return r; }", "result", "struct"),
    ("void f(float x) { (void)x; }", "result", "nothing"),
    ("float f(float x, long double depth) { return x + (float)depth; }", "depth", "long double"),
    ("int f(int first, ...) { return first; }", "...", "not in the prototype"),
    ("float f(float x, float _Complex z) { return x + __real__ z; }", "z", "complex"),
    ("float f(float x, __int128 wide) { return x + wide; }", "wide", "16 bytes"),
    ("float f(float x, float (*shape)(float)) { return shape(x); }", "shape", "pointer"),
    ("int f(int table[4]) { return table[0]; }", "table", "pointer"),
]


@pytest.mark.parametrize(("text", "parameter", "why"), REFUSED, ids=[p for _, p, _ in REFUSED])
def test_what_a_loop_cannot_carry_is_refused_by_name(
    tmp_path: Path, text: str, parameter: str, why: str
) -> None:
    (tmp_path / "a.c").write_text(f"\n{text}\n")

    with pytest.raises(UnsupportedPrototype) as caught:
        build(Request((tmp_path / "a.c",), routines=("f",)), tmp_path / "cache")

    assert parameter == caught.value.parameter
    assert parameter in caught.value.what
    assert why in caught.value.why
    assert "write the call out" in caught.value.todo
    assert caught.value.where.endswith("a.c:2")
