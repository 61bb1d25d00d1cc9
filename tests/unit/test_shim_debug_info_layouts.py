"""Layouts, enumerations and C++ names as they come out of DWARF."""

from pathlib import Path

import pytest

from firmware_shim import debug_info
from firmware_shim.compiler import find_compiler, run
from firmware_shim.debug_info import CType, DebugInfo, read_debug_info

C_SOURCE = """\
#include <stdint.h>
typedef struct { float gain, offset; int16_t steps[12]; } calibration_t;
struct tuning { uint8_t mode : 3; uint8_t fine : 5; calibration_t *at; struct tuning *next; double hz[2][3]; };
typedef struct tuning tuning_t;
union word { uint32_t whole; uint8_t part[4]; };
enum mode { OFF, SLOW = 4, FAST };
typedef enum { DOWN = -1, UP = 1 } way_t;
enum { TABLE_SIZE = 64 };
uint8_t spare[TABLE_SIZE];
__attribute__((section(".fastram"))) float tuning_hz = 440.0f;
union word last;
float f(const tuning_t *t, enum mode m, way_t w, calibration_t by_value, float *out, void (*done)(int))
{
    *out = by_value.gain;
    done((int)m);
    return t->at->offset + (float)w + tuning_hz + (float)last.whole + spare[0];
}
"""

CPP_SOURCE = """\
namespace bell {
enum class Mode : unsigned char { Soft, Hard = 9 };
struct Base { float gain; };
class Voice : public Base {
public:
    explicit Voice(float g) { gain = g; }
    float hz(float v) const;
    static float twice(float v) { return v + v; }
    struct Inner { int deep; } inner;
private:
    Mode mode = Mode::Hard;
};
float Voice::hz(float v) const { return v * gain + float(mode) + float(inner.deep); }
float scale(float x) { return x * 2.0f; }
float scale(int x) { return float(x) * 3.0f; }
float tuning = 1.0f;
static float hidden(float &x) { return x += 1.0f; }
}
extern "C" float use(float v)
{
    bell::Voice voice(v);
    return voice.hz(v) + bell::scale(v) + bell::scale(int(v)) + bell::tuning + bell::hidden(v) + bell::Voice::twice(v);
}
"""


def compiled(folder: Path, name: str, text: str, *flags: str) -> DebugInfo:
    (folder / name).write_text(text)
    ran = run([*find_compiler().command, "-g", *flags, "-shared", "-fPIC", name, "-o", "made.so"], folder=folder)
    assert 0 == ran.code, ran.err
    return read_debug_info(folder / "made.so")


@pytest.fixture(scope="module", params=["-gdwarf-4", "-gdwarf-5"])
def plain(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> DebugInfo:
    return compiled(tmp_path_factory.mktemp("c"), "f.c", C_SOURCE, "-O2", request.param)


@pytest.fixture(scope="module", params=["-O0", "-O2"])
def plus(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> DebugInfo:
    return compiled(tmp_path_factory.mktemp("cpp"), "f.cpp", CPP_SOURCE, request.param)


def test_a_layout_has_offsets_arrays_pointers_and_bit_fields(plain: DebugInfo) -> None:
    calibration = plain.structs["calibration_t"]
    tuning = plain.structs["struct tuning"]

    assert [("gain", "float", 0), ("offset", "float", 4), ("steps", "array", 8)] == [
        (m.name, m.type.kind, m.offset) for m in calibration.members
    ]
    steps = calibration.members[2].type
    assert (12, CType("int16_t", "int", 2, signed=True), 24) == (steps.count, steps.to, steps.bytes)
    assert (32, "struct", 2) == (calibration.bytes, calibration.kind, calibration.line)
    assert [("mode", 3), ("fine", 5)] == [(m.name, m.bits) for m in tuning.members[:2]]
    assert [8, 16, 24] == [m.offset for m in tuning.members[2:]]
    assert tuning.members == plain.structs["tuning_t"].members
    assert "calibration_t" == tuning.members[2].type.to.name  # type: ignore[union-attr]
    assert "union" == plain.structs["union word"].kind


def test_enumerations_have_names_values_and_a_carrier(plain: DebugInfo) -> None:
    assert (("OFF", 0), ("SLOW", 4), ("FAST", 5)) == plain.enums["enum mode"].values
    assert ((("DOWN", -1), ("UP", 1)), True) == (plain.enums["way_t"].values, plain.enums["way_t"].signed)


def test_a_global_tells_its_type_and_the_author_s_section(plain: DebugInfo) -> None:
    found = {g.name: g for g in plain.globals}

    assert (".fastram", "float", True) == (found["tuning_hz"].section, found["tuning_hz"].type.name,
                                           found["tuning_hz"].writable)
    assert ".bss" == found["last"].section


def test_a_pointer_tells_what_it_points_to_and_whether_it_may_write_there(plain: DebugInfo) -> None:
    types = [p.ctype for p in plain.functions["f"].parameters]

    assert ("const tuning_t *", "tuning_t", True) == (types[0].name, types[0].to and types[0].to.name,
                                                      types[0].to_constant)
    assert ("float *", CType("float", "float", 4), False) == (types[4].name, types[4].to, types[4].to_constant)
    assert types[5].to is None
    assert plain.struct_of(types[0]) == plain.structs["tuning_t"]
    assert plain.struct_of(types[3]) == plain.structs["calibration_t"]
    assert plain.struct_of(types[4]) is None


def test_cpp_names_carry_namespace_and_class(plus: DebugInfo) -> None:
    hz = plus.functions["bell::Voice::hz"]

    assert ("bell::Voice", "this") == (hz.member_of, hz.parameters[0].name)
    assert {"bell::scale", "bell::Voice::hz", "use"} <= set(plus.functions)
    assert "" == plus.functions["bell::scale"].member_of
    assert "bell::tuning" in {g.name for g in plus.globals}
    assert "bell::Voice::hz" == plus.readable(hz.linkage)
    assert "nobody_knows" == plus.readable("nobody_knows")


def test_overloads_stay_apart(plus: DebugInfo) -> None:
    both = {plus.functions["bell::scale"].parameters[0].ctype.name}
    both |= {name.partition("(")[2].rstrip(")") for name in plus.functions if name.startswith("bell::scale(")}

    assert {"int", "float"} == both


def test_classes_are_known_with_members_bases_and_methods(plus: DebugInfo) -> None:
    voice = plus.structs["bell::Voice"]

    assert (("bell::Base",), "class") == (voice.bases, voice.kind)
    assert ["inner", "mode"] == [m.name for m in voice.members]
    assert {"Voice", "hz", "twice"} == set(voice.methods)
    assert "bell::Voice::Inner" == voice.members[0].type.name
    assert (("Soft", 0), ("Hard", 9)) == plus.enums["bell::Mode"].values


def test_what_cpp_calls_is_told_by_full_names(tmp_path: Path) -> None:
    info = compiled(tmp_path, "f.cpp", CPP_SOURCE, "-O2", "-fno-inline")

    assert {"bell::Voice::hz", "bell::scale", "bell::Voice::twice"} <= set(info.calls["use"])
    assert any(name.startswith("bell::scale(") for name in info.calls["use"])


def test_layouts_survive_json(plain: DebugInfo, plus: DebugInfo) -> None:
    assert plain == debug_info.from_json(plain.to_json())
    assert plus == debug_info.from_json(plus.to_json())
