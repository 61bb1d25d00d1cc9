"""Host and board compared: differences that are planted are found and told from right twins."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.board.boards import NEEDED
from tests.board.test_board_faults import checked
from tests.fault_injection.planted import seen

pytestmark = NEEDED
SAME = 'claims=[same_on_board(bits=True, because="one table of results for both")]'
WITHOUT = 'without={"no_undefined_behaviour": "planted", "no_hidden_events": "planted"}'


def facts(record: dict[str, Any], name: str) -> str:
    """All words about the difference of a routine."""
    return seen(record, name).words("same_on_board", "board")


FLOAT = """
float fused(float a) { return a * a - 1.5f; }
float rounded(float a) { float b = a * a; __asm__("" : "+t"(b)); return b - 1.5f; }
float scaled(float a) { return a * 0.5f; }
"""
HALF = "def half(ctx, a): return a * a - ctx.number('1.5')\n"


def test_fused_multiply_add_is_named_and_its_twins_are_silent(tmp_path: Path) -> None:
    c = FLOAT.replace('"+t"', "PF_FLOAT").replace("float fused", '#ifdef __arm__\n#define PF_FLOAT "+t"\n#else\n'
                                                  '#define PF_FLOAT "+x"\n#endif\nfloat fused', 1)
    grid = 'inputs=[binary32("a", 1, 2, "V")], output="V"'
    entries = HALF + f'f("fused", {grid}, reference=half, {SAME})\n' + "".join(
        f'f("{name}", {grid}, {SAME})\n' for name in ("rounded", "scaled"))
    record = checked(tmp_path, c, entries, "cortex-m4f")
    assert seen(record, "fused").failing() == {"same_on_board board"}
    assert "-ffp-contract=off the two agree" in facts(record, "fused")
    assert "the board is nearer" in facts(record, "fused")
    for name in ("rounded", "scaled"):
        assert seen(record, name).verdicts()["same_on_board board"] == "holds"


@pytest.mark.nightly
def test_a_limit_in_ulp_lets_small_differences_pass(tmp_path: Path) -> None:
    c = "float up(float v) { return exp2f(v); }\n"
    grid = 'inputs=[binary32("v", 0.5, 5, "V")], output="Hz"'
    tight = f'f("up", {grid}, {SAME})\n'
    record = checked(tmp_path / "bits", c, tight, "cortex-m4f")
    assert seen(record, "up").failing() == {"same_on_board board"}
    assert "C library functions that the board runs here: " in facts(record, "up") and "powf" in facts(record, "up")
    record = checked(tmp_path / "ulp", c, tight.replace("bits=True", "ulp=1"), "cortex-m4f")
    assert not seen(record, "up").failing()


INTEGER = """
int32_t saturates(float x) { return (int32_t)x; }
int32_t limited(float x) { return x > 2e9f ? 2000000000 : (int32_t)x; }
#define SUM(T) T s = 0; for (int k = 0; k < 8; k++) s += 600000u * (T)n; return (int32_t)(s >> 20);
int32_t long_sum(int32_t n) { SUM(unsigned long) }
int32_t wide_sum(int32_t n) { SUM(uint64_t) }
int32_t sign(int32_t n) { char c = (char)n; return c < 0 ? -1 : 1; }
"""


def test_saturation_and_long_differ_and_plain_char_does_not(tmp_path: Path) -> None:
    x = 'inputs=[binary32("x", 1, 1e10, "V")], output="V"'
    n = 'inputs=[integers("n", 0, 4095, "code")], output="code"'
    entries = "".join(f'f("{name}", {grid}, {SAME}, {WITHOUT})\n' for name, grid in
                      (("saturates", x), ("limited", x), ("long_sum", n), ("wide_sum", n), ("sign", n)))
    record = checked(tmp_path, INTEGER, entries, "cortex-m4f")
    words = facts(record, "saturates")
    assert "-2147483648 (0x80000000), as on this computer" in words and "2147483647 (0x7fffffff)" in words
    assert seen(record, "saturates").value("same_on_board", "board") >= 2**31
    assert "other widths on the board" in facts(record, "long_sum")
    first = seen(record, "long_sum").claim("same_on_board", "board")["extent"]
    assert first.startswith("n from 895")  # 8 * 600000 * 895 passes 2^32
    for name in ("limited", "wide_sum", "sign"):
        assert seen(record, name).verdicts()["same_on_board board"] == "holds", name


def test_plain_char_differs_when_only_the_host_is_told(tmp_path: Path) -> None:
    """The flag list is one for both: signed plain char is signed on both."""
    n = 'inputs=[integers("n", 0, 4095, "code")], output="code"'
    record = checked(tmp_path, INTEGER, f'f("sign", {n}, {SAME})\n', "cortex-m4f", flags="-O2 -fsigned-char")
    assert seen(record, "sign").verdicts()["same_on_board board"] == "holds"


def test_long_parameters_are_widened_for_the_comparison(tmp_path: Path) -> None:
    c = "long half(long n) { return n / 2; }\nunsigned long top(unsigned long n) { return n >> 4; }\n"
    n = 'inputs=[integers("n", {low}, 2000, "code")], output="code"'
    entries = f'f("half", {n.format(low=-2000)}, {SAME})\nf("top", {n.format(low=0)}, {SAME})\n'
    record = checked(tmp_path, c, entries, "cortex-m4f")
    for name in ("half", "top"):
        assert seen(record, name).verdicts()["same_on_board board"] == "holds"


def test_without_a_host_build_the_claim_is_blocked(tmp_path: Path) -> None:
    c = "float same(float v) { return v; }\n"
    record = checked(tmp_path, c, f'f("same", inputs=[binary32("v", 0.5, 5, "V")], output="V", {SAME})\n', "cortex-m4f",
                     more=', builds=("board",)')
    assert seen(record, "same").other() == {"same_on_board board": "blocked"}


def test_crash_on_the_host_alone_is_told_apart(tmp_path: Path) -> None:
    c = "int32_t share(int32_t n) { return 1000 / (n - 77); }\n"
    n = 'inputs=[integers("n", 0, 255, "code")], output="code"'
    record = checked(tmp_path, c, f'f("share", {n}, {SAME}, {WITHOUT})\n', "cortex-m4f")
    words = seen(record, "share").words("returns", "board")
    assert "while running the host's code" in words and "integer division by zero" in words
