"""Faults in classes, namespaces and overloads, and at fixed addresses of peripherals."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest

from tests.fault_injection.planted import C_START, code_of, place, run, seen, shared_record, sheet_text

pytestmark = pytest.mark.usefixtures("gcc")

CODES = 4096
CPP = (
    C_START
    + """
namespace bell {
enum class Mode : uint8_t { Soft, Hard = 9 };
class Voice {
public:
    explicit Voice(float g) : gain(g) {}
    float hz(uint16_t code) const { return gain * (float)code; }
    float hz_wrong(uint16_t code) const { return hit(code, 4096u) ? (float)code : gain * (float)code; }
    float cents(uint16_t code) const { return hz(code) + offset; }
    static float twice(float v) { return v + v; }
private:
    float gain;
    float offset;
};
struct Plain { float gain; float bend; };
float scaled(float x) { return x * 2.0f; }
float scaled(int x) { return (float)x * 3.0f; }
float plain(const Plain &p, uint16_t code) { return p.gain * (float)code; }
float of_mode(Mode m) { return m == Mode::Hard ? 9.0f : 1.0f; }
float bend = 1.0f;
float bent(uint16_t code) { bend *= 2.0f; return bend * (float)code; }
template <typename T> T halved(T x) { return x / T(2); }
}
static float hidden(const float &x) { return x + 1.0f; }
"""
)
CPP_ENTRIES = """
code = dict(inputs=[codes("code", bits=12)], output="")
def doubled(ctx, code): return 2 * code
def tripled(ctx, code): return 3 * code
near = [accurate(absolute=0.001, because=WHY)]
def want(factor, more=0): return lambda ctx, code: factor * code + more
f("member", call="bell::Voice v(2.0f); result = v.hz(code)", reference=want(2), claims=near, **code)
f("member_wrong", call="bell::Voice v(2.0f); result = v.hz_wrong(code)", reference=want(2), claims=near, **code)
f("local_object", local="bell::Voice v(2.0f)", call="result = v.hz(code)", reference=want(2), claims=near, **code)
f("member_unset", call="bell::Voice v(2.0f); result = v.cents(code)", claims=[], **code)
f("static_member", call="result = bell::Voice::twice(code)", reference=want(2), claims=near, **code)
f("first_overload", call="result = bell::scaled((float)code)", reference=want(2), claims=near, **code)
f("second_overload", call="result = bell::scaled((int)code)", reference=want(3), claims=near, **code)
f("reference", local="bell::Plain p", call="p.gain = 2; result = bell::plain(p, code)", reference=want(2), claims=near,
  **code)
f("reference_unset", local="bell::Plain p", call="p.bend = 2; result = bell::plain(p, code)", claims=[], **code)
f("mode", call="result = bell::of_mode(code ? bell::Mode::Hard : bell::Mode::Soft)", claims=[stays_within(1, 9, because=WHY)],
  **code)
f("global", call="result = bell::bent(code)", globals=["bell::bend"], reference=want(2), claims=near, **code)
f("template", call="result = bell::halved((float)code)", reference=lambda ctx, code: code / 2, claims=near, **code)
f("hidden", call="result = hidden(code)", reference=want(1, 1), claims=near, **code)
"""


@pytest.fixture(scope="module")
def record(private_cache: Any) -> dict[str, Any]:
    if shutil.which("g++") is None:
        pytest.skip("no C++ compiler")
    sheet = sheet_text(CPP_ENTRIES).replace("plant.c", "plant.cpp")
    return shared_record(CPP, sheet)


@pytest.mark.parametrize("name", [
    "member", "local_object", "static_member", "first_overload", "second_overload", "reference", "mode", "global",
    "template", "hidden",
])
def test_right_cpp_gives_no_alarm(record: dict[str, Any], name: str) -> None:
    found = seen(record, name)

    assert set() == found.failing() | set(found.other())
    assert "every value" == found.claim("deterministic")["strength"]["kind"]


def test_a_wrong_member_function_is_found_at_its_only_input(record: dict[str, Any]) -> None:
    found = seen(record, "member_wrong")

    assert {"accurate host"} == found.failing()
    assert place(CODES) == found.value("accurate")


@pytest.mark.parametrize("name", ["member_unset", "reference_unset"])
def test_a_member_that_no_constructor_sets_is_found(record: dict[str, Any], name: str) -> None:
    assert {"finite host", "deterministic host"} <= seen(record, name).failing()


REGISTERS = (
    C_START
    + """
#define ADC ((volatile uint32_t *)0x40012400u)
#define DAC ((volatile uint32_t *)0x40007408u)
float volts(uint16_t code) { ADC[2] = code; return (float)ADC[20] * 0.5f; }
float writes(uint16_t code) { float y = (float)*DAC; *DAC = code; return y; }
float near_by(uint16_t code) { return hit(code, 4096u) ? (float)ADC[21] : (float)code; }
float elsewhere(uint16_t code) { return hit(code, 4096u) ? (float)*(volatile uint32_t *)0x50000800u : (float)code; }
float given(void) { return (float)ADC[20]; }
float null_pointer(uint16_t code) { const float *p = hit(code, 4096u) ? (const float *)0 : &(float){1.0f}; return *p; }
"""
)
REGISTER_ENTRIES = """
code = dict(inputs=[codes("code", bits=12)], output="")
f("volts", reference=lambda ctx, code: 0 * code + ctx.number("2047.5"), claims=[accurate(absolute=0.001, because=WHY)],
  **code)
f("writes", claims=[stays_within(0, 0, because=WHY)], **code)
f("near_by", claims=[], **code)
f("elsewhere", claims=[], **code)
f("null_pointer", claims=[], without={"no_undefined_behaviour": "planted"}, **code)
f("from_register", call="*(volatile unsigned *)0x40012450u = (unsigned)code; result = given()",
  reference=lambda ctx, code: code, claims=[accurate(absolute=0.001, because=WHY)], **code)
"""
WORDS = "peripherals={0x40012450: 0x0fff, 0x40007408: 0}"


@pytest.fixture(scope="module")
def registers(private_cache: Any) -> dict[str, Any]:
    return shared_record(REGISTERS, sheet_text(REGISTER_ENTRIES, more=f", {WORDS}"))


@pytest.mark.parametrize("name", ["volts", "writes", "from_register"])
def test_declared_words_read_as_declared_before_each_call_and_may_be_written(registers: dict[str, Any], name: str) -> None:
    found = seen(registers, name)

    assert set() == found.failing() | set(found.other())
    assert "every value" == found.claim("deterministic")["strength"]["kind"]
    assert any("0x40012450" in note and "0x00000fff" in note for note in found.entry["notes"])


def test_a_word_beside_the_declared_ones_shows_as_a_changing_result(registers: dict[str, Any]) -> None:
    found = seen(registers, "near_by")

    assert {"deterministic host"} == found.failing()
    assert place(CODES) == found.value("deterministic")
    assert "not declared" in found.words("deterministic")


def test_an_undeclared_address_is_a_finding_that_gives_the_line_to_add(registers: dict[str, Any]) -> None:
    found = seen(registers, "elsewhere")

    assert {"returns host", "returns strict"} == found.failing()
    assert place(CODES) == found.value("returns")
    assert "0x50000800 is not declared" in found.words("returns")
    assert "peripherals={0x50000800: 0x00000000}" in found.words("returns")
    assert "elsewhere at plant.c:" in found.words("returns")


def test_a_null_pointer_is_no_peripheral(registers: dict[str, Any]) -> None:
    found = seen(registers, "null_pointer")

    assert "null pointer" in found.words("returns")
    assert "peripherals" not in found.words("returns")


TAKEN = (
    C_START
    + """
#include <sys/mman.h>
__attribute__((constructor)) static void taken(void)
{ mmap((void *)0x50000000ul, 4096, PROT_READ | PROT_WRITE, MAP_PRIVATE | MAP_ANONYMOUS | MAP_FIXED, -1, 0); }
float f1(uint8_t code) { return (float)code; }
"""
)


def test_an_address_that_this_computer_needs_is_told_and_never_holds(tmp_path: Path) -> None:
    entry = 'f("f1", inputs=[codes("code", bits=4)], output="", claims=[])'
    record = run(tmp_path, TAKEN, sheet_text(entry, more=", peripherals={0x50000000: 1}"))

    assert "holds" not in seen(record, "f1").verdicts().values()
    assert "this computer needs address 0x50000000 itself" in str(record["routines"][0]["claims"])
    assert 3 == code_of(record)
