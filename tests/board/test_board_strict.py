"""The strict variant of the board's build: overflow of a 32-bit long, which this computer's wider long hides."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.board.boards import NEEDED
from tests.board.test_board_faults import checked
from tests.fault_injection.planted import seen

pytestmark = NEEDED
C = """
int32_t long_sum(int32_t n) { long s = 0; for (int k = 0; k < 8; k++) s += 600000L * n; return (int32_t)(s >> 20); }
int32_t wide_sum(int32_t n) { int64_t s = 0;
    for (int k = 0; k < 8; k++) s += INT64_C(600000) * n; return (int32_t)(s >> 20); }
int32_t shifted(int32_t n) { return (int32_t)((1uL << (n * 40 >> 12)) & 1); }
int32_t wrapped(int32_t n) { unsigned long s = 600000uL * (unsigned long)n * 8; return (int32_t)(s >> 20); }
"""
NAMES = ("long_sum", "wide_sum", "shifted", "wrapped")
CODES = 'inputs=[integers("n", 0, 4095, "code")], output="code", claims=[]'
ENTRIES = "".join(f'f("{name}", {CODES})\n' for name in NAMES)


@pytest.mark.parametrize("core", ["cortex-m0plus", "cortex-m4f"])
def test_overflow_of_a_long_is_found_on_the_board_only(tmp_path: Path, core: str) -> None:
    record = checked(tmp_path, C, ENTRIES, core, more=', builds=("strict", "board strict")')
    for name in NAMES:
        assert seen(record, name).verdicts()["no_undefined_behaviour strict"] == "holds", name
    found = seen(record, "long_sum")
    assert found.failing() == {"no_undefined_behaviour board strict"}
    words = found.words("no_undefined_behaviour", "board strict")
    assert "overflow" in words and "plant.c:" in words
    assert found.value("no_undefined_behaviour", "board strict") == 448  # 8 * 600000 * 448 is the first beyond 2^31 - 1
    assert "shift exponent out of range" in seen(record, "shifted").words("no_undefined_behaviour", "board strict")
    # 40 * 3277 / 4096 is the first from 32 on.
    assert seen(record, "shifted").value("no_undefined_behaviour", "board strict") == 3277
    for name in ("wide_sum", "wrapped"):
        assert seen(record, name).verdicts()["no_undefined_behaviour board strict"] == "holds", name
    assert "board strict" in record["environment"]["builds"]


def test_it_is_built_by_itself_where_widths_differ(tmp_path: Path) -> None:
    one = C + "int32_t plain(int32_t n) { return n / 2; }\n"
    record = checked(tmp_path / "wide", one, f'f("long_sum", {CODES})\n', "cortex-m4f")
    assert seen(record, "long_sum").failing() == {"no_undefined_behaviour board strict"}
    record = checked(tmp_path / "same", one, f'f("plain", {CODES})\n', "cortex-m4f")
    assert "board strict" not in record["environment"]["builds"] and not seen(record, "plain").failing()
