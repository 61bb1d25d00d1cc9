"""Reads and writes beside a local variable through a pointer, or after its block: found by name and line."""

from __future__ import annotations

import platform
from typing import Any

import pytest

from tests.fault_injection.planted import C_START, found_beside, seen, shared_record, sheet_text

pytestmark = [
    pytest.mark.usefixtures("gcc"),
    pytest.mark.skipif(platform.machine() != "x86_64", reason="the map of locals is laid out for x86-64"),
]

C = C_START + """
#include <setjmp.h>
static int far(uint16_t code, int there, int elsewhere) { return hit(code, 4096u) ? there : elsewhere; }
static __attribute__((noinline)) float taken(const float *t, int at) { return t[at]; }
static __attribute__((noinline)) void put(float *t, int at, float v) { t[at] = v; }
float past(uint16_t code) { float line[6] = {1, 2, 3}; return taken(line, far(code, 6, code % 6)) * 0.0f; }
float before(uint16_t code) { float other[3] = {1}; put(other, far(code, -1, code % 3), 1.0f); return other[2] * 0.0f; }
float copies(uint16_t code)
{
    char name[12], from[16] = "0123456789abcde";
    memcpy(name, from, (size_t)far(code, 13, 12));
    return (float)name[code % 12] * 0.0f;
}
float ended(uint16_t code)
{
    float *p, outer[4] = {0};
    p = outer;
    { float inner[4] = {1}; put(inner, code & 3, 2.0f); if (hit(code, 4096u)) p = inner; }
    return taken(p, code & 3) * 0.0f;
}
float slides(uint16_t code)
{
    char row[32] = {0};
    memcpy(row + far(code, 4, 16), row, (size_t)(code % 4 + 8));
    return (float)row[code % 32];
}
float strings(uint16_t code)
{
    static const char *const names[2] = {"C sharp", "C sharp 7"};
    char name[8], more[16] = "";
    strcpy(name, names[far(code, 1, 0)]);
    strcat(more, name + 8 - strlen("1234567") - 1);
    return (float)more[code % 8] * 0.0f;
}
static jmp_buf left;
static __attribute__((noinline)) void leave(int n) { float deep[9] = {0}; put(deep, n, 1.0f); longjmp(left, 1); }
float right(uint16_t code)
{
    float line[7], s = 0.0f;
    volatile int twice = 0;
    for (int i = 0; i < 7; i++) put(line, i, (float)(code % (i + 1)));
    for (const float *p = line + 7; p > line;) s += *--p;
    { float inner[3] = {1, 2, 3}; s += taken(inner, code % 3); }
    if (setjmp(left) == 0) leave(code % 9);
    { char a[24] = "bell", b[24]; memcpy(b, a, 12); memmove(a + 3, a, 16); strncpy(b, a, 24); s += (float)strlen(b); }
    { float after[5]; memset(after, 0, sizeof after); s += taken(after, code % 5); }
    return s + twice;
}
typedef struct { float y; } m_t;
void m_init(m_t *s) { s->y = 0.0f; (void)bits_of(0); }
float past_step(m_t *s, int32_t x) { float w[4] = {0}; put(w, x == 100 ? 4 : x & 3, 1.0f); return s->y = w[0]; }
float inside_step(m_t *s, int32_t x) { float w[4] = {0}; put(w, x & 3, 1.0f); return s->y = w[0]; }
"""
FAULTS = {
    "past": ("read outside a variable (4 bytes at byte 24 of 'line', which has 24",
             "static __attribute__((noinline)) float taken"),
    "before": ("write outside a variable (4 bytes 4 bytes before 'other'", "static __attribute__((noinline)) void put"),
    "copies": ("outside a variable (13 bytes at byte 12 of 'name', which has 12", "memcpy(name"),
    "slides": ("copied by memcpy or strcpy between stretches that overlap (4 bytes apart)", "memcpy(row"),
    "strings": ("read outside a variable (1 bytes at byte 8 of 'name', which has 8", "strcat(more"),
    "ended": ("read of the ended local 'inner'", "static __attribute__((noinline)) float taken"),
}
ENTRIES = f"""
for name in {[*FAULTS, "right"]}:
    f(name, inputs=[codes("code", bits=12)], output="", claims=[in_bounds(because=WHY)])
for name in ["past_step", "inside_step"]:
    s.machine("m_" + name, state="m_t", init="m_init(state)", step=f"y = {{name}}(state, x)", scripts=64,
        longest_seconds=0.02, inputs=[integers("x", 0, 100, "")], outputs=[signal("y", "")], claims=[in_bounds(because=WHY)])
"""


@pytest.fixture(scope="module")
def record(private_cache: Any) -> dict[str, Any]:
    return shared_record(C, sheet_text(ENTRIES, more=', builds=["strict"]'))


@pytest.mark.parametrize("name", FAULTS)
def test_an_access_beside_a_local_names_it_with_input_and_line(record: dict[str, Any], name: str) -> None:
    found, (words, line) = seen(record, name), FAULTS[name]

    found_beside(found, C, line, ("in_bounds", "no_undefined_behaviour")[name == "slides" :])
    assert words in found.words("no_undefined_behaviour", "strict")


def test_locals_used_from_end_to_end_and_left_by_a_jump_give_no_alarm(record: dict[str, Any]) -> None:
    found = seen(record, "right")

    assert set() == found.failing() | set(found.other())


def test_a_machine_that_writes_beside_a_local_is_found(record: dict[str, Any]) -> None:
    past, inside = seen(record, "m_past_step"), seen(record, "m_inside_step")

    assert "in_bounds strict" in past.failing()
    assert "byte 16 of 'w', which has 16" in past.words("in_bounds", "strict")
    assert "hold 0x00000064" in past.claim("in_bounds", "strict")["witness"]["script"]
    assert set() == inside.failing() | set(inside.other())
