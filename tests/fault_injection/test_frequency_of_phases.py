"""keeps_frequency of outputs that stay on one side of zero: phases, codes of a converter."""

from __future__ import annotations

import functools
import tempfile
from pathlib import Path

import pytest

from tests.fault_injection.planted import Plan, Seen, run, seen

pytestmark = pytest.mark.usefixtures("gcc")

C = """
#include <stdint.h>
typedef struct { float rate; uint32_t phase, step, n; } lap_t;
void lap_init(lap_t *l, float rate) { l->rate = rate; l->phase = l->step = l->n = 0; }
void lap_hz(lap_t *l, float hz) { l->step = (uint32_t)(hz * 4294967296.0 / l->rate + 0.5); }
static uint32_t next(lap_t *l) { uint32_t p = l->phase; l->phase += l->step; return p; }
float rise(lap_t *l) { return (float)(next(l) >> 8) * (1.0f / 16777216.0f); }
float fall(lap_t *l) { return -rise(l); }
uint16_t code(lap_t *l) { return (uint16_t)(next(l) >> 20); }
float slow(lap_t *l) { l->phase -= l->step >> 12; return rise(l); }
float ends(lap_t *l) { if (++l->n > 1000000u) l->step = 0; return rise(l); }
float still(lap_t *l) { (void)l; return 0.25f; }
"""
SHEET = """
from verify import *
s = Sheet(sources=["plant.c"], flags="-O2 -std=c11", builds=["host"], sample_rate_hz=48_000)
hz = event("hz", "lap_hz(state, hz)", binary32("hz", 20, 1000, "Hz"))
for name in ("rise", "fall", "slow", "ends", "still", "code"):
    s.machine(name, state="lap_t", init="lap_init(state, sample_rate_hz)", events=[hz], step=f"y = {name}(state)",
        outputs=[signal("y", "code", ctype="uint16_t") if name == "code" else signal("y", "full scale")],
        claims=[keeps_frequency(hz="hz", cents=0.1, hours=0.01, because="out of tune")])
s.machine("beside", state="lap_t", init="lap_init(state, sample_rate_hz)", events=[hz], step="y = rise(state)",
    outputs=[signal("y", "full scale")],
    claims=[keeps_frequency(hz="hz", cents=0.1, hours=0.01, about=2, because="a level that it never comes to")])
"""


@functools.cache
def found(name: str) -> Seen:
    return seen(record(), name)


@functools.cache
def record() -> dict:  # type: ignore[type-arg]
    return run(Path(tempfile.mkdtemp()), C, SHEET, Plan(scripts=16))


@pytest.mark.parametrize("name", ["rise", "fall", "code"])
def test_phase_on_one_side_of_zero_is_counted_at_its_middle(name: str) -> None:
    assert "holds" == found(name).verdicts()["keeps_frequency host"]


@pytest.mark.parametrize(("name", "words"), [
    ("slow", "-0.42"), ("ends", "not one period any more"), ("still", "it stands still"),
    ("beside", "it never comes up through about=2: it stays between 0 and"),
])
def test_wrong_phase_is_told(name: str, words: str) -> None:
    assert "fails" == found(name).verdicts()["keeps_frequency host"]
    assert words in found(name).claim("keeps_frequency")["witness"]["error"]
