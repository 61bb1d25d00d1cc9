"""Arrays and structs that a call hands over stand between guard pages: beside either end is found at its input."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.fault_injection.planted import C_START, place, run, seen, shared_record, sheet_text

pytestmark = pytest.mark.usefixtures("gcc")

CODES = 4096
C = C_START + """
typedef struct { float gain, offset; } cal_t;
typedef struct { float *at; int n; } view_t;
static int far(uint16_t code, int there, int elsewhere) { return hit(code, 4096u) ? there : elsewhere; }
float read_past(const float *line, int n, uint16_t code) { return line[far(code, n, code % n)] * 0.0f; }
float read_before(const float *line, uint16_t code) { return line[far(code, -1, code % 8)] * 0.0f; }
void write_past(float *line, int n, uint16_t code) { line[far(code, n, code % n)] = code; }
float past_struct(const cal_t *cal, uint16_t code) { return (&cal->gain)[far(code, 2, code & 1)]; }
float of_view(view_t v, uint16_t code) { return v.at[far(code, v.n, code % v.n)]; }
float whole(float *line, int n, uint16_t code)
{
    float s = 0.0f;
    for (int i = 0; i < n; i++) { line[i] = (float)(code % (i + 1)); s += line[n - 1 - (n - 1 - i)]; }
    return s;
}
"""
CALLS = {
    "read_past": ("float line[8] = {0}", "result = read_past(line, 8, code)", "behind variable 1"),
    "read_before": ("float line[8] = {0}", "result = read_before(line, code)", "4 bytes before variable 1"),
    "write_past": ("float line[5] = {0}; int n = 5", "write_past(line, n, code); result = line[0] * 0", "behind variable 1"),
    "past_struct": ("int n; cal_t cal = {1, 2}", "n = 2; result = past_struct(&cal, code) * n", "behind variable 2"),
    "of_view": ("float line[3] = {0}, other[2]; view_t v = {line, 3}", "result = of_view(v, code)", "behind variable 1"),
}
TWINS = {
    "right": ("float line[8]; float more[3]", "result = whole(line, 8, code) + whole(more, 3, code)"),
    "member": ("cal_t cal; float gain = 1", "cal.gain = gain; cal.offset = 0; result = past_struct(&cal, code & 0)"),
    "anew": ("float line[4]; int i", "for (int i = 0; i < 4; i++) line[i] = i; result = whole(line, 4, code)"),
    "kept": ("static float line[4]; float *p = line", "result = whole(p, 4, code)"),
}


def entries() -> str:
    calls = {name: call[:2] for name, call in CALLS.items()} | TWINS
    return "".join(f"""
f("{name}", local="{local}", call="{text}", inputs=[integers("code", 0, 4095, "")], input_types={{"code": "uint16_t"}},
  output="", claims=[])
""" for name, (local, text) in calls.items())


@pytest.fixture(scope="module")
def record(private_cache: Any) -> dict[str, Any]:
    return shared_record(C, sheet_text(entries(), more=', builds=["host"]'))


@pytest.mark.parametrize("name", CALLS)
def test_an_access_beside_what_a_call_hands_over_is_a_crash_at_its_input(record: dict[str, Any], name: str) -> None:
    found = seen(record, name)

    assert {"returns host"} == found.failing() and {} == found.other()
    assert place(CODES) == found.value("returns")
    assert CALLS[name][2] in found.words("returns")


@pytest.mark.parametrize("name", TWINS)
def test_right_calls_give_no_alarm(record: dict[str, Any], name: str) -> None:
    found = seen(record, name)

    assert set() == (found.failing() | set(found.other())) - ({"deterministic host"} if name == "kept" else set())


def test_a_class_with_a_constructor_stays_where_it_is(tmp_path: Path) -> None:
    c = """
struct Tone { float *self; float gain; Tone(float g) : self(&gain), gain(g) {} ~Tone() {}
    float hz(float v) { return *self * v; } };
float sum_of(const float *line) { return line[0] + line[3]; }
"""
    entry = """
f("hz", local="Tone tone = Tone(gain); float line[4] = {1, 2, 3, 4}", call="result = tone.hz(2) + sum_of(line)",
  inputs=[binary32("gain", 1, 2, "")], output="", claims=[stays_within(7, 9, because=WHY)])
"""
    text = sheet_text(entry, more=', builds=["host"]').replace('"plant.c"', '"plant.cpp"')
    found = seen(run(tmp_path, c, text), "hz")

    assert set() == found.failing() | set(found.other())
