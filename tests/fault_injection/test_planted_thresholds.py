"""A comparison that leaves out its own level: one code of 65 536, come to from one side only; so of a function of floats."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.fault_injection.planted import run, seen
from verify.hunting.plan import Plan

pytestmark = pytest.mark.usefixtures("gcc")

C = r"""
#include <stdint.h>
typedef struct { int32_t on; } gate_t;
void gate_init(gate_t *g) { g->on = 0; }
int32_t gate_step(gate_t *g, uint16_t code)
{
    if (code AT_LEAST 40123) g->on = 1;
    else if (code AT_MOST 20011) g->on = 0;
    return g->on;
}
float held(float volts)
{
    float y = 0.0f;
    if (volts < 0x1.37a2c4p+0f) y = volts;
    if (volts ABOVE 0x1.37a2c4p+0f) y = 0x1.37a2c4p+0f;
    return y;
}
"""
SHEET = """
from reference import gate
from verify import Sheet, accurate, binary32, codes, signal
s = Sheet(sources=["plant.c"], flags="FLAGS", sample_rate_hz=48_000, builds=["host"])
s.machine("gate", state="gate_t", init="gate_init(state)", step="on = gate_step(state, code)",
    inputs=[codes("code", bits=16)], outputs=[signal("on", "", ctype="int32_t")], reference=gate.threshold,
    constants={"source": "code", "high": 40123, "low": 20011}, longest_seconds=0.1, scripts=40,
    claims=[accurate(absolute=0, because="a strike")])
def at_most(ctx, volts, *, level):
    return ctx.minimum(volts, ctx.number(level))
s.function("held", inputs=[binary32("volts", 0, 5, "V")], output="V", reference=at_most,
    constants={"level": "5105841/4194304"}, claims=[accurate(absolute=0, because="the driver's end")])
"""
RIGHT = {"AT_LEAST": ">=", "AT_MOST": "<=", "ABOVE": ">="}


def checked(folder: Path, **wrong: str) -> dict[str, Any]:
    flags = " ".join(f"-D{name}='{sign}'" for name, sign in {**RIGHT, **wrong}.items())
    return run(folder, C, SHEET.replace("FLAGS", flags), Plan(sampled_cases=1 << 18))


@pytest.mark.parametrize(("wrong", "routine", "bits"), [
    ("AT_LEAST", "gate", "00009cbb"), pytest.param("AT_MOST", "gate", "00004e2b", marks=pytest.mark.nightly),
    pytest.param("ABOVE", "held", "0x3f9bd162", marks=pytest.mark.nightly)])
def test_the_level_itself_on_the_wrong_side_is_found_and_its_twin_is_silent(tmp_path: Path, wrong: str, routine: str,
                                                                            bits: str) -> None:
    record = checked(tmp_path, **{wrong: RIGHT[wrong][0]})
    found, other = seen(record, routine), seen(record, "held" if routine == "gate" else "gate")

    assert ({"accurate host"}, set(), {}) == (found.failing(), other.failing(), other.other())
    assert bits in json.dumps(found.claim("accurate")["witness"])
