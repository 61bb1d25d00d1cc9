"""Time of a path of four stages over all 65 536 codes, budget included: printed beside the goal of 2 s, never judged.

Run with: pytest tests/benchmarks/test_paths.py -s -m nightly
"""

from __future__ import annotations

import contextlib
import os
import time
from pathlib import Path
from typing import Any

import pytest

from firmware_shim.crew import Crew
from verify.hunting.plan import Plan
from verify.reports.record import plain
from verify.session import Check
from verify.sheet import load_sheet

pytestmark = [pytest.mark.nightly, pytest.mark.usefixtures("gcc")]

C = """\
#include <math.h>
#include <stdint.h>
float volts(uint16_t code) { return (float)code * (5.0f / 65536.0f); }
float hz(float v) { if (!(v > 0.0f)) v = 0.0f; if (v > 5.0f) v = 5.0f; return 65.5f * exp2f(v); }
uint32_t increment(float f) { return (uint32_t)((double)f * (4294967296.0 / 48000.0) + 0.5); }
uint32_t doubled(uint32_t step) { return step << 1; }
typedef struct { uint32_t phase, step; } tone_t;
static inline void tone_init(tone_t *t) { t->phase = 0; t->step = 0; }
static inline float tone_step(tone_t *t) { t->phase += t->step; return sinf((float)(int32_t)t->phase * 1.46291808e-9f); }
void tone_set(tone_t *t, uint32_t step) { t->step = step; }
"""
SHEET = """\
from reference import pitch
from verify import *
WHY = "measured here"
s = Sheet(sources=["path.c"], flags="-O2", builds=["host"])
s.function("volts", inputs=[codes("code", bits=16)], output="V", reference=pitch.volts_from_code, claims=[],
           constants=dict(low_code=0, low_volts=0, high_code=65536, high_volts=5))
s.function("hz", inputs=[values("v", [0, 5], "V")], output="Hz", reference=pitch.hz_from_volts,
           constants={"zero_volt_hz": "65.5"}, claims=[])
s.function("increment", inputs=[values("f", [0, 20_000], "Hz")], output="step/sample",
           reference=pitch.increment_32bit_from_hz, constants={"sample_rate_hz": 48_000}, claims=[])
s.function("doubled", inputs=[values("step", [0, 2**30], "step/sample")], output="step/sample",
           reference=lambda ctx, x: 2 * x, claims=[], input_types={"step": "uint32_t"}, output_type="uint32_t",
           call="result = doubled(step)")
s.machine("tone", state="tone_t", init="tone_init(state)", step="out = tone_step(state)",
          outputs=[signal("out", "full scale")], claims=[], scripts=2,
          events=[event("set", "tone_set(state, step)", integers("step", 0, 2**31, "step/sample"))])
s.path("path", stages=["volts", "hz", "increment", LAST], claims=[accurate(cents=0.05, because=WHY), rising(because=WHY)],
       without={"stages_fit": "the stages' own ranges are left small here"})
"""


def below_seconds() -> float:
    """Processor time so far of every process that stands below this one, with that of their ended children."""
    rows = []
    for path in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):  # it has ended meanwhile
            rows.append([*path.read_text().rpartition(")")[2].split(), path.parent.name])
    below = {os.getpid()}
    for _ in range(4):  # workers, what they fork, and what stands between
        below |= {int(row[-1]) for row in rows if int(row[1]) in below}
    ticks = sum(int(value) for row in rows if int(row[-1]) in below - {os.getpid()} for value in row[11:15])
    return ticks / os.sysconf("SC_CLK_TCK")


def spent(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Grows by the processor time of this process's workers whenever a crew ends, while they can still be asked."""
    found: list[float] = []
    before, close = below_seconds(), Crew.close

    def asked(crew: Crew) -> None:
        found.append(below_seconds() - before)
        close(crew)

    monkeypatch.setattr(Crew, "close", asked)
    return found


@pytest.mark.parametrize(("last", "what"), [('"doubled"', "four functions"),
                                            ('"tone"', "three functions and a measured oscillator")])
def test_every_code_through_a_path(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch, last: str, what: str) -> None:
    (tmp_path / "path.c").write_text(C, encoding="utf-8")
    (tmp_path / "path_sheet.py").write_text(SHEET.replace("LAST", last), encoding="utf-8")
    check = Check(load_sheet(tmp_path / "path_sheet.py"), Plan(fresh=True), lambda *_: None, workers=2, only=("path",))
    check.run()  # builds everything
    check = Check(load_sheet(tmp_path / "path_sheet.py"), Plan(fresh=True), lambda *_: None, workers=2, only=("path",))
    workers = spent(monkeypatch)
    began, own = time.perf_counter(), time.process_time()
    record: dict[str, Any] = plain(check.run())  # type: ignore[assignment]
    seconds, processor = time.perf_counter() - began, time.process_time() - own + workers[0]

    print(f"\n65 536 codes through {what}, claims and budget: {seconds:.2f} s, {processor:.2f} s of processor time "
          "(goal: 2 s on two free processors)")
    (path,) = [entry for entry in record["routines"] if entry["name"] == "path"]
    assert {"holds"} == {claim["verdict"] for claim in path["claims"]}
    assert 65536 == path["budgets"][0]["inputs"] and path["budgets"][0]["every_value"]
