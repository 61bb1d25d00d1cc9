"""Memory that a function takes from the heap: touched past an end or after its end, freed twice, never given back."""

from __future__ import annotations

import platform
from typing import Any

import pytest

from tests.fault_injection.planted import C_START, Seen, place, seen, shared_record, sheet_text

pytestmark = pytest.mark.usefixtures("gcc")

CODES = 4096
# Way -> (C at the fault with a block `t` of six floats, words of `returns`, words of the strict build).
WAYS: dict[str, tuple[str, str, str]] = {
    "past": ("put(t, far(code, 6, 5)); free(t)", "a write past the end of a block of 24 bytes",
             "write outside a variable (4 bytes at byte 24 of 'a block of the heap', which has 24"),
    "past_and_kept": ("put(t, far(code, 6, 5)); if (!cached) cached = t; else free(t)", "a write past the end of a block",
                      "4 bytes at byte 24 of 'a block of the heap'"),
    "before": ("put(t, far(code, -1, 0)); free(t)", "a write past the end of a block of 24 bytes",
               "write outside a variable (4 bytes 4 bytes before 'a block of the heap'"),
    "reads_past": ("keep += (int)taken(t, far(code, 6, 5)) & 0; free(t)", "",
                   "read outside a variable (4 bytes at byte 24 of 'a block of the heap', which has 24"),
    "after_its_end": ("free(t); if (hit(code, 4096u)) keep += (int)taken(t, 2) & 0", "", "read of freed memory"),
    "written_after": ("free(t); if (hit(code, 4096u)) put(t, 2)", "", "write of freed memory"),
    "twice": ("free(t); if (hit(code, 4096u)) free(t)", "a block of 24 bytes of the heap|double free", ""),
    "inside": ("free(hit(code, 4096u) ? t + 1 : t); if (hit(code, 4096u)) free(t)", "a free of what was never allocated", ""),
    "kept": ("if (!hit(code, 4096u)) free(t)", "a block of 24 bytes of the heap is not given back", ""),
    "copies": ("free(t); char *s = strdup(\"bell\"); end(s, far(code, 5, 4)); free(s)", "past the end of a block of 5",
               "1 bytes at byte 5 of 'a block of the heap', which has 5"),
    "much": ("free(t); if (hit(code, 4096u)) free(malloc(40u << 20))", "the heap is exhausted", ""),
}
C = C_START + """
#include <stdlib.h>
static float *cached;
static int far(uint16_t code, int there, int elsewhere) { return hit(code, 4096u) ? there : elsewhere; }
static __attribute__((noipa)) void put(float *t, int at) { t[at] = 1.0f; }
static __attribute__((noipa)) float taken(const float *t, int at) { return t[at]; }
static __attribute__((noipa)) void end(char *s, int at) { s[at] = 0; }
static __attribute__((noipa)) void *block(size_t n) { return calloc(n, sizeof(float)); }
""" + "".join(f"float {name}(uint16_t code)\n{{\nvolatile int keep = bits_of(0) != 0; float *t = block(6); {way};\n"
              "return (float)code + (float)(keep & 0);\n}\n" for name, (way, _, _) in WAYS.items()) + """
float right(uint16_t code)
{
    static float *table; /* kept from the first call on */
    float *t = block(6), sum = 0.0f, *many[50];
    if (!table) { table = malloc(64 * sizeof(float)); for (int i = 0; i < 64; i++) table[i] = (float)i; }
    for (int i = 0; i < 6; i++) { put(t, i); sum += taken(t, i); }
    t = realloc(t, 12 * sizeof(float)); put(t, 11); sum += taken(t, 0);
    for (int i = 0; i < 50; i++) many[i] = block((size_t)i);
    for (int i = 0; i < 50; i++) free(many[i]);
    char *s = strdup("bell"); end(s, 4); free(s); free(t); free(NULL);
    return (float)code + table[code & 63] + sum * 0.0f;
}
typedef struct { float *line; int at; } delay_t;
static void start(delay_t *d) { d->line = calloc(8, sizeof(float)); d->at = 0; }
static float next(delay_t *d, int at) { put(d->line, at); return taken(d->line, 0); }
"""
CALLS = {"call_past": "start(&d); result = next(&d, code == 4095 ? 8 : 7) + code; free(d.line)",
         "call_kept": "start(&d); result = next(&d, 7) + code; if (code != 4095) free(d.line)",
         "call_right": "start(&d); result = next(&d, 7) + code; free(d.line)"}
ENTRIES = f"""
for name in {[*WAYS, "right"]}:
    f(name, inputs=[codes("code", bits=12)], output="", claims=[],
      without={{"deterministic": "keeps a table"}} if name in ("right", "past_and_kept") else {{}})
for name, call in {CALLS}.items():
    f(name, local="delay_t d", call=call, inputs=[codes("code", bits=12)], output="", claims=[])
"""


@pytest.fixture(scope="module")
def record(private_cache: Any) -> dict[str, Any]:
    return shared_record(C, sheet_text(ENTRIES, more=', builds=["strict"]'))


@pytest.fixture(scope="module")
def host_record(private_cache: Any) -> dict[str, Any]:
    return shared_record(C, sheet_text(ENTRIES, more=', builds=["host"]'))


def returns_as_told(found: Seen, build: str, words: str) -> None:
    assert (f"returns {build}" in found.failing()) == bool(words)
    if words:
        assert any(word in found.words("returns", build) for word in words.split("|"))
        assert place(CODES) == found.value("returns", build)


@pytest.mark.parametrize("name", WAYS)
def test_a_fault_of_the_heap_is_told_with_its_input(record: dict[str, Any], name: str) -> None:
    found, (_, words, strict) = seen(record, name), WAYS[name]

    returns_as_told(found, "strict", words)
    if platform.machine() == "x86_64":
        assert ("no_undefined_behaviour strict" in found.failing()) == bool(strict)
        if strict:
            assert strict in found.words("no_undefined_behaviour", "strict")
            assert place(CODES) == found.value("no_undefined_behaviour", "strict")


@pytest.mark.parametrize(("name", "words"), [("call_past", "a write past the end of a block of 32 bytes"),
                                             ("call_kept", "a block of 32 bytes of the heap is not given back")])
def test_of_a_call_as_well(record: dict[str, Any], name: str, words: str) -> None:
    found = seen(record, name)

    assert "returns strict" in found.failing()
    assert words in found.words("returns", "strict")
    assert 4095 == found.value("returns", "strict")


@pytest.mark.parametrize("name", ["right", "call_right"])
def test_what_is_used_and_given_back_gives_no_alarm(record: dict[str, Any], name: str) -> None:
    found = seen(record, name)

    assert set() == found.failing() | set(found.other())


@pytest.mark.nightly
def test_the_host_build_alone_tells_what_marks_and_frees_show(host_record: dict[str, Any]) -> None:
    for name, (_, words, _) in {**WAYS, "right": ("", "", "")}.items():
        returns_as_told(seen(host_record, name), "host", words)
