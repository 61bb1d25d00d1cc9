"""Calls written out in C: what is generated, which unit carries it, what is proposed, what is refused and how."""

import ctypes
from dataclasses import replace
from pathlib import Path

import pytest

from firmware_shim.assigning import nearest
from firmware_shim.build import Built, Request, build
from firmware_shim.call_proposal import propose_call
from firmware_shim.call_source import CallCode, fresh_names, own_name
from firmware_shim.compiler import find_compiler, run
from firmware_shim.debug_info import DebugInfo, read_debug_info
from firmware_shim.errors import CompileFailed, SymbolMissing, UnsupportedPrototype

pytestmark = pytest.mark.quick


@pytest.mark.parametrize(("local", "names"), [
    ("calibration_t cal", ["cal"]),
    ("float octave, rest; int n = 3, m;", ["octave", "rest", "m"]),
    ("struct tuning t; float table[4][2]", ["t", "table"]),
    ("float *p, (*f)(float)", ["p"]),
    ("static float kept; const float *where", []),
    ("Thing t(gain); std::array<float, 4> a", ["a"]),
    ("calibration_t cal = {1, 2}; cal.gain = 3", []),
    ("unsigned long long wide", ["wide"]),
    ("", []),
])
def test_only_locals_that_stay_unset_are_filled(local: str, names: list[str]) -> None:
    assert names == fresh_names(local)


@pytest.mark.parametrize(("name", "own"), [
    ("hz", "hz"), ("bell::Voice::hz(float)", "hz"), ("bell::half<float>", "half"),
    ("bell::Filter<bell::Line<float>>::run", "run"), ("bell::half<bell::Line<float>>", "half"),
])
def test_the_last_part_of_a_name(name: str, own: str) -> None:
    assert own == own_name(name)


def test_a_name_without_its_namespace_is_led_to_the_whole_one() -> None:
    assert ["bell::scale"] == nearest("scale", ["scala", "bell::scale", "scales"])


FIRST = """\
typedef struct { float gain, offset; short steps[3]; } calibration_t;
float tuning_hz = 440.0f;
static float line(const calibration_t *c, int code) { return c->gain * (float)code + c->offset; }
inline float softened(float x) { return x * 0.5f; }
static float tuned(float ratio) { return tuning_hz *= ratio; }
static int set_or_not(int code, int *out) { if (code != 3) *out = code; return 0; }
"""
SECOND = "float other(float x) { return x + 1.0f; }\n"


def made(folder: Path, *calls: CallCode, second: bool = False, flags: str = "-O2") -> Built:
    (folder / "first.c").write_text(FIRST)
    (folder / "second.c").write_text(SECOND)
    sources = (folder / "first.c", folder / "second.c") if second else (folder / "first.c",)
    return build(Request(sources, flags=flags, calls=calls), folder / "cache")


def driven(built: Built, name: str, codes: list[int], phase: int = 0) -> list[float]:
    """Run one call's loop; phase 1 is a repeat."""
    count = len(codes)
    array, output = (ctypes.c_int32 * count)(*codes), (ctypes.c_float * count)()
    inputs = (ctypes.c_void_p * 1)(ctypes.addressof(array))
    progress = (ctypes.c_long * 4)(-1, 0, phase, 0)
    loop = getattr(ctypes.CDLL(str(built.library)), built.loops[name])
    loop.argtypes, loop.restype = [ctypes.c_void_p, ctypes.c_void_p, ctypes.c_long, ctypes.c_void_p], None
    loop(inputs, output, count, ctypes.addressof(progress))

    assert count == progress[0]
    return list(output)


CODE = (("code", "int32_t"),)
LINE = CallCode("bell_hz", "cal.gain = 2; cal.offset = 1; result = line(&cal, code)", CODE, local="calibration_t cal",
                place="bell_sheet.py:12")


@pytest.mark.parametrize("flags", ["-O0", "-O2", "-O3 -ffast-math -fvisibility=hidden", "-O2 -std=c99", "-Os -std=gnu90"])
def test_a_call_gives_what_its_text_says_under_any_flags(tmp_path: Path, flags: str) -> None:
    assert [1.0, 3.0, -3.0] == driven(made(tmp_path, LINE, flags=flags), "bell_hz", [0, 1, -2])


def test_memory_that_nothing_writes_holds_other_patterns_in_the_repeat(tmp_path: Path) -> None:
    call = CallCode("set", "set_or_not(code, &out); result = (float)out", CODE, local="int out", place="s.py:1")
    built = made(tmp_path, call)

    assert [2.0, -1.0, 4.0, -1.0] == driven(built, "set", [2, 3, 4, 3])
    assert [2.0, float(0x7F7F7F80), 0.0] == driven(built, "set", [2, 3, 3], phase=1)


def test_a_named_global_starts_each_call_as_it_was_and_is_left_so(tmp_path: Path) -> None:
    call = CallCode("tuned", "result = tuned((float)code)", CODE, globals=("tuning_hz",), place="s.py:1")
    built = made(tmp_path, call)

    assert [880.0, 880.0, 1320.0] == driven(built, "tuned", [2, 2, 3])
    assert 440.0 == ctypes.c_float.in_dll(ctypes.CDLL(str(built.library)), "tuning_hz").value


def test_an_inline_definition_and_a_function_of_another_unit_are_found(tmp_path: Path) -> None:
    soft = CallCode("soft", "result = softened((float)code)", CODE, place="s.py:1")
    far = CallCode("far", "result = other((float)code)", CODE, place="s.py:2")
    built = made(tmp_path, soft, far, second=True)

    assert [1.0] == driven(built, "soft", [2])
    assert [3.0] == driven(built, "far", [2])


def test_the_key_holds_the_text_of_the_call(tmp_path: Path) -> None:
    first = made(tmp_path, LINE)

    assert first.key == made(tmp_path, LINE).key
    assert first.key != made(tmp_path, replace(LINE, text=LINE.text.replace("= 1", "= 2"))).key
    assert first.key != made(tmp_path, replace(LINE, local="calibration_t cal = {0}")).key


def test_generated_functions_are_not_taken_for_the_author_s(tmp_path: Path) -> None:
    info = made(tmp_path, LINE).info

    assert not [name for name in info.functions if name.startswith("pf_")]
    assert "line" in info.functions


@pytest.mark.parametrize(("text", "why"), [
    ("result = line(&cal, cod)", "'cod' undeclared"),
    ("result = lines(&cal, code); line", "implicit declaration of function 'lines'"),
    ("result = line(&code, code)", "incompatible pointer type"),
    ("result = line(&cal, code", "expected ')'"),
])
@pytest.mark.parametrize("flags", ["-O2", "-w -std=gnu90"])
def test_a_mistake_in_the_text_is_told_at_its_place_in_the_sheet(tmp_path: Path, text: str, why: str, flags: str) -> None:
    wrong = replace(LINE, name="wrong", text=text)
    with pytest.raises(CompileFailed) as caught:
        made(tmp_path, LINE, wrong, flags=flags)

    assert "the call of wrong does not compile" == caught.value.what
    assert caught.value.where.startswith("bell_sheet.py:12: calibration_t cal; ")
    assert text in caught.value.where
    assert why in caught.value.why


def test_a_bracket_too_many_is_told_as_the_call_s_mistake(tmp_path: Path) -> None:
    with pytest.raises(CompileFailed) as caught:
        made(tmp_path, replace(LINE, text=LINE.text + "; }"))

    assert "the call of bell_hz does not compile" == caught.value.what


def test_a_call_of_nothing_known_names_what_resembles_it(tmp_path: Path) -> None:
    with pytest.raises(SymbolMissing) as caught:
        made(tmp_path, replace(LINE, text="result = lime(code)", local=""))

    assert "the routine 'lime' is not there" == caught.value.what
    assert "bell_sheet.py:12" in caught.value.where
    assert "did you mean line (first.c:3)?" == caught.value.todo


def test_a_type_whose_width_differs_on_the_board_is_no_input(tmp_path: Path) -> None:
    with pytest.raises(UnsupportedPrototype) as caught:
        made(tmp_path, replace(LINE, inputs=(("code", "long"),)))

    assert "code cannot be a 'long'" in caught.value.what


SHAPES = """\
typedef struct { float gain, offset; short steps[3]; } calibration_t;
struct bits { unsigned char mode : 3; unsigned char fine : 5; };
typedef struct { float octave; int note; } note_t;
float by_pointer(const calibration_t *cal, int code) { return cal->gain * (float)code; }
float by_value(calibration_t cal, float v) { return cal.gain * v; }
int of_bits(struct bits b) { return b.fine; }
void outputs(float v, float *octave, float *rest) { *octave = v; *rest = v; }
note_t note(float v) { note_t n = {v, 1}; return n; }
float mean(const float *x, int n) { return x[0] * (float)n; }
float kept;
void sets(float v) { kept = v; }
float given(float v, void *user) { return user ? v : 0.0f; }
"""


@pytest.fixture(scope="module")
def shapes(tmp_path_factory: pytest.TempPathFactory) -> DebugInfo:
    folder = tmp_path_factory.mktemp("shapes")
    (folder / "s.c").write_text(SHAPES)
    run([*find_compiler().command, "-g", "-O2", "-shared", "-fPIC", "s.c", "-o", "s.so"], folder=folder)
    return read_debug_info(folder / "s.so")


PROPOSED = [
    ("by_pointer", "cal.gain = gain; cal.offset = offset; result = by_pointer(&cal, code)", "calibration_t cal",
     ["gain", "offset", "code"], "float"),
    ("by_value", "cal.gain = gain; cal.offset = offset; result = by_value(cal, v)", "calibration_t cal",
     ["gain", "offset", "v"], "float"),
    ("of_bits", "b.mode = mode; b.fine = fine; result = of_bits(b)", "struct bits b", ["mode", "fine"], "int"),
    ("outputs", "outputs(v, &octave, &rest); result = octave", "float octave; float rest", ["v"], "float"),
    ("note", "answer = note(v); result = answer.octave", "note_t answer", ["v"], "float"),
    ("mean", "for (int i = 0; i < 64; i++) x[i] = x_value; result = mean(x, n)", "float x[64]", ["x_value", "n"], "float"),
]


@pytest.mark.parametrize(("name", "call", "local", "inputs", "output"), PROPOSED, ids=[row[0] for row in PROPOSED])
def test_the_proposed_call_is_the_one_to_paste_and_compiles(
    shapes: DebugInfo, tmp_path: Path, name: str, call: str, local: str, inputs: list[str], output: str
) -> None:
    found = propose_call(shapes.functions[name], shapes.structs)
    (tmp_path / "s.c").write_text(SHAPES)
    code = CallCode(name, found.call, tuple(found.inputs), found.output, found.local, place="s.py:1")

    assert (call, local, inputs, output) == (found.call, found.local, [n for n, _ in found.inputs], found.output)
    assert f'call="{call}"' in found.text()
    assert f"pf_loop_{name}" == build(Request((tmp_path / "s.c",), calls=(code,)), tmp_path / "cache").loops[name]


def test_what_a_proposal_cannot_know_is_said(shapes: DebugInfo) -> None:
    sets = propose_call(shapes.functions["sets"], shapes.structs)
    given = propose_call(shapes.functions["given"], shapes.structs)
    cal = propose_call(shapes.functions["by_pointer"], shapes.structs)

    assert "sets(v); result = VARIABLE" == sets.call
    assert any("globals=" in note for note in sets.notes)
    assert any("user (void *)" in note for note in given.notes)
    assert "calibration_t holds float gain, float offset, short steps[3]" in cal.notes
    assert "set cal.steps" in cal.notes


CPP = """\
namespace bell {
class Voice { public: explicit Voice(float g) : gain(g) {} float hz(float v) const { return v * gain; } float gain; };
float scale(float x) { return x * 2.0f; }
float scale(int x) { return float(x); }
float alone(float x) { return x; }
}
"""


def test_cpp_members_and_overloads_are_refused_with_the_call_to_write(tmp_path: Path) -> None:
    (tmp_path / "v.cpp").write_text(CPP)

    def refused(name: str) -> str:
        with pytest.raises(UnsupportedPrototype) as caught:
            build(Request((tmp_path / "v.cpp",), routines=(name,)), tmp_path / "cache")
        return caught.value.todo

    assert 'call="result = voice.hz(v)", local="bell::Voice voice"' in refused("bell::Voice::hz")
    assert 'call="result = bell::scale(x)"' in refused("bell::scale")


def test_a_function_in_a_namespace_is_driven_as_it_is(tmp_path: Path) -> None:
    (tmp_path / "v.cpp").write_text(CPP)
    built = build(Request((tmp_path / "v.cpp",), routines=("bell::alone",)), tmp_path / "cache")

    assert {"bell::alone": "pf_loop_bell__alone"} == built.loops
    with pytest.raises(SymbolMissing) as caught:
        build(Request((tmp_path / "v.cpp",), routines=("alone",)), tmp_path / "cache")
    assert "bell::alone (v.cpp:5)" in caught.value.todo
