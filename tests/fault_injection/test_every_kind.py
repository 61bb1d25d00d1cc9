"""A tally: each kind of event and of end that can be reported has a planted routine that shows it and a right twin."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from firmware_shim.engine import FLAG_KINDS
from tests.fault_injection import (
    escape_parts,
    test_planted_bounds,
    test_planted_heap_reads,
    test_planted_heaps,
    test_planted_heaps_of_functions,
    test_planted_locals,
    test_planted_rooms,
    test_planted_stops,
    test_planted_undefined,
    test_strict_recorder,
)
from tests.fault_injection.planted import C_START, place, seen, shared_record, sheet_text
from verify.heap_words import heap_words

pytestmark = pytest.mark.usefixtures("gcc")

SHIM = Path(__file__).parents[2] / "firmware_shim"
CODES = 4096
# Only clang tells these; those of conversions are planted in test_planted_conversions.py.
OF_CLANG = {"implicit conversion loses bits", "implicit conversion changes the sign", "broken alignment promise",
            "call through a wrong function type"}
# Kind -> (fault, right twin), each the body of a function of a code; `at_fault` is true at one code.
PAIRS: dict[str, tuple[str, str]] = {
    "misaligned access": ("return *(const int32_t *)(bytes + (at_fault ? 1 : 4));",
                          "return *(const int32_t *)(bytes + (at_fault ? 8 : 4));"),
    "access outside the object": ("if (at_fault) return ((const wide_t *)(bytes + 8))->a[3]; return 0;",
                                  "if (at_fault) return ((const wide_t *)bytes)->a[3]; return 0;"),
    "null pointer argument": ("return length_of(at_fault ? 0 : text);", "return length_of(text);"),
    "null pointer returned": ("return given(at_fault ? 0 : text) != 0;", "return given(text) != 0;"),
    "write of the ended local": (
        "int *p, outer[3] = {0}; p = outer;\n"
        "{ int inner[3] = {1}; keep(inner); if (at_fault) p = inner; } put(p, 2); return 1;",
        "int *p, outer[3] = {0}; p = outer; { int inner[3] = {1}; keep(inner); } put(p, 2); return outer[0];"),
}
C = C_START + """
typedef struct { int32_t a[4]; } wide_t;
static _Alignas(8) uint8_t bytes[16];
static const char text[] = "bell";
static __attribute__((noipa)) int same(int x) { return x; }
static __attribute__((noinline)) void put(int *p, int v) { *p = v; }
static __attribute__((noinline)) void keep(int *p) { *p = same(*p); }
static __attribute__((noinline, nonnull)) int length_of(const char *t) { return same(t != (const char *)8); }
static __attribute__((noipa, returns_nonnull)) const char *given(const char *t) { return t; }
"""


def named(kind: str) -> str:
    return kind.replace(" ", "_")


def whole_c() -> str:
    text = C
    for kind, bodies in PAIRS.items():
        for end, body in zip(("", "_right"), bodies, strict=True):
            head = f"int32_t {named(kind)}{end}(uint16_t code)"
            text += f"{head}\n{{ int at_fault = hit(code, 4096u);\n(void)at_fault; {body} }}\n"
    return text


@pytest.fixture(scope="module")
def record(private_cache: Any) -> dict[str, Any]:
    names = [f"{named(kind)}{end}" for kind in PAIRS for end in ("", "_right")]
    entries = f'for name in {names}:\n    f(name, inputs=[codes("code", bits=12)], output="", claims=[])\n'
    return shared_record(whole_c(), sheet_text(entries, more=', builds=["strict"]'))


@pytest.mark.parametrize("kind", PAIRS)
def test_a_planted_kind_is_named_and_its_twin_is_silent(record: dict[str, Any], kind: str) -> None:
    fault, right = seen(record, named(kind)), seen(record, f"{named(kind)}_right")

    assert "no_undefined_behaviour strict" in fault.failing()
    assert kind in fault.words("no_undefined_behaviour", "strict")
    assert place(CODES) == fault.value("no_undefined_behaviour", "strict")
    assert set() == right.failing() | set(right.other())


def recorder_kinds() -> set[str]:
    """Every kind of the strict build's recorder, as its source lists them."""
    text = (SHIM / "runtime" / "recorder.c").read_text(encoding="utf-8")
    table = text.split("words[CODES][48] = {")[1].split("};")[0]
    return set(re.findall(r'"([^"]*)"', table)) - {""}


def test_every_kind_of_the_recorder_is_planted() -> None:
    planted = {fault[4] for fault in test_strict_recorder.FAULTS} | {fault[3] for fault in test_strict_recorder.FATAL}
    planted |= set(PAIRS)
    told = [words for words, _ in test_planted_locals.FAULTS.values()] + list(test_planted_heap_reads.FAULTS.values())
    told += [f"read outside {words}" for words, _ in test_planted_bounds.FAULTS.values()]
    # In C++ only, and of a call: each has a test of its own name.
    planted |= {kind for kind in recorder_kinds() if any(words.startswith(kind) for words in told)}
    if any("between stretches that overlap" in words for words in told):
        planted.add("copy between overlapping stretches")
    planted.add("function ended without a value")  # below

    assert recorder_kinds() - OF_CLANG == planted - OF_CLANG


def test_a_function_of_cpp_that_ends_without_a_value_is_named(tmp_path: Path) -> None:
    text = "int f(int x)\n{ if (x != 3) return x; }\n"
    built = test_strict_recorder.strict(tmp_path, text, "-O0", name="fault.cpp")
    _, events, _ = test_strict_recorder.drive(built, [1, 2])

    assert [] == events
    words = (built.library).read_bytes()
    assert b"function ended without a value" in words


def test_every_way_to_end_is_planted() -> None:
    kinds: set[str] = set()
    for name in ("running.py", "crew.py", "script_running.py"):
        kinds |= set(re.findall(r'Stop\("([^"]+)"', (SHIM / name).read_text(encoding="utf-8")))
    told = {*test_planted_stops.WORDS.values(), *(words for _, words in escape_parts.WAYS.values())}
    planted = {"crash": "SIGSEGV", "hang": "hang", "exit": "exit", "started another process": "another process",
               "reached for another process": "reached for another process"}
    assert set(planted.values()) <= told
    marks = test_planted_stops.test_a_constructor_that_goes_wrong_is_told.pytestmark
    at_loading = {words.partition(":")[0] for _, words in marks[0].args[1]} - {""}

    # Not a way to end: what earlier stops left out.
    assert kinds == {*planted, *at_loading, "not run"}


def test_every_signal_is_planted() -> None:
    source = (SHIM / "crash_words.py").read_text(encoding="utf-8")
    signals = set(re.findall(r"signal\.(SIG\w+):", source))
    told = {*test_planted_stops.WORDS.values(), *(words for _, words in escape_parts.WAYS.values())}

    assert signals <= told | {"SIGILL"} and "SIGILL" in told
    assert {"stack", "null pointer"} <= told
    assert all("variable" in call[2] for call in test_planted_rooms.CALLS.values())


def test_every_status_flag_and_kind_of_heap_fault_is_planted() -> None:
    told = " ".join(words for words, _ in test_planted_undefined.EVENTS.values())
    assert all(kind.split()[0] in told for kind in FLAG_KINDS)
    text = Path(test_planted_heaps.__file__).read_text(encoding="utf-8")
    text += Path(test_planted_heaps_of_functions.__file__).read_text(encoding="utf-8")
    errors = [heap_words(kind, 8)[2].replace(" 8 ", " 24 ") for kind in (1, 2, 3, 4, 5)]
    with pytest.raises(KeyError):
        heap_words(6, 8)  # a new kind needs a planted fault, and its place here

    assert all(" ".join(error.split()[:3]).rstrip(":") in text for error in errors), errors
