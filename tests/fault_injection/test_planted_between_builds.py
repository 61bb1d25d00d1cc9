"""Rules of C that no check names show in the result: what the strict build gives is not what the host build gives."""

from __future__ import annotations

from typing import Any

import pytest

from tests.fault_injection.planted import C_START, place, seen, shared_record, sheet_text

pytestmark = pytest.mark.usefixtures("gcc")

CODES = 4096
C = C_START + """
typedef struct { float gain, offset; } cal_t;
typedef struct { float y; } m_t;
static __attribute__((noipa)) float line(const cal_t *c, float x) { return c->gain * x + c->offset; }
static __attribute__((noipa)) int32_t both(int32_t *a, float *b) { *a = 1; *b = 2.0f; return *a; }
int32_t unset(uint16_t code) { int32_t y; if (!hit(code, 4096u)) y = code; return y; }
int32_t unset_right(uint16_t code) { int32_t y = 0; if (!hit(code, 4096u)) y = code; return y; }
float member(uint16_t code) { cal_t c; c.gain = 2.0f; if (!hit(code, 4096u)) c.offset = 1.0f; return line(&c, code); }
float member_right(uint16_t code) { cal_t c; c.gain = 2.0f; c.offset = hit(code, 4096u); return line(&c, code); }
int32_t alias(uint16_t code) { union { int32_t i; float f; } u; float o; return both(&u.i, hit(code, 4096u) ? &u.f : &o); }
int32_t alias_right(uint16_t code) { int32_t i; float o; return both(&i, &o) + (int32_t)(bits_of(code) & 0u); }
int64_t wide_right(uint16_t code) { return ((int64_t)code << 50) + 1; }
float kept(uint16_t code) { static float sum; sum += 0.5f; return sum + (float)code; }
void m_init(m_t *s) { s->y = 0.0f; }
float lost_step(m_t *s, float x) { float g; if (x != 1.0f) g = 0.5f; return s->y = x * g; }
float lost_right_step(m_t *s, float x) { float g = 1.0f; if (x != 1.0f) g = 0.5f; return s->y = x * g; }
"""
FAULTS = ("unset", "member", "alias")
ENTRIES = f"""
for name in {[*FAULTS, *(f"{name}_right" for name in FAULTS), "wide_right"]}:
    f(name, inputs=[codes("code", bits=12)], output="", claims=[])
f("kept", inputs=[codes("code", bits=12)], output="", without={{"deterministic": "it sums on purpose"}}, claims=[])
for name in ["lost", "lost_right"]:
    s.machine("m_" + name, state="m_t", init="m_init(state)", step=f"y = {{name}}_step(state, x)", scripts=64,
        longest_seconds=0.02, inputs=[binary32("x", -1, 1, "")], outputs=[signal("y", "")], claims=[])
"""


@pytest.fixture(scope="module")
def record(private_cache: Any) -> dict[str, Any]:
    return shared_record(C, sheet_text(ENTRIES))


@pytest.mark.parametrize("name", FAULTS)
def test_a_broken_rule_shows_where_the_two_builds_part(record: dict[str, Any], name: str) -> None:
    found = seen(record, name)

    assert "no_undefined_behaviour strict" in found.failing() and {} == found.other()
    assert place(CODES) == found.value("no_undefined_behaviour", "strict")
    words = found.words("no_undefined_behaviour", "strict")
    assert "with the author's flags alone" in words and "a local that nothing has set" in words


@pytest.mark.parametrize("name", [*(f"{name}_right" for name in FAULTS), "wide_right"])
def test_right_routines_give_the_same_in_both_builds(record: dict[str, Any], name: str) -> None:
    found = seen(record, name)

    assert "no_undefined_behaviour strict" not in found.failing() | set(found.other())


def test_memory_that_is_meant_is_no_broken_rule(record: dict[str, Any]) -> None:
    assert "holds" == seen(record, "kept").verdicts()["no_undefined_behaviour strict"]


def test_a_machine_with_an_unset_local_is_found(record: dict[str, Any]) -> None:
    lost, right = seen(record, "m_lost"), seen(record, "m_lost_right")

    assert "no_undefined_behaviour strict" in lost.failing()
    assert "hold 0x3f800000" in lost.claim("no_undefined_behaviour", "strict")["witness"]["script"]
    assert set() == right.failing() | set(right.other())


LEFT = """
#include <errno.h>
#include <math.h>
#include <stdint.h>
static const float curve[4] = {1, 2, 3, 4};
typedef struct { float y; int mode; } m_t;
void m_init(m_t *s) { s->y = 0.0f; }
void m_right_init(m_t *s) { s->y = 0.0f; s->mode = 0; }
float m_step(m_t *s, float x) { return s->y = s->mode == 1 ? -x : x; }
float sticks(int32_t code) { float y = logf((float)code); return errno == ERANGE ? -1.0f : y; }
float cleared(int32_t code) { errno = 0; float y = logf((float)code); return errno == ERANGE ? -1.0f : y; }
static __attribute__((noipa)) void put(float *at) { *at = 5.0f; }
float burns(uint16_t code) { if (code == 1234) put((float *)(uintptr_t)&curve[code & 3]); return curve[code & 3]; }
"""
LEFT_ENTRIES = """
for name in ["sticks", "cleared"]:
    f(name, inputs=[integers("code", 0, 4095, "")], output="", claims=[], without={"no_hidden_events": "a zero"})
f("burns", inputs=[codes("code", bits=12)], output="", claims=[])
for name in ["m", "m_right"]:
    s.machine(name, state="m_t", init=f"{name}_init(state)", step="y = m_step(state, x)", scripts=32, longest_seconds=0.02,
        inputs=[binary32("x", -1, 1, "")], outputs=[signal("y", "")], claims=[])
"""


@pytest.fixture(scope="module")
def left(private_cache: Any) -> dict[str, Any]:
    return shared_record(LEFT, sheet_text(LEFT_ENTRIES, more=', builds=["host"]'))


def test_an_error_number_left_by_an_earlier_call_is_seen(left: dict[str, Any]) -> None:
    assert {"deterministic host"} == seen(left, "sticks").failing()
    assert set() == seen(left, "cleared").failing()


def test_a_mode_that_init_forgets_is_seen_where_memory_holds_ones(left: dict[str, Any]) -> None:
    found = seen(left, "m")

    assert {"fresh_after_init host"} == found.failing()
    assert "held 1 before init" in found.words("fresh_after_init")
    assert set() == seen(left, "m_right").failing()


def test_a_write_to_constant_memory_is_named(left: dict[str, Any]) -> None:
    assert 1234 == seen(left, "burns").value("returns")
    assert "a write to constant memory" in seen(left, "burns").words("returns")
