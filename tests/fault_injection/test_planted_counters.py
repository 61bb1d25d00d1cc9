"""Counters of 16 bits: between two taps that lie far apart, since a strike, and of many edges; right twins are silent."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.fault_injection.planted import run, seen

pytestmark = pytest.mark.usefixtures("gcc")

C = r"""
#include <stdint.h>
typedef struct { COUNT n; uint32_t shown; int known, last; } clock_t_;
void clock_init(clock_t_ *s) { *s = (clock_t_){0}; }
static int rises(clock_t_ *s, int on) { int r = on && !s->last; s->last = on; return r; }
int32_t tap_step(clock_t_ *s, int on)
{
    if (rises(s, on)) { if (s->known) s->shown = s->n; s->known = 1; s->n = 0; }
    s->n++;
    return (int32_t)s->shown;
}
int32_t sixth_step(clock_t_ *s, int on) { return rises(s, on) && s->n++ % 6 == 0; }
void strike(clock_t_ *s) { s->known = 1; s->n = 0; }
float lamp_step(clock_t_ *s) { return s->known && s->n++ < 4800 ? 1.0f : 0.0f; }
"""
SHEET = """
from reference import envelope, gate
from verify import *
s = Sheet(sources=["plant.c"], flags="-O2", builds=["host"], sample_rate_hz=48_000)
common = dict(state="clock_t_", init="clock_init(state)", scripts=30, longest_seconds=0.2)
gate_in = dict(inputs=[integers("gate", 0, 1, "")])
s.machine("tap", step="period = tap_step(state, gate)", outputs=[signal("period", "sample", ctype="int32_t")],
          reference=gate.period, claims=[accurate(absolute=0, because="w")], **gate_in, **common)
s.machine("sixth", step="out = sixth_step(state, gate)", outputs=[signal("out", "", ctype="int32_t")],
          reference=gate.divider, constants={"by": 6}, claims=[accurate(absolute=0, because="w")], **gate_in, **common)
s.machine("lamp", events=[event("strike", "strike(state)")], step="level = lamp_step(state)", outputs=[signal("level", "")],
          claims=[ends_at_zero(after="strike", seconds=0.1, because="w")], **common)
"""


@pytest.mark.parametrize(("count", "failing"), [
    pytest.param("uint32_t", set(), marks=pytest.mark.nightly), ("uint16_t", {"tap", "sixth", "lamp"}),
])  # fmt: skip
def test_a_counter_that_wraps_is_found(tmp_path: Path, count: str, failing: set[str]) -> None:
    record = run(tmp_path, C.replace("COUNT", count), SHEET)

    assert failing == {name for name in ("tap", "sixth", "lamp") if seen(record, name).failing()}
    assert not any(seen(record, name).other() for name in ("tap", "sixth", "lamp"))
