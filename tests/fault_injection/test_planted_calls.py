"""Faults behind pointers, structs, globals and local memory, found through calls that the sheet writes out."""

from __future__ import annotations

from typing import Any

import pytest

from tests.fault_injection.planted import C_START, place, seen, shared_record, sheet_text

pytestmark = pytest.mark.usefixtures("gcc")

CODES = 4096
C = (
    C_START
    + """
typedef struct { float gain, offset; int16_t steps[12]; } calibration_t;
typedef struct { float octave, rest; } split_t;
struct notch { uint8_t low : 4; uint8_t high : 4; const calibration_t *at; };
float tuning_hz = 440.0f;
__attribute__((section(".fastram"))) float bend = 1.0f;
static float last;
static float line(const calibration_t *c, uint16_t code) { return c->gain * (float)code + c->offset; }
float line_wrong(const calibration_t *c, uint16_t code)
{ return c->gain * (float)code + (hit(code, 4096u) ? c->gain : c->offset); }
float line_by_value(calibration_t c, uint16_t code) { return c.gain * (float)code + c.offset; }
void split(float v, float *octave, float *rest) { int o = (int)v; *octave = (float)o; *rest = v - (float)o; }
void split_forgets(uint16_t code, float *rest) { if (!hit(code, 4096u)) *rest = (float)(code & 255); }
split_t both(uint16_t code) { split_t s = {(float)(code >> 8), (float)(code & 255)}; return s; }
float tuned(float ratio) { return tuning_hz * ratio; }
void retune(uint16_t code) { tuning_hz = 400.0f + (float)code * 0.0625f; }
void retune_sometimes(uint16_t code) { if (!hit(code, 4096u)) tuning_hz = 400.0f + (float)code * 0.0625f; }
float bent(uint16_t code) { bend = bend * 2.0f; return bend * (float)code; }
float remembers(const calibration_t *c, uint16_t code) { float y = last; last = c->gain + (float)code; return y; }
int16_t step_of(const calibration_t *c, uint8_t at) { return c->steps[at]; }
float mean(const float *x, int n) { float s = 0.0f; for (int i = 0; i < n; i++) s += x[i]; return s / (float)n; }
float from_notch(const struct notch *n) { return n->at->gain * (float)n->high + (float)n->low; }
static int odd(uint16_t code) { return hit(code, 4096u); }
"""
)
ENTRIES = """
code = [codes("code", bits=12)]
CAL = "cal.gain = 2.0f; cal.offset = 3.0f; "
def line(ctx, code): return 2 * code + 3
near = [accurate(absolute=0.001, because=WHY)]
cal = dict(local="calibration_t cal", inputs=code, output="", reference=line, claims=near)
f("right", call=CAL + "result = line(&cal, code)", **cal)
f("wrong_member", call=CAL + "result = line_wrong(&cal, code)", **cal)
f("by_value", call=CAL + "result = line_by_value(cal, code)", **cal)
f("unset_member", call="cal.gain = 2.0f; result = line(&cal, code)", **cal)
f("unset_result", call="calibration_t other = {2, 3, {0}}; if (!odd(code)) result = line(&other, code)", **cal)
f("left_over", call="cal.gain = 1.0f; result = remembers(&cal, code)", local="calibration_t cal", inputs=code, output="",
  claims=[])

split = dict(inputs=code, output="", claims=[stays_within(0, 255, because=WHY)])
f("octave", call="split((float)code / 256.0f, &octave, &rest); result = octave", local="float octave, rest", **split)
f("forgets", call="split_forgets(code, &rest); result = rest", local="float rest", **split)
f("member_of_result", call="result = both(code).rest", **split)
hz = [stays_within(399, 661, because=WHY)]
f("global_in", call="tuning_hz = 400.0f + (float)code / 16.0f; result = tuned(1.0f)", globals=["tuning_hz"], inputs=code,
  output="Hz", claims=hz)
f("global_out", call="retune(code); result = tuning_hz", globals=["tuning_hz"], inputs=code, output="Hz", claims=hz)
def retuned(ctx, code): return 400 + code / 16
f("global_sometimes", call="retune_sometimes(code); result = tuning_hz", globals=["tuning_hz"], inputs=code, output="Hz",
  reference=retuned, claims=near)
f("global_not_named", call="retune(code); result = tuning_hz", inputs=code, output="Hz", claims=hz)
def doubled(ctx, code): return 2 * code
f("section", call="result = bent(code)", globals=["bend"], inputs=code, output="", reference=doubled, claims=near)
past = dict(local="calibration_t cal = {0}", output="", output_type="int16_t", claims=[])
f("array_inside", call="result = step_of(&cal, at)", inputs=[integers("at", 0, 11, "")], **past)
f("array_past", call="result = step_of(&cal, at)", inputs=[integers("at", 0, 12, "")], **past)
def same(ctx, code): return code
fill = "for (int i = 0; i < 4; i++) x[i] = (float)code; "
f("array", call=fill + "result = mean(x, 4)", local="float x[4]", inputs=code, output="", reference=same, claims=near)
f("array_partly", call="for (int i = 0; i < 3; i++) x[i] = (float)code; result = mean(x, 4)", local="float x[4]",
  inputs=code, output="", claims=[])
f("bits", call="n.low = code & 15; n.high = 0; n.at = &cal; cal.gain = 1.0f; result = from_notch(&n)",
  local="calibration_t cal; struct notch n", inputs=code, output="", claims=[stays_within(0, 15, because=WHY)])
"""


@pytest.fixture(scope="module")
def record(private_cache: Any) -> dict[str, Any]:
    return shared_record(C, sheet_text(ENTRIES))


@pytest.mark.parametrize("name", [
    "right", "by_value", "octave", "member_of_result", "global_in", "global_out", "section", "array_inside", "array", "bits",
])
def test_a_right_call_gives_no_alarm(record: dict[str, Any], name: str) -> None:
    found = seen(record, name)

    assert set() == found.failing() | set(found.other())
    assert "every value" == found.claim("returns")["strength"]["kind"]


def test_a_wrong_member_is_found_at_its_only_input(record: dict[str, Any]) -> None:
    found = seen(record, "wrong_member")

    assert {"accurate host"} == found.failing()
    assert place(CODES) == found.value("accurate")


@pytest.mark.parametrize("name", ["unset_member", "array_partly"])
def test_a_local_that_nothing_sets_shows_as_nan_and_as_a_changing_result(record: dict[str, Any], name: str) -> None:
    found = seen(record, name)

    assert {"finite host", "deterministic host"} <= found.failing()
    assert "memory that nothing has written" in found.words("deterministic")


@pytest.mark.parametrize("name", ["forgets", "unset_result"])
def test_an_output_that_is_not_written_for_one_input_is_found_there(record: dict[str, Any], name: str) -> None:
    found = seen(record, name)

    assert {"finite host", "deterministic host"} <= found.failing()
    assert place(CODES) == found.value("finite")
    assert place(CODES) == found.value("deterministic")


def test_a_global_left_over_from_the_last_call_is_found_and_named(record: dict[str, Any]) -> None:
    found = seen(record, "left_over")

    assert {"deterministic host"} == found.failing()
    assert "last" in found.words("deterministic")


def test_a_named_global_starts_afresh_so_one_missed_write_is_found_at_its_input(record: dict[str, Any]) -> None:
    found = seen(record, "global_sometimes")

    assert {"accurate host"} == found.failing()
    assert place(CODES) == found.value("accurate")


def test_a_global_that_is_not_named_is_hidden_memory_and_the_sheet_is_told_how_to_name_it(record: dict[str, Any]) -> None:
    found = seen(record, "global_not_named")

    assert set() == found.failing() | set(found.other())
    assert "every value" not in found.claim("stays_within")["verdict_text"]
    assert "tuning_hz" in found.words("deterministic")
    assert "globals=[" in found.words("deterministic")


def test_an_array_member_read_past_its_end_is_found_by_the_strict_build(record: dict[str, Any]) -> None:
    found = seen(record, "array_past")

    assert "no_undefined_behaviour strict" in found.failing()
    assert 12 == found.value("no_undefined_behaviour", "strict")
    assert "12" in found.words("no_undefined_behaviour", "strict")


def test_the_record_shows_the_call_and_where_its_function_is_defined(record: dict[str, Any]) -> None:
    entry = seen(record, "right").entry

    assert "result = line(&cal, code)" in entry["prototype"]
    assert entry["definition"].startswith("plant.c:")
    # That a pointer is narrower on the board says nothing.
    assert not any("parameter 'c'" in note for note in entry["notes"])


def test_a_witness_keeps_the_entry_s_name(record: dict[str, Any]) -> None:
    witness = seen(record, "wrong_member").claim("accurate")["witness"]

    assert witness["replay"].startswith("preflash replay plant_sheet.py wrong_member code=0x")
