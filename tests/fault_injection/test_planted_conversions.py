"""Conversions that nobody wrote out and that change a value: clang's checks find them beside gcc's; casts are silent."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from firmware_shim import clang_strict
from tests.fault_injection.planted import C_START, place, run, seen, shared_record, sheet_text
from verify.conversions import KEPT, LOSSY, NEEDS_CLANG

BUILD, CLAIM, CODES = "clang strict", "no_undefined_behaviour", 4096
LOSES = "implicit conversion loses bits"
# Name -> (fault, what is said of it, right twin): each the body of a function of a code; `at_fault` is true at one code.
PAIRS: dict[str, tuple[str, str, str]] = {
    "byte": ("int v = at_fault ? 300 : 44; uint8_t y = v; return y;", f"{LOSES} (300, 44)",
             "int v = at_fault ? 300 : 44; uint8_t y = (uint8_t)v; return y;"),
    "product": ("int16_t a = at_fault ? 20000 : 100; int16_t y = a * 2; return y;", f"{LOSES} (40000, -25536)",
                "int16_t a = at_fault ? 20000 : 100; int16_t y = (int16_t)(a * 2); return y;"),
    "table_index": ("int k = at_fault ? 259 : 3; unsigned char at = k; return table[at];", f"{LOSES} (259, 3)",
                    "int k = at_fault ? 259 : 3; return table[k & 255];"),
    "size": ("size_t n = at_fault ? 4294967297u * (size_t)1 : 1; int r = n; return r;", LOSES,
             "size_t n = at_fault ? 4294967297u * (size_t)1 : 1; int r = (int)n; return r;"),
    "negative_byte": ("int k = at_fault ? -1 : 3; uint8_t y = k; return y;", f"{LOSES} (-1, 255)",
                      "int k = at_fault ? -1 : 3; return (uint8_t)k;"),
    "compared": ("uint32_t most = 9; int k = at_fault ? -1 : 3; return k < most;",
                 "negative number compared as unsigned (-1, 4294967295)",
                 "uint32_t most = 9; int k = at_fault ? -1 : 3; return k < (int)most;"),
}
C = C_START + """
#include <stddef.h>
static const int16_t table[256] = {1, 2, 3, 4};
typedef struct { int32_t sum; } ramp_t;
void ramp_init(ramp_t *s) { s->sum = 0; }
int8_t ramp_step(ramp_t *s, int32_t x) { s->sum += x; return s->sum; }
int8_t held_step(ramp_t *s, int32_t x) { s->sum += x; return (int8_t)s->sum; }
uint32_t turned(uint16_t code) { uint32_t phase = code; int32_t step = hit(code, 4096u) ? -9 : 9; return phase + step; }
"""
MACHINE = """s.machine("{0}", state="ramp_t", init="ramp_init(state)", step="y = {0}_step(state, x)",
    inputs=[integers("x", 0, 9, "")], outputs=[signal("y", "", ctype="int32_t")], longest_seconds=0.02, scripts=24, claims=[])
"""


def whole_c() -> str:
    text = C
    for name, (fault, _, right) in PAIRS.items():
        for end, body in (("", fault), ("_right", right)):
            text += f"int32_t {name}{end}(uint16_t code)\n{{ int at_fault = hit(code, 4096u);\n{body} }}\n"
    return text


@pytest.fixture(scope="module")
def record(clang: str) -> dict[str, Any]:
    names = [*PAIRS, *(f"{name}_right" for name in PAIRS), "turned"]
    entries = f'for name in {names}:\n    f(name, inputs=[codes("code", bits=12)], output="", claims=[])\n'
    entries += 'f("called", inputs=[codes("code", bits=12)], output="", call="result = byte(code)", claims=[])\n'
    entries += MACHINE.replace("{0}_step(state, x)", "ramp_step(state, x)").format("ramp")
    entries += MACHINE.format("held")
    return shared_record(whole_c(), sheet_text(entries))


@pytest.mark.parametrize("name", PAIRS)
def test_a_lost_value_is_found_and_a_written_cast_is_silent(record: dict[str, Any], name: str) -> None:
    found, right = seen(record, name), seen(record, f"{name}_right")
    line = next(n for n, text in enumerate(whole_c().splitlines(), 1) if PAIRS[name][0] in text)

    assert {f"{CLAIM} {BUILD}"} == found.failing()
    assert place(CODES) == found.value(CLAIM, BUILD)
    words = found.words(CLAIM, BUILD)
    assert PAIRS[name][1] in words and f"plant.c:{line}:" in words and "1 times" in words and KEPT in words
    assert set() == right.failing() | set(right.other())


def test_calls_and_machines_are_watched_as_functions_are(record: dict[str, Any]) -> None:
    assert place(CODES) == seen(record, "called").value(CLAIM, BUILD)
    found = seen(record, "ramp")
    assert {f"{CLAIM} {BUILD}"} == found.failing()
    assert f"{LOSES} (135, -121)" in found.words(CLAIM, BUILD)
    assert "x@0 hold 0x00000009" in found.claim(CLAIM, BUILD)["witness"]["script"]
    assert set() == seen(record, "held").failing()


def test_a_sign_that_changes_and_keeps_every_bit_is_told_apart(record: dict[str, Any]) -> None:
    found = seen(record, "turned")
    facts = found.claim(CLAIM, BUILD)["facts"]

    assert set() == found.failing()
    assert any("told apart, not counted: implicit conversion changes the sign (-9, 4294967287)" in fact for fact in facts)


def test_who_looks_for_it_is_said_with_clang_and_without(record: dict[str, Any], tmp_path: Path,
                                                        monkeypatch: pytest.MonkeyPatch) -> None:
    beside = seen(record, "byte_right")
    assert LOSSY in beside.claim(CLAIM, BUILD)["detectors"]
    assert f"lossy narrowing (see the build {BUILD})" in beside.claim(CLAIM, "strict")["not_watched"]
    assert BUILD in record["environment"]["builds"]

    entry = 'f("byte_right", inputs=[codes("code", bits=12)], output="", claims=[])\n'
    # A flag that clang refuses: nobody asked for its pass, so nothing is blocked, but it is said.
    refused = run(tmp_path, whole_c(), sheet_text(entry, flags="-O2 -fsingle-precision-constant"))
    assert BUILD not in refused["environment"]["builds"] and not seen(refused, "byte_right").other()
    assert any("lossy narrowing" in text and "-fsingle-precision-constant" in text for text in refused["not_checked"])

    monkeypatch.setattr(clang_strict, "clang_words", lambda: None)
    alone = run(tmp_path / "alone", whole_c(), sheet_text(entry, more=f', builds=["host", "strict", "{BUILD}"]'))
    assert NEEDS_CLANG in seen(alone, "byte_right").claim(CLAIM, "strict")["not_watched"]
    assert {f"{CLAIM} {BUILD}": "blocked"} == seen(alone, "byte_right").other()
    assert ["S124"] == [blocked["code"] for blocked in alone["blocked_builds"]]


def test_a_meant_one_is_allowed_by_its_text(clang: str, tmp_path: Path) -> None:
    entries = """
f("byte", inputs=[codes("code", bits=12)], output="", claims=[no_undefined_behaviour(because=WHY,
    allow={"uint8_t y = v;": "the low byte is meant", "int16_t y = a * 2": "an old one"})])
"""
    found = seen(run(tmp_path, whole_c(), sheet_text(entries, more=f', builds=["host", "strict", "{BUILD}"]')), "byte")
    facts = found.claim(CLAIM, BUILD)["facts"]

    assert set() == found.failing()
    assert any("the low byte is meant): 1 times" in fact for fact in facts)
    assert any("an old one): never fired" in fact for fact in facts)
