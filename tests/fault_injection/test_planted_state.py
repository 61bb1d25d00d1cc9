"""Hidden memory, changed floating-point modes, value-changing flags, ties with a limit, and what cannot be judged."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.fault_injection.planted import C_START, code_of, place, run, seen, shared_record, sheet_text

pytestmark = pytest.mark.usefixtures("gcc")

CODES = 4096
STATE = (
    C_START
    + """
#include <fenv.h>
#include <xmmintrin.h>
static unsigned bell_calls;
float last_strike;
float right(uint16_t code) { return (float)code; }
float counts(uint16_t code) { static unsigned parity; parity ^= 1u; return (float)code + (float)parity; }
float remembers(uint16_t code) { float y = last_strike; last_strike = (float)code; return y; }
float seldom(uint16_t code) { static int armed; int was = armed; armed = hit(code, 4096u);
    return (float)code + (was ? 0.5f : 0.0f); }
float first_for_good(uint16_t code) { static float first = -1.0f; if (first < 0.0f) first = (float)code; return first; }
float made_once(uint16_t code) { static float t[4]; static int made; for (; made < 4; made++) t[made] = (float)made;
    return t[code & 3]; }
float harmless(uint16_t code) { bell_calls++; return (float)code; }
float flushes(uint16_t code) { if (hit(code, 4096u)) _mm_setcsr(_mm_getcsr() | 0x8000u); return (float)code; }
float rounds(uint16_t code) { if (hit(code, 4096u)) fesetround(FE_UPWARD); return (float)code; }
typedef struct { float y; } m_t;
void m_init(m_t *s) { s->y = 0.0f; }
float rounds_step(m_t *s, int16_t x) { if (x == 1000) fesetround(FE_UPWARD); return s->y = (float)x * 0.1f; }
float flushes_step(m_t *s, int16_t x) { if (x == 1000) _mm_setcsr(_mm_getcsr() | 0x8000u); return s->y = (float)x * 0.1f; }
float right_step(m_t *s, int16_t x)
{
    int was = fegetround();
    fesetround(FE_UPWARD);
    s->y = (float)x;
    fesetround(was);
    return s->y * 0.1f;
}
"""
)
STATE_ENTRIES = """
for name in ("right", "counts", "remembers", "seldom", "first_for_good", "made_once", "harmless", "flushes", "rounds"):
    f(name, inputs=[codes("code", bits=12)], output="", claims=[stays_within(0, 5000, because=WHY)])
for name in ("rounds_step", "flushes_step", "right_step"):
    s.machine(name, state="m_t", init="m_init(state)", step=f"y = {name}(state, x)", inputs=[integers("x", 0, 1000, "")],
        outputs=[signal("y", "")], longest_seconds=0.02, scripts=24, claims=[])
"""


@pytest.fixture(scope="module")
def state(private_cache: Any) -> dict[str, Any]:
    return shared_record(STATE, sheet_text(STATE_ENTRIES))


def test_a_routine_without_memory_holds_for_every_value(state: dict[str, Any]) -> None:
    found = seen(state, "right")

    assert set() == found.failing() | set(found.other())
    assert "every value" == found.claim("deterministic")["strength"]["kind"]


@pytest.mark.parametrize(("name", "memory"), [("counts", "parity"), ("remembers", "last_strike"), ("seldom", "armed"),
                                              ("first_for_good", "first")])
def test_memory_that_changes_the_result_fails_and_is_named(state: dict[str, Any], name: str, memory: str) -> None:
    found = seen(state, name)

    assert {"deterministic host"} == found.failing()
    assert {} == found.other()
    assert memory in found.words("deterministic")


def test_harmless_memory_holds_but_never_for_every_value(state: dict[str, Any]) -> None:
    found = seen(state, "harmless")

    assert set() == found.failing() | set(found.other())
    assert "bell_calls" in found.words("deterministic")
    assert set() == seen(state, "made_once").failing() | set(seen(state, "made_once").other())
    for claim in ("deterministic", "finite", "stays_within", "returns"):
        assert "every value" not in found.claim(claim)["verdict_text"]


@pytest.mark.parametrize("name", ["flushes", "rounds"])
def test_a_changed_mode_is_found_and_does_not_spoil_the_rest(state: dict[str, Any], name: str) -> None:
    found = seen(state, name)

    assert {"no_hidden_events host"} == found.failing()
    assert {} == found.other()
    assert "the floating-point mode was changed" in found.words("no_hidden_events")
    assert place(CODES) == found.value("no_hidden_events")


@pytest.mark.parametrize("name", ["flushes_step", "rounds_step"])
def test_a_mode_that_a_machine_changes_is_found(state: dict[str, Any], name: str) -> None:
    found = seen(state, name)

    # Until it is set back, between two stretches, it acts on: the other instance's samples tell, too.
    assert "no_hidden_events host" in found.failing()
    assert "the floating-point mode was changed" in found.words("no_hidden_events")
    assert "hold 0x000003e8" in found.claim("no_hidden_events")["witness"]["script"]
    assert set() == seen(state, "right_step").failing()


def test_memory_of_one_thread_is_watched_like_any_other(tmp_path: Path) -> None:
    c = C_START + "static _Thread_local float last;\nfloat f1(uint16_t code) { float y = last; last = code; return y; }\n"
    found = seen(run(tmp_path, c, sheet_text('f("f1", inputs=[codes("code", bits=12)], output="", claims=[])')), "f1")

    assert {"deterministic host"} == found.failing()
    assert {} == found.other()


FAST = (
    C_START
    + """
static float pick(uint32_t code, uint32_t bits, float elsewhere) {
    uint32_t u = hit(code, 4096u) ? bits : bits_of(elsewhere);
    float x; memcpy(&x, &u, 4); return x;
}
float is_nan(uint16_t code) { return pick(code, 0x7fc00000u, (float)code); }
float is_infinite(uint16_t code) { return pick(code, 0xff800000u, (float)code); }
float is_subnormal(uint16_t code) { return pick(code, 0x00000400u, (float)code); }
float all_nan(uint16_t code) { uint32_t u = 0x7fc00000u | code; float x; memcpy(&x, &u, 4); return x; }
float guarded(uint16_t code) { float x = pick(code, 0x7fc00000u, 1.0f); return isnan(x) ? 0.0f : x; }
float right(uint16_t code) { return (float)code * 0.1f; }
"""
)
FAST_ENTRIES = """
for name in ("is_nan", "is_infinite", "is_subnormal", "all_nan", "guarded", "right"):
    f(name, inputs=[codes("code", bits=12)], output="", claims=[no_subnormals(because=WHY)])
"""


@pytest.mark.parametrize("flags", ["-Ofast", "-O2 -ffast-math"])
def test_fast_math_hides_nothing_from_the_judge(private_cache: Any, flags: str) -> None:
    record = shared_record(FAST, sheet_text(FAST_ENTRIES, flags=flags))

    assert "finite host" in seen(record, "is_nan").failing()
    assert place(CODES) == seen(record, "is_nan").value("finite")
    assert "finite host" in seen(record, "is_infinite").failing()
    assert place(CODES) == seen(record, "is_infinite").value("finite")
    assert "no_subnormals host" in seen(record, "is_subnormal").failing()
    assert place(CODES) == seen(record, "is_subnormal").value("no_subnormals")
    assert 1 == seen(record, "all_nan").claim("finite")["failing_share"]["share"]
    assert "finite host" in seen(record, "guarded").failing()
    assert set() == seen(record, "right").failing() | set(seen(record, "right").other())


ADDING = C_START + "float added(uint8_t code) { float s = 0; for (int i = 0; i < code; i++) s += 0.1f; return s; }\n"


def worst_of_adding() -> tuple[Fraction, int]:
    """Largest distance from code/10 of a sum of code times binary32 0.1, exactly, and its code."""
    total, worst = np.float32(0), (Fraction(0), 0)
    for code in range(256):
        error = abs(Fraction(float(total)) - Fraction(code, 10))
        worst = max(worst, (error, code), key=lambda pair: pair[0])
        total += np.float32(0.1)
    return worst


@pytest.mark.parametrize(("factor", "verdict"), [(Fraction(1), "holds"), (1 - Fraction(1, 10**9), "fails")])
def test_a_limit_is_inclusive_to_the_last_digit(tmp_path: Path, factor: Fraction, verdict: str) -> None:
    worst, code = worst_of_adding()
    limit = worst * factor
    entry = f"""
from fractions import Fraction
def tenth(ctx, x): return x / 10
LIMIT = Fraction({limit.numerator}, {limit.denominator})
f("added", inputs=[codes("code", bits=8)], output="", reference=tenth, claims=[accurate(absolute=LIMIT, because=WHY)])
"""
    found = seen(run(tmp_path, ADDING, sheet_text(entry)), "added")

    assert verdict == found.verdicts()["accurate host"]
    assert {} == found.other()
    assert found.failing() == ({"accurate host"} if verdict == "fails" else set())
    if verdict == "fails":
        assert code == found.value("accurate")


def test_a_tie_that_no_precision_decides_is_undecided(tmp_path: Path) -> None:
    c = C_START + "float f1(uint8_t code) { return (float)code + 2.0f; }\n"
    entry = """
def tied(ctx, x): return ctx.sqrt(x + 2) * ctx.sqrt(x + 2) + 0
f("f1", inputs=[integers("code", 1, 200, "")], output="", reference=tied, claims=[accurate(absolute=0, because=WHY)])
"""
    record = run(tmp_path, c, sheet_text(entry))

    assert {"accurate host": "undecided"} == seen(record, "f1").other()
    assert 3 == code_of(record)


def test_a_missing_header_blocks_and_never_holds(tmp_path: Path) -> None:
    c = '#include "board_pins.h"\n' + C_START + "float f1(uint8_t code) { return (float)code; }\n"
    record = run(tmp_path, c, sheet_text('f("f1", inputs=[codes("code", bits=8)], output="", claims=[])'))

    assert {"blocked"} == set(seen(record, "f1").verdicts().values())
    assert 3 == code_of(record)
    assert "board_pins.h" in str(record["blocked_builds"])
