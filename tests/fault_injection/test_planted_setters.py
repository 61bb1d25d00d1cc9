"""A setter that is given the sample rate: the one that uses another rate is found, the right twin gives no alarm."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.fault_injection.filter_parts import FEW, OFF
from tests.fault_injection.planted import Seen, run, seen

pytestmark = pytest.mark.usefixtures("gcc")

C = r"""
#include <math.h>
typedef struct { float y, a; } dull_t;
void dull_set(dull_t *d, float hz, float rate_hz) { d->a = 1.0f - expf(-6.28318531f * hz / rate_hz); }
void dull_init(dull_t *d, float rate_hz) { d->y = 0; dull_set(d, 1000.0f, rate_hz); }
float dull_step(dull_t *d, float x) { d->y += d->a * (x - d->y); return d->y; }
"""
SHEET = f"""
from reference import filters_in_time
from verify import *
s = Sheet(sources=["plant.c"], flags="-O2", builds=["host"])
s.machine("dull", state="dull_t", init="dull_init(state, sample_rate_hz)", step="y = dull_step(state, x)",
    events=[event("cutoff_hz", "dull_set(state, cutoff_hz, sample_rate_hz)", binary32("cutoff_hz", 100, 8000, "Hz"))],
    inputs=[binary32("x", -1, 1, "full scale")], outputs=[signal("y", "full scale")], longest_seconds=0.01,
    sample_rates_hz=[44_100, 96_000], reference=filters_in_time.first_order,
    claims=[accurate(absolute=0.0001, because="heard from there on")], {OFF})
"""


def planted(folder: Path, c: str = C, sheet: str = SHEET) -> Seen:
    return seen(run(folder, c, sheet, FEW), "dull")


def test_a_setter_is_given_the_rate_of_its_script(tmp_path: Path) -> None:
    found = planted(tmp_path)

    assert (set(), {}) == (found.failing(), found.other())


def test_a_setter_of_another_rate_is_found(tmp_path: Path) -> None:
    found = planted(tmp_path, C.replace("hz / rate_hz", "hz / 44100.0f"))

    assert {"accurate host"} == found.failing()
    assert "96000 Hz" in found.claim("accurate")["witness"]["table"][0]


def test_a_step_that_asks_for_the_rate_is_told_where_it_is(tmp_path: Path) -> None:
    record = run(tmp_path, C, SHEET.replace("dull_step(state, x)", "dull_step(state, x * sample_rate_hz)"), FEW)

    assert "sample_rate_hz is there in the texts of init and events only" in str(record["blocked_builds"])
