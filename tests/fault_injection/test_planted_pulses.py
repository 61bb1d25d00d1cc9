"""minimum_pulse at a rate where the time is no whole number of samples: one sample too few is too short."""

from pathlib import Path

import pytest

from tests.fault_injection.planted import run
from verify.hunting.plan import Plan

C = """\
typedef struct { int on; unsigned left, least; } gate_t;
void gate_init(gate_t *g, float rate) { g->on = 0; g->left = 0; g->least = (unsigned)(0.005f * rate ROUNDED); }
int gate_step(gate_t *g, float volts)
{
    if (volts >= 1.6f) {
        if (!g->on) g->left = g->least;
        g->on = 1;
    } else if (volts <= 1.2f) {
        g->on = 0;
    }
    if (g->left > 0) { g->left--; return 1; }
    return g->on;
}
"""
SHEET = """\
from verify import *
s = Sheet(sources=["plant.c"], flags="-O2", builds=["host"])
s.machine("gate", state="gate_t", init="gate_init(state, sample_rate_hz)", step="on = gate_step(state, volts)",
          inputs=[binary32("volts", 0, 3.3, "V")], outputs=[signal("on", "", ctype="int32_t")], sample_rates_hz=[{rate}],
          scripts=64, longest_seconds=0.5, claims=[minimum_pulse(seconds=0.005, because="the valve needs it")])
"""


@pytest.mark.parametrize(("rate", "rounded", "verdict"), [
    (44_100, "", "fails"), (44_100, "+ 0.999f", "holds"), (48_000, "", "holds"), (48_000, "- 0.5f", "fails"),
])  # fmt: skip
def test_a_fraction_of_a_sample_counts(tmp_path: Path, gcc: str, rate: int, rounded: str, verdict: str) -> None:
    record = run(tmp_path, C.replace("ROUNDED", rounded), SHEET.format(rate=rate), Plan(scripts=64))
    (claim,) = [c for c in record["routines"][0]["claims"] if c["claim"] == "minimum_pulse"]

    assert verdict == claim["verdict"]
    assert verdict == "holds" or "1 sample short" in claim["witness"]["error"]
