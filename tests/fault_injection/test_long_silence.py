"""What rings on in silence: inputs that go both ways rest at 0, not at their low end."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.fault_injection.planted import Plan, run, seen

pytestmark = pytest.mark.usefixtures("gcc")

# Opens at -40 dB of its peak meter, whose fall has a floor, or none.
C = """
#include <math.h>
typedef struct { float peak; } hatch_t;
float hatch(hatch_t *s, float x, float floor)
{
    float size = fabsf(x);
    s->peak = size > s->peak ? size : s->peak * 0.9985f;
    if (s->peak < floor) s->peak = 0.0f;
    return s->peak > 0.01f ? x : 0.0f;
}
"""
SHEET = """
from verify import *
s = Sheet(sources=["plant.c"], flags="-O2 -std=c11", builds=["host"], sample_rate_hz=48_000)
for name, floor in (("floored", "1e-9f"), ("endless", "0.0f")):
    s.machine(name, state="hatch_t", init="state->peak = 0.0f", step=f"y = hatch(state, x, {floor})", longest_seconds=0.1,
        inputs=[binary32("x", -1, 1, "full scale")], outputs=[signal("y", "full scale")], claims=[])
"""


def test_a_tail_that_only_silence_shows_is_found(tmp_path: Path) -> None:
    record = run(tmp_path, C, SHEET, Plan(scripts=16))

    assert set() == seen(record, "floored").failing()
    assert {"no_hidden_events host"} == seen(record, "endless").failing()
    witness = seen(record, "endless").claim("no_hidden_events")["witness"]
    assert "subnormal" in witness["error"] and len(witness["table"]) <= 4, witness
