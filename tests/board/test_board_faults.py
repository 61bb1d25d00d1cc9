"""Faults that only the board shows, planted one by one; beside each a right twin that must give no alarm."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.board.boards import NEEDED
from tests.fault_injection.planted import C_START, Seen, run, seen, sheet_text
from verify.hunting.plan import Plan

pytestmark = NEEDED
SMALL = Plan(every_value_up_to=2**16, sampled_cases=2**14)


def checked(folder: Path, c: str, entries: str, core: str, flags: str = "-O2", more: str = "") -> dict[str, Any]:
    """The record of C and sheet on a core."""
    return run(folder, C_START + c, sheet_text(entries, flags=flags, more=f', core="{core}"{more}'), SMALL)


def stop_of(entry: Seen) -> str:
    """How the routine stopped on the board, in the words of the report."""
    assert entry.verdicts()["returns board"] == "fails", entry.verdicts()
    return entry.words("returns", "board")


CODES = 'inputs=[codes("n", bits=12)], output="code", claims=[]'

ALIGNED = """
static unsigned char store[64] __attribute__((aligned(8)));
static uint32_t pair(const unsigned char *p)
{
    uint32_t a, b;
    __asm__ volatile("ldrd %0, %1, [%2]" : "=r"(a), "=r"(b) : "r"(p) : "memory");
    return a + b;
}
uint32_t wrong(uint32_t n) { return pair(store + (hit(n, 4096u) ? 2 : 8)); }
uint32_t right(uint32_t n) { return pair(store + (hit(n, 4096u) ? 4 : 8)); }
"""


def test_unaligned_ldrd_is_found_on_a_core_that_allows_unaligned_words(tmp_path: Path) -> None:
    plain = "uint32_t wrong(uint32_t n) { return n; }\nuint32_t right(uint32_t n) { return n; }\n"
    c = f"#ifdef __arm__\n{ALIGNED}#else\n{plain}#endif\n"
    record = checked(tmp_path, c, f'f("wrong", {CODES})\nf("right", {CODES})\n', "cortex-m4f")
    words = stop_of(seen(record, "wrong"))
    assert "unaligned address" in words and "must be a multiple of 4" in words and "pair at plant.c" in words
    assert (int(seen(record, "wrong").value("returns", "board")) * 1103 + 77) % 4096 == 1234
    assert not seen(record, "right").failing()


WORD = """
static unsigned char store[64] __attribute__((aligned(8)));
static uint32_t word(const unsigned char *p)
{
#ifdef __arm__
    uint32_t a;
    __asm__ volatile("ldr %0, [%1]" : "=l"(a) : "l"(p) : "memory");
    return a;
#else
    return p[0];
#endif
}
uint32_t wrong(uint32_t n) { return word(store + (hit(n, 4096u) ? 1 : 8)); }
uint32_t right(uint32_t n) { return word(store + (hit(n, 4096u) ? 4 : 8)); }
"""


@pytest.mark.parametrize(("core", "found"), [("cortex-m0plus", True), ("cortex-m3", False)])
def test_unaligned_word_is_a_fault_of_the_m0plus_only(tmp_path: Path, core: str, found: bool) -> None:
    record = checked(tmp_path, WORD, f'f("wrong", {CODES})\nf("right", {CODES})\n', core)
    if found:
        assert "every access on this core must be a multiple of its size" in stop_of(seen(record, "wrong"))
    else:
        assert not seen(record, "wrong").failing()
    assert not seen(record, "right").failing()


DOUBLE = """
#ifdef __arm__
__asm__(".fpu fpv5-d16");
static float twice(float x)
{
    float r;
    __asm__ volatile("vcvt.f64.f32 d7, %1\\n\\tvadd.f64 d7, d7, d7\\n\\tvcvt.f32.f64 %0, d7"
                     : "=t"(r) : "t"(x) : "s14", "s15");
    return r;
}
#else
static float twice(float x) { return (float)((double)x + x); }
#endif
float wrong(float x) { return x > 4.0f ? twice(x) : 2.0f * x; }
float right(float x) { return x > 4.0f ? x + x : 2.0f * x; }
"""
FLOATS = 'inputs=[binary32("x", 1, 5, "V")], output="V", claims=[]'


@pytest.mark.parametrize(("core", "found"), [("cortex-m4f", True), ("cortex-m7f", True), ("cortex-m7d", False)])
def test_double_instructions_on_a_core_without_them(tmp_path: Path, core: str, found: bool) -> None:
    """An object made for a double-precision unit, linked for a core that has a single-precision one."""
    record = checked(tmp_path, DOUBLE, f'f("wrong", {FLOATS})\nf("right", {FLOATS})\n', core)
    if found:
        words = stop_of(seen(record, "wrong"))
        assert f"{core} does not have the instruction" in words and ".f64" in words
        assert seen(record, "wrong").value("returns", "board") > 4
    else:
        assert not seen(record, "wrong").failing()
    assert not seen(record, "right").failing()


WILD = """
static uint32_t table[16];
static uint32_t deep(uint32_t n);
static uint32_t (*volatile again)(uint32_t) = deep;
static uint32_t deep(uint32_t n)
{
    volatile uint32_t pad[64];
    pad[n & 63] = n;
    return n ? pad[n & 63] + again(n - 1) : 0;
}
uint32_t reads(uint32_t n) { volatile uint32_t *p = hit(n, 4096u) ? (volatile uint32_t *)0x00000010u : table; return *p; }
uint32_t writes(uint32_t n)
{
    static const uint32_t fixed[4] = {1, 2, 3, 4};
    uint32_t *p = hit(n, 4096u) ? (uint32_t *)(uintptr_t)&fixed[1] : &table[1];
    *(volatile uint32_t *)p = n;
    return n;
}
uint32_t hangs(uint32_t n) { while (hit(n, 4096u)) __asm__ volatile(""); return n; }
uint32_t falls(uint32_t n) { return hit(n, 4096u) ? deep(100000u) : 0; }
uint32_t right(uint32_t n) { return table[n & 15] + deep(n & 15u); }
"""


def test_wild_accesses_hangs_and_deep_stacks_name_input_and_function(tmp_path: Path) -> None:
    names = ("reads", "writes", "hangs", "falls", "right")
    entries = "".join(f'f("{name}", inputs=[codes("n", bits=12)], output="code", claims=[], call_limit_seconds=0.3)\n'
                      for name in names)
    record = checked(tmp_path, WILD, entries, "cortex-m4f", more=', builds=("board",)')
    wanted = {"reads": "null pointer (read of 0x00000010) in reads", "writes": "which is read-only, in writes",
              "hangs": "no answer within 0.3 s of emulation, in hangs", "falls": "stack exhausted (65536 bytes), in deep"}
    for name, text in wanted.items():
        entry = seen(record, name)
        assert text in stop_of(entry), stop_of(entry)
        assert (int(entry.value("returns", "board")) * 1103 + 77) % 4096 == 1234
        assert "at plant.c" in stop_of(entry) or "plant.c:" in stop_of(entry)
    assert not seen(record, "right").failing()


def test_undeclared_peripheral_names_the_declaration(tmp_path: Path) -> None:
    c = "uint32_t ticks(uint32_t n) { return *(volatile uint32_t *)0x40021000u + n; }\n"
    record = checked(tmp_path, c, f'f("ticks", {CODES})\n', "cortex-m4f", more=', builds=("board",)')
    assert "peripherals={0x40021000: 0x00000000}" in stop_of(seen(record, "ticks"))
    more = ', builds=("board",), peripherals={0x40021000: 5}'
    record = checked(tmp_path, c, f'f("ticks", {CODES})\n', "cortex-m4f", more=more)
    assert not seen(record, "ticks").failing()


STATE = """
uint32_t counts(uint32_t n) { static uint32_t times; return n + (++times >> 30); }
uint32_t plain(uint32_t n) { return n + 1u; }
float quiet(float x) { return x < 2.0f ? x : x * 0.5f; }
float loud(float x) { return x < 2.0f ? x : x * 1e30f * 1e30f > 1.0f ? 1.0f : x; }
"""


def test_hidden_memory_and_hidden_overflow_on_the_board(tmp_path: Path) -> None:
    entries = f'f("counts", {CODES})\nf("plain", {CODES})\nf("quiet", {FLOATS})\nf("loud", {FLOATS})\n'
    record = checked(tmp_path, STATE, entries, "cortex-m4f", more=', builds=("board",)')
    claim = seen(record, "counts").claim("deterministic", "board")
    assert claim["strength"]["kind"] != "every value"
    assert "hidden memory: the routine writes times" in " ".join(claim["facts"])
    assert seen(record, "plain").claim("deterministic", "board")["strength"]["kind"] == "every value"
    assert seen(record, "loud").failing() == {"no_hidden_events board"}
    assert "overflow in loud at plant.c" in seen(record, "loud").words("no_hidden_events", "board")
    assert not seen(record, "quiet").failing()
