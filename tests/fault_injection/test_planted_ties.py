"""Limits that are met exactly: inclusive, decided for every value, never left open where the right answer is a number."""

from pathlib import Path

import pytest

from tests.fault_injection.planted import C_START, run, sheet_text
from verify.hunting.plan import Plan

EVERY = Plan(every_value_up_to=1 << 24)
C = C_START + """\
float doubled(float x) { return 2.0f * x; }
float tenfold(float x) { return 10.0f * x; }
float lowered(float x) { return x - 0.25f; }
float halved(float y) { return 0.5f * y; }
float once_wrong(float x) { return bits_of(x) == 0x3f9d3b21u ? 2.0f * x + 0x1p-22f : 2.0f * x; }
"""
ENTRY = """
f("{name}", inputs=[binary32("x", 1, 2, "V")], output="V", reference={reference}, claims=[{claim}])
f("halved", inputs=[binary32("y", 2, 4, "V")], output="V", claims=[])
"""
TWICE, TEN, SAME = "lambda ctx, x: 2 * x", "lambda ctx, x: 10 * x", "lambda ctx, x: ctx.number(1) * x"

CODES = """\
int32_t code_right(float x) { return (int32_t)__builtin_rintf(x * 8388608.0f); }
int32_t code_cut(float x) { return (int32_t)(x * 8388608.0f); }
int32_t code_plus_half(float x) { return (int32_t)__builtin_floorf(x * 8388608.0f + 0.5f); }
int32_t code_once(float x) { return bits_of(x) == 0xb3800001u ? 0 : (int32_t)__builtin_rintf(x * 8388608.0f); }
"""
CODE_ENTRY = """
f("{name}", inputs=[binary32("x", {low}, {high}, "full scale")], output="code", reference=lambda ctx, x: x * 8388608,
  claims=[accurate(lsb=0.5, because=WHY)])
"""


@pytest.mark.parametrize(("name", "low", "high", "verdict"), [
    ("code_right", -1, 1, "holds ("),
    ("code_right", 1.5 * 2**-25, 2.0**-23, "holds (every value)"),
    ("code_cut", -1, 1, "fails"),
    ("code_plus_half", 1.5 * 2**-25, 2.0**-23, "fails"),  # next to one half the sum is rounded up to 1
    ("code_plus_half", 0.5, 1, "holds (every value)"),
    ("code_once", -(2.0**-23), -1.5 * 2**-25, "fails"),  # one step of the last place beyond a half
])  # fmt: skip
def test_half_a_step_is_decided_at_every_code(tmp_path: Path, name: str, low: object, high: object, verdict: str,
                                              gcc: str) -> None:
    entry = CODE_ENTRY.format(name=name, low=low, high=high)
    record = run(tmp_path, C_START + CODES, sheet_text(entry, more=', builds=["host"]'), EVERY)
    (found,) = [c for c in record["routines"][0]["claims"] if c["claim"] == "accurate"]

    assert found["verdict_text"].startswith(verdict)


@pytest.mark.parametrize(("name", "reference", "claim", "verdict"), [
    ("doubled", TWICE, "accurate(ulp=0, because=WHY)", "holds (every value)"),
    ("doubled", TWICE, "accurate(absolute=0, because=WHY)", "holds (every value)"),
    ("doubled", TWICE, "accurate(relative=0, because=WHY)", "holds (every value)"),
    ("once_wrong", TWICE, "accurate(ulp=0, because=WHY)", "fails"),
    ("once_wrong", TWICE, "accurate(ulp=1, because=WHY)", "holds (every value)"),
    ("tenfold", TEN, "accurate(ulp=0.499, because=WHY)", "fails"),
    ("lowered", SAME, "accurate(absolute=0.25, because=WHY)", "holds (every value)"),
    ("lowered", SAME, "accurate(absolute=0.2499, because=WHY)", "fails"),
    ("doubled", TWICE, "inverse_of('halved', volts=0, because=WHY)", "holds (every value)"),
    ("once_wrong", TWICE, "inverse_of('halved', volts=0, because=WHY)", "fails"),
])  # fmt: skip
def test_a_tie_is_decided(tmp_path: Path, name: str, reference: str, claim: str, verdict: str, gcc: str) -> None:
    entry = ENTRY.format(name=name, reference=reference, claim=claim)
    record = run(tmp_path, C, sheet_text(entry, more=', builds=["host"]'), EVERY)
    word = claim.partition("(")[0]
    (found,) = [c for c in record["routines"][0]["claims"] if c["claim"] == word]

    assert verdict == found["verdict_text"]
