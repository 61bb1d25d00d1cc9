"""What is read from DWARF, in both versions that compilers write."""

from pathlib import Path

import pytest

from firmware_shim import debug_info
from firmware_shim.build import Built, Request, build
from firmware_shim.compiler import find_compiler, run
from firmware_shim.debug_info import CType, DebugInfo, read_debug_info
from firmware_shim.errors import SourceMissing

SOURCE = """\
#include <stdint.h>
#include <stddef.h>
#define POINTS 129
typedef int16_t q15_t;
typedef struct { float level; long ticks; uint64_t stamp; const float *wave; } voice_t;
struct chain { struct chain *next; voice_t voice[2]; };
const float sine[POINTS] = {0};
static uint16_t curve[2][17] = {{1}};
volatile float knob = 0.5f;
static int calls;
static inline float soften(float x)
{
    static const q15_t bend[33] = {1, 2};
    size_t at = (size_t)x;
    return x * bend[at % 33];
}
float shape(q15_t code, const voice_t *voice)
{
    unsigned long sum = 0;
    for (int i = 0; i < code; i++)
        sum += (unsigned long)i;
    calls++;
    return soften(voice->level) + (float)sum + knob + sine[code & 127] + curve[code & 1][3];
}
int64_t wide(int64_t a, uint64_t b, int_fast32_t c) { int64_t d = a + (int64_t)b; return d + c; }
float linked(const struct chain *chain) { return chain->voice[0].level; }
int count_all(int first, ...) { int local[4] = {first}; return local[first & 3]; }
double narrow(double x) { int y = (int)x; long double z = x; return y + (double)z; }
"""


@pytest.fixture(scope="module", params=["-gdwarf-4", "-gdwarf-5"])
def info(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> DebugInfo:
    folder = tmp_path_factory.mktemp("dwarf")
    (folder / "voice.c").write_text(SOURCE)
    compiler = find_compiler()
    ran = run(
        [*compiler.command, "-O2", request.param, "-shared", "-fPIC", "voice.c", "-o", "v.so"], folder=folder
    )
    assert 0 == ran.code, ran.err
    return read_debug_info(folder / "v.so")


def line_of(text: str) -> int:
    return next(n for n, line in enumerate(SOURCE.splitlines(), 1) if text in line)


def test_a_prototype_is_seen_through_typedef_and_const(info: DebugInfo) -> None:
    shape = info.functions["shape"]

    assert CType("float", "float", 4) == shape.result
    assert ["code", "voice"] == [p.name for p in shape.parameters]
    assert CType("q15_t", "int", 2, signed=True) == shape.parameters[0].ctype
    assert "pointer" == shape.parameters[1].ctype.kind
    assert (line_of("float shape"), False, False) == (shape.line, shape.static, shape.variadic)
    assert shape.file.endswith("/voice.c")


def test_static_inline_and_variadic_functions_are_known_as_such(info: DebugInfo) -> None:
    assert info.functions["soften"].static
    assert info.functions["count_all"].variadic
    assert not info.functions["wide"].static


def test_arrays_with_static_storage_are_listed_wherever_they_stand(info: DebugInfo) -> None:
    arrays = {a.name: a for a in info.constant_arrays}

    assert {"sine", "curve", "bend"} == set(arrays)
    assert (129, "float", True, "") == (
        arrays["sine"].count, arrays["sine"].element.kind, arrays["sine"].constant, arrays["sine"].scope,
    )
    assert (2, "array", 34) == (
        arrays["curve"].count, arrays["curve"].element.kind, arrays["curve"].element.bytes,
    )
    assert (33, CType("q15_t", "int", 2, signed=True), "soften", True, line_of("bend[33]")) == (
        arrays["bend"].count, arrays["bend"].element, arrays["bend"].scope, arrays["bend"].constant,
        arrays["bend"].line,
    )


def test_globals_tell_whether_they_can_be_written(info: DebugInfo) -> None:
    found = {g.name: g for g in info.globals}

    assert {"knob": True, "calls": True, "sine": False, "bend": False} == {
        name: found[name].writable for name in ("knob", "calls", "sine", "bend")
    }
    assert (4, 129 * 4) == (found["knob"].size, found["sine"].size)
    assert len({g.address for g in info.globals}) == len(info.globals)


def test_objects_wider_than_on_the_board_are_named(info: DebugInfo) -> None:
    shape = info.width_differences["shape"]

    assert "local 'sum' (unsigned long): 8 bytes here, 4 on the board" in shape
    assert any("parameter 'voice'" in line for line in shape)
    assert any("member of voice_t 'ticks' (long)" in line for line in shape)
    assert not any("'stamp'" in line or "'level'" in line for line in shape)
    assert ("local 'at' (size_t): 8 bytes here, 4 on the board",) == info.width_differences["soften"]
    assert ("parameter 'c' (int_fast32_t): 8 bytes here, 4 on the board",) == info.width_differences["wide"]
    assert ("local 'z' (long double): 16 bytes here, 8 on the board",) == info.width_differences["narrow"]
    assert "count_all" not in info.width_differences


def test_members_are_followed_through_structs_that_point_at_themselves(info: DebugInfo) -> None:
    linked = info.width_differences["linked"]

    assert any("'next'" in line for line in linked)
    assert any("'ticks'" in line for line in linked)


def test_an_address_leads_to_function_file_and_line(info: DebugInfo) -> None:
    seen = {info.line_at(row[0]) for row in info.rows if not row[3]} - {None}
    places = {(function, line) for function, file, line in seen if file.endswith("/voice.c")}  # type: ignore[misc]

    assert ("shape", line_of("calls++")) in places
    assert ("soften", line_of("x * bend")) in places
    assert all(line_of("float shape") <= line <= line_of("wide(") for f, line in places if f == "shape")


def test_no_line_outside_the_code(info: DebugInfo) -> None:
    assert info.line_at(0) is None
    assert info.line_at(1 << 40) is None


def test_what_a_function_calls_or_has_inlined_is_known(info: DebugInfo) -> None:
    assert "soften" in info.calls["shape"]


def test_the_record_survives_json_whole(info: DebugInfo) -> None:
    assert info == debug_info.from_json(info.to_json())


def test_another_format_of_the_stored_record_is_refused(info: DebugInfo) -> None:
    with pytest.raises(ValueError):
        debug_info.from_json(info.to_json().replace('"format":', '"format":1', 1))


def test_a_file_without_debug_information_is_a_clear_error(tmp_path: Path) -> None:
    compiler = find_compiler()
    (tmp_path / "a.c").write_text("int a;\n")
    run([*compiler.command, "-g0", "-c", "a.c", "-o", "a.o"], folder=tmp_path)

    with pytest.raises(SourceMissing) as caught:
        read_debug_info(tmp_path / "a.o")

    assert "no debug information" in caught.value.why


def test_a_built_library_reads_like_its_source_whatever_the_optimisation(tmp_path: Path) -> None:
    (tmp_path / "voice.c").write_text(SOURCE)

    def read(flags: str) -> Built:
        return build(Request((tmp_path / "voice.c",), flags=flags, routines=("wide",)), tmp_path / "cache")

    plain, fast = read("-O0").info, read("-O3").info
    assert {"sine", "curve", "bend"} == {a.name for a in plain.constant_arrays}
    assert set(plain.constant_arrays) == set(fast.constant_arrays)
    assert plain.functions["shape"] == fast.functions["shape"]
    assert plain.width_differences == fast.width_differences
    assert not any(name.startswith("pf_loop_") for name in fast.functions)
    assert str(tmp_path / "voice.c") == fast.functions["wide"].file
