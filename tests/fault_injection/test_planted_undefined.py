"""Undefined behaviour and status flags at one input: found with the input, the file and the line."""

from __future__ import annotations

from typing import Any

import pytest

from tests.fault_injection.planted import C_START, place, seen, shared_record, sheet_text

pytestmark = pytest.mark.usefixtures("gcc")

CODES = 4096
UNDEFINED = {
    "overflow": ("(int32_t)code + far(code, 0x7fffffff)", "overflow"),
    "negate": ("-far(code, INT32_MIN)", "negation overflow"),
    "times": ("(int32_t)(code | 4096u) * (far(code, 0x100000) + 2)", "signed multiplication overflow"),
    "shift": ("1 << far(code, 32)", "shift"),
    "shift_back": ("1 << -far(code, 1)", "shift"),
    "past": ("table[(code & 15u) * 0u + (unsigned)far(code, 16)]", "index"),
    "before": ("table[-far(code, 1)]", "index"),
    "cast": ("(int32_t)((float)far(code, 1) * 4.0e9f)", "float"),
    "cast_low": ("(int32_t)(uint32_t)((float)far(code, 1) * -2.5f)", "float"),
}
C = (
    C_START
    + """
static const int32_t table[16] = {1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16};
static int32_t far(uint32_t code, int32_t value) { return hit(code, 4096u) ? value : 0; }
static float farf(uint32_t code, float there, float elsewhere) { return hit(code, 4096u) ? there : elsewhere; }
"""
    + "".join(f"/*{name}*/ int32_t {name}(uint16_t code) {{ return {text}; }}\n" for name, (text, _) in UNDEFINED.items())
    + """
int32_t sane(uint16_t code) { return table[code & 15u] + (int32_t)((float)code * 0.5f) + (1 << (code & 15u)); }

float invalid(uint16_t code) {
    float n = farf(code, 0.0f, 1.0f), y = n / (n * (float)(code + 1)); /* invalid here */
    return isnan(y) ? 2.0f : y;
}
float by_zero(uint16_t code) { return 1.0f / (1.0f / farf(code, 0.0f, 4.0f)); }
float too_large(uint16_t code) { float y = farf(code, 3e38f, 1.0f) * (float)(code + 2); return y > 9.0f ? 9.0f : y; }
float tiny(uint16_t code) { float y = farf(code, 0x1p-126f, 1.0f) * (0.001f * (float)(code + 1)); return y + 1.0f; }
float in_library(uint16_t code) { float y = logf(farf(code, 0.0f, 1.0f)); return y < -9.0f ? 0.0f : y; }
float both_places(uint16_t code) {
    float n = farf(code, 0.0f, 1.0f), y = logf(n);
    return (y < -9.0f ? 0.0f : y) + 1.0f / (1.0f / n); /* own */
}
float eventless(uint16_t code) { return sqrtf((float)code) / (1.0f + (float)code); }
"""
)
EVENTS = {
    "invalid": ("invalid", "invalid"),
    "by_zero": ("division by zero", "by_zero"),
    "too_large": ("overflow", "too_large"),
    "tiny": ("subnormal", "tiny"),
}
ENTRIES = f"""
for name in {[*UNDEFINED, "sane"]}:
    f(name, inputs=[codes("code", bits=12)], output="code", claims=[])
for name in {[*EVENTS, "in_library", "eventless", "both_places"]}:
    f(name, inputs=[codes("code", bits=12)], output="", claims=[])
"""


@pytest.fixture(scope="module")
def record(private_cache: Any) -> dict[str, Any]:
    return shared_record(C, sheet_text(ENTRIES))


def line_of(text: str) -> int:
    return next(n for n, line in enumerate(C.splitlines(), 1) if text in line)


@pytest.mark.parametrize("name", UNDEFINED)
def test_undefined_behaviour_names_input_file_and_line(record: dict[str, Any], name: str) -> None:
    found = seen(record, name)
    words = found.words("no_undefined_behaviour", "strict")

    assert {"no_undefined_behaviour strict"} <= found.failing()
    assert {} == found.other()
    assert place(CODES) == found.value("no_undefined_behaviour", "strict")
    assert f"plant.c:{line_of(f'/*{name}*/')}:" in words
    assert UNDEFINED[name][1] in words


@pytest.mark.parametrize("name", ["sane", "eventless", "in_library"])
def test_right_routines_raise_no_alarm(record: dict[str, Any], name: str) -> None:
    found = seen(record, name)

    assert set() == found.failing() | set(found.other())


@pytest.mark.parametrize("name", EVENTS)
def test_a_hidden_event_names_its_kind_function_and_line(record: dict[str, Any], name: str) -> None:
    found = seen(record, name)
    words = found.words("no_hidden_events")

    assert {"no_hidden_events host"} == found.failing()
    assert {} == found.other()
    assert place(CODES) == found.value("no_hidden_events")
    assert EVENTS[name][0] in words
    assert EVENTS[name][1] in words
    assert "extent" not in found.claim("no_hidden_events")  # of its block only the first input is known
    line = line_of("/* invalid here */" if name == "invalid" else f"float {name}(")
    assert f"plant.c:{line}" in words


def test_an_event_inside_the_library_is_told_apart(record: dict[str, Any]) -> None:
    facts = " ".join(seen(record, "in_library").claim("no_hidden_events")["facts"])

    assert "told apart, not counted: division by zero" in facts


def test_an_event_of_the_library_hides_none_of_the_routine(record: dict[str, Any]) -> None:
    found = seen(record, "both_places")

    assert {"no_hidden_events host"} == found.failing()
    assert place(CODES) == found.value("no_hidden_events")
    assert f"plant.c:{line_of('/* own */')}" in found.words("no_hidden_events")
