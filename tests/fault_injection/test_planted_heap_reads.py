"""Reads beside a block of a machine's heap, and of what was freed: found in the strict build; right twins are silent."""

from __future__ import annotations

import platform
from typing import Any

import pytest

from tests.fault_injection.planted import seen, shared_record, sheet_text

pytestmark = [
    pytest.mark.usefixtures("gcc"),
    pytest.mark.skipif(platform.machine() != "x86_64", reason="the map of memory is laid out for x86-64"),
]

C = """
#include <stdint.h>
#include <stdlib.h>
typedef struct { float *line, *old; int at; } m_t;
static __attribute__((noipa)) float taken(const float *t, int at) { return t[at]; }
static __attribute__((noipa)) void put(float *t, int at) { t[at] = 1.0f; }
void m_init(m_t *s)
{
    s->line = calloc(13, sizeof(float));
    s->old = calloc(6, sizeof(float));
    s->at = 0;
    free(s->old);
}
void m_end(m_t *s) { free(s->line); }
float past_step(m_t *s, int32_t x) { s->at = (s->at + 1) % 13; return taken(s->line, x == 9 ? 13 : s->at) * 0.0f; }
float before_step(m_t *s, int32_t x) { s->at = (s->at + 1) % 13; return taken(s->line, x == 9 ? -1 : s->at) * 0.0f; }
float freed_step(m_t *s, int32_t x) { return taken(x == 9 ? s->old : s->line, 2) * 0.0f; }
float refilled_step(m_t *s, int32_t x) { put(x == 9 ? s->old : s->line, 2); return 0.0f; }
float right_step(m_t *s, int32_t x)
{
    float sum = 0.0f;
    for (int i = 0; i < 13; i++) { put(s->line, i); sum += taken(s->line, i); }
    return sum + (float)x;
}
"""
FAULTS = {
    "past": "read outside a variable (4 bytes at byte 52 of 'a block of the heap', which has 52",
    "before": "read outside a variable (4 bytes 4 bytes before 'a block of the heap'",
    "freed": "read of freed memory",
    "refilled": "write of freed memory",
}
ENTRIES = f"""
for name in {[*FAULTS, "right"]}:
    s.machine(name, state="m_t", init="m_init(state)", destroy="m_end(state)", step=f"y = {{name}}_step(state, x)",
        scripts=32, longest_seconds=0.02, inputs=[integers("x", 0, 9, "")], outputs=[signal("y", "")], claims=[])
"""


@pytest.fixture(scope="module")
def record(private_cache: Any) -> dict[str, Any]:
    return shared_record(C, sheet_text(ENTRIES, more=', builds=["strict"]'))


@pytest.mark.parametrize("name", FAULTS)
def test_an_access_beside_a_block_or_to_a_freed_one_is_named(record: dict[str, Any], name: str) -> None:
    found = seen(record, name)

    assert "no_undefined_behaviour strict" in found.failing()
    assert FAULTS[name] in found.words("no_undefined_behaviour", "strict")
    assert "hold 0x00000009" in found.claim("no_undefined_behaviour", "strict")["witness"]["script"]


def test_a_block_used_from_end_to_end_gives_no_alarm(record: dict[str, Any]) -> None:
    found = seen(record, "right")

    assert set() == found.failing() | set(found.other())
