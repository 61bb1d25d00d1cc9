"""Reads and writes beside a table through a pointer: found at their input by name and line, in functions and machines."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.fault_injection.planted import C_START, found_beside, run, seen, shared_record, sheet_text
from verify.hunting.plan import Plan

pytestmark = pytest.mark.usefixtures("gcc")

C = C_START + """
static const float table[16] = {1, 2, 3};
static const uint8_t odd_sized[13] = {1, 2, 3};
float ring[5];
static float taken(const float *t, int at) { return t[at]; }
static void put(float *t, int at, float v) { t[at] = v; }
static int far(uint16_t code, int there, int elsewhere) { return hit(code, 4096u) ? there : elsewhere; }
float past(uint16_t code) { return taken(table, far(code, 16, code & 15)); }
float before(uint16_t code) { return taken(table, far(code, -1, code & 15)); }
float writes(uint16_t code) { put(ring, far(code, 5, code % 5), code); return code; }
float walks(uint16_t code)
{
    float s = 0;
    for (const float *p = table, *end = table + far(code, 17, 16); p < end; p++) s += *p;
    return s + code;
}
float bytes(uint16_t code) { const uint8_t *p = odd_sized; return p[far(code, 13, code % 13)]; }
float local(uint16_t code)
{
    static float kept[6];
    float *p = kept;
    p[far(code, 6, code % 6)] = 1.0f;
    return code;
}
float right(uint16_t code)
{
    float s = 0;
    for (const float *p = table; p < table + 16; p++) s += *p;
    for (const uint8_t *p = odd_sized + 12; p >= odd_sized; p--) { s += *p; if (p == odd_sized) break; }
    put(ring, code % 5, code);
    return s + code;
}
"""
FAULTS = {
    "past": ("byte 64 of 'table', which has 64", "static float taken"),
    "before": ("4 bytes before 'table'", "static float taken"),
    "writes": ("byte 20 of 'ring', which has 20", "static void put"),
    "walks": ("byte 64 of 'table', which has 64", "const float *p = table, *end"),
    "bytes": ("byte 13 of 'odd_sized', which has 13", "float bytes("),
    "local": ("byte 24 of 'kept', which has 24", "p[far(code, 6"),
}
ENTRIES = f"""
for name in {[*FAULTS, "right"]}:
    f(name, inputs=[codes("code", bits=12)], output="", claims=[in_bounds(because=WHY)])
"""


@pytest.fixture(scope="module")
def record(private_cache: Any) -> dict[str, Any]:
    return shared_record(C, sheet_text(ENTRIES, more=', builds=["strict"]'))


@pytest.mark.parametrize("name", FAULTS)
def test_an_access_beside_a_table_names_it_with_input_and_line(record: dict[str, Any], name: str) -> None:
    found, (words, line) = seen(record, name), FAULTS[name]

    found_beside(found, C, line, ("in_bounds", "no_undefined_behaviour"))
    assert words in found.words("in_bounds", "strict")


def test_walks_from_end_to_end_give_no_alarm(record: dict[str, Any]) -> None:
    found = seen(record, "right")

    assert set() == found.failing() | set(found.other())
    assert "room beside every table and variable, local ones too" in found.claim("in_bounds", "strict")["detectors"]


MACHINE = """
#include <stdint.h>
typedef struct { int at; float line[8]; } delay_t;
static const float shape[8] = {1, 2, 3};
static float taken(const float *t, int at) { return t[at]; }
void delay_init(delay_t *s) { *s = (delay_t){0}; }
float delay_step(delay_t *s, int32_t x) { s->at = (s->at + 1) % 8; return taken(TABLE, (INDEX)) + (float)(x * 0); }
"""
ENTRY = sheet_text("""
s.machine("delay", state="delay_t", init="delay_init(state)", step="y = delay_step(state, x)",
    inputs=[integers("x", 0, 100, "")], outputs=[signal("y", "")], longest_seconds=0.02, claims=[in_bounds(because=WHY)])
""", more=', builds=["strict"]')


@pytest.mark.parametrize(("table", "index", "words"), [
    ("shape", "x & 7", ""),
    ("s->line", "x & 7", ""),
    ("shape", "x == 100 ? 8 : x & 7", "byte 32 of 'shape'"),
    ("s->line", "x == 100 ? 8 : x & 7", "SIGSEGV"),
])
def test_a_machine_that_reads_beside_its_tables_or_state_is_found(tmp_path: Path, table: str, index: str, words: str) -> None:
    c = MACHINE.replace("TABLE", table).replace("INDEX", index)
    found = seen(run(tmp_path, c, ENTRY, Plan(scripts=64)), "delay")

    assert {} == found.other()
    if not words:
        assert set() == found.failing()
        return
    assert "in_bounds strict" in found.failing()
    assert words in found.words("in_bounds", "strict")
    assert "hold 0x00000064" in found.claim("in_bounds", "strict")["witness"]["script"]
