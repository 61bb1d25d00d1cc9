"""The same C with subnormals flushed, and machines at other levels of optimisation: what parts is found where it parts."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.fault_injection.planted import C_START, place, run, seen, shared_record, sheet_text
from verify.claims.protective import no_hidden_events
from verify.errors import SheetError
from verify.hunting.plan import Plan

pytestmark = pytest.mark.usefixtures("gcc")

CODES = 4096
C = C_START + """
static __attribute__((noipa)) float small(uint16_t code) { return hit(code, 4096u) ? 0x1p-100f : 1.0f; }
float scaled_again(uint16_t code) { float y = small(code) * 0x1p-40f; return y * 0x1p60f * 0x1p60f; }
float tail_only(uint16_t code) { float y = small(code) * 0x1p-40f; return y + (float)code; }
typedef struct { float y; float gain; } echo_t;
void echo_init(echo_t *s, float gain) { s->y = 0.0f; s->gain = gain; }
/* y comes back from below the normal numbers only where they are kept. */
float echo_step(echo_t *s, float x) { s->y = x * s->gain; return s->y * 0x1p100f * 0x1p35f; }
float quiet_step(echo_t *s, float x) { s->y = 0.5f * s->y + x; return s->y; }
"""
FLUSHED = """no_hidden_events(subnormals="flushed", because="the board flushes them")"""
MACHINE = f"""
s.machine("NAME", state="echo_t", init="echo_init(state, 0x1p-135f)", step="y = NAME_step(state, x)", longest_seconds=0.05,
    inputs=[values("x", [0, 1, 0.5], "V")], outputs=[signal("y", "V")], scripts=64, claims=[{FLUSHED}])
"""
ENTRIES = f"""
for name in ["scaled_again", "tail_only"]:
    f(name, inputs=[codes("code", bits=12)], output="V", claims=[{FLUSHED}])
{MACHINE.replace("NAME", "echo")}{MACHINE.replace("NAME", "quiet")}
"""


@pytest.fixture(scope="module")
def record(private_cache: Any) -> dict[str, Any]:
    return shared_record(C, sheet_text(ENTRIES, more=', builds=["host"]'))


def test_what_comes_back_from_a_subnormal_is_lost_where_it_is_flushed(record: dict[str, Any]) -> None:
    found = seen(record, "scaled_again")

    assert {"same_when_flushed host"} == found.failing()
    assert {} == found.other()
    assert place(CODES) == found.value("same_when_flushed")
    words = found.words("same_when_flushed")
    assert "where subnormals are kept, 0.0 where they are flushed" in words


def test_a_tail_below_the_result_is_fine_in_both_modes(record: dict[str, Any]) -> None:
    found = seen(record, "tail_only")

    assert set() == found.failing() | set(found.other())


def test_a_machine_is_played_in_both_modes(record: dict[str, Any]) -> None:
    echo, quiet = seen(record, "echo"), seen(record, "quiet")

    assert "same_when_flushed host" in echo.failing()
    claim = echo.claim("same_when_flushed")
    assert "0.0, as where they are flushed" in claim["witness"]["wanted"]
    assert "1 sample " in claim["witness"]["table"][0] or 0 == claim["witness"]["sample"]
    assert set() == quiet.failing() | set(quiet.other())


def test_a_limit_without_the_mode_is_refused() -> None:
    with pytest.raises(SheetError, match="subnormals"):
        no_hidden_events(absolute=1e-6)


LEVELS = """
#include <stdint.h>
typedef struct { int32_t at; float y; } m_t;
void m_init(m_t *s) { s->at = 0; s->y = 0.0f; }
/* Overflow is undefined, so -O2 takes both for equal. */
static __attribute__((noinline)) int same(int32_t a) { int32_t twice = a * 2; return twice / 2 == a; }
int32_t wraps_step(m_t *s, int32_t x) { s->at = x; return same(s->at); }
int32_t sound_step(m_t *s, int32_t x) { s->at = x; return (int64_t)s->at * 2 / 2 == s->at; }
float sum_step(m_t *s, float x) { float t = 0.1f * x; s->y = (t + 1e8f) - 1e8f + 0.3f * x; return s->y; }
int32_t same_of(const int32_t *a) { return same(*a); }
"""
INPUT = 'inputs=[values("x", [0, 7, 2**31 - 1], "")]'
SAME = "same_at_any_optimisation(because=WHY"


def test_machines_and_calls_are_compared_at_other_levels(tmp_path: Path) -> None:
    entries = "".join(f"""
s.machine("{name}", state="m_t", init="m_init(state)", step="y = {name}_step(state, x)", {given}, longest_seconds=0.02,
    outputs=[signal("y", ""{kind})], scripts=24, claims=[{SAME}{more})])
""" for name, given, kind, more in (
        ("wraps", INPUT, ', ctype="int32_t"', ""), ("sound", INPUT, ', ctype="int32_t"', ""),
        ("sum", 'inputs=[binary32("x", 0, 1, "")]', "", ', ulp=1, also=["-ffast-math"]')))
    entries += f"""
f("call", local="int32_t a", call="a = x; result = same_of(&a)", output_type="int32_t", output="", {INPUT}, claims=[{SAME})])
"""
    record = run(tmp_path, LEVELS, sheet_text(entries, more=', builds=["host"]'), Plan(scripts=24))
    wraps, sound, total, call = (seen(record, name) for name in ("wraps", "sound", "sum", "call"))

    def failing(found: Any) -> set[str]:
        return {c["label"] for c in found.entry["claims"] if c["verdict"] == "fails"}

    assert failing(wraps) == failing(call) == {"same_at_any_optimisation(-O0)"}
    assert "hold 0x7fffffff" in wraps.claim("same_at_any_optimisation")["witness"]["script"]
    assert "0, as with -O0" in wraps.words("same_at_any_optimisation")
    assert set() == failing(sound) and {} == sound.other()
    assert {"same_at_any_optimisation(-ffast-math, ulp=1)"} == failing(total)
