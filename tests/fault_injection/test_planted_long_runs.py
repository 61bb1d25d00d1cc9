"""keeps_going: counters at their ends and sums that stop growing are found hours after the start, by running to there."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from math import inf
from pathlib import Path
from typing import Any

import pytest

from tests.fault_injection.planted import run
from verify.errors import SheetError
from verify.hunting.plan import Plan
from verify.sheet import load_sheet

ROOT = Path(__file__).resolve().parents[2]
C = """\
#include <stdint.h>
#include <stdlib.h>
typedef struct { float level, t; uint32_t n, end; int16_t strikes; int on; uint16_t ticks; } env_t;
void env_init(env_t *s, float rate)
{
    (void)rate;
    s->level = s->t = 0;
    s->n = s->end = START;
    s->strikes = 0;
    s->on = s->ticks = 0;
}
void env_hit(env_t *s) { s->on = 1; s->level = 0; s->end = s->n + 20; s->strikes++; }
float env_step(env_t *s)
{
    s->n++;
    if (s->on) {
        s->level += 0.01f;
        s->on = GOES_ON;
    } else {
        s->level *= 0.5f;
        if (s->level < 1e-6f)
            s->level = 0;
    }
    EXTRA
    return s->level;
}
"""
RIGHT = "(int32_t)(s->end - s->n) > 0"
SHEET = """\
from verify import *
s = Sheet(sources=["plant.c"], flags="-O2", sample_rate_hz=1000, builds=["host"])
s.machine("env", state="env_t", init="env_init(state, sample_rate_hz)", events=[event("hit", "env_hit(state)")],
          step="level = env_step(state)", outputs=[signal("level", "full scale")], scripts=32, longest_seconds=0.1,
          claims=[keeps_going(hours={hours}, every_seconds={every}, {within}because="it hangs outside for months")])
"""
WHOLE = Plan(scripts=32, wall_seconds=inf)


def checked(folder: Path, goes_on: str = RIGHT, extra: str = "", start: str = "0", hours: str = "1", every: str = "0.1",
            within: str = "", plan: Plan = WHOLE) -> dict[str, Any]:
    """The keeps_going entry of one variant."""
    c = C.replace("GOES_ON", goes_on).replace("EXTRA", extra).replace("START", start)
    record = run(folder, c, SHEET.format(hours=hours, every=every, within=within), plan)
    (claim,) = [c for c in record["routines"][0]["claims"] if c["claim"] == "keeps_going"]
    return claim


@pytest.mark.parametrize(("goes_on", "extra", "start", "words"), [
    ("s->n < s->end", "", "4294900041u", "near"),  # a counter that wraps, begun shortly before to be there soon
    (RIGHT, "s->t += 1.0f; if (s->t == 16777216.0f) s->level = 0.5f;", "0", "near 2^24 samples (whole numbers in float)"),
    (RIGHT, "if (s->strikes < 0) s->level = 0.5f;", "0", "near 2^15 events (int16)"),
    (RIGHT, "if (++s->ticks == 0 && s->n > 500000) s->level = 0.25f;", "0", "differs in period"),
    (RIGHT, "if (s->n == 700123u) s->level = 0.0f / 0.0f;", "0", "differs in period 7 002"),
    (RIGHT, "if (s->n == 700123u) s->level += (float)s->n * 1e-30f * 1e-14f;", "0", "subnormal operand in period 7 002"),
    (RIGHT, "if (s->n == 700123u) abort();", "0", "crash in period 7002"),
    (RIGHT, "while (s->n == 700123u) ;", "0", "hang in period 7002"),
])  # fmt: skip
def test_a_fault_hours_away_is_found(tmp_path: Path, gcc: str, goes_on: str, extra: str, start: str, words: str) -> None:
    claim = checked(tmp_path, goes_on, extra, start, "5" if "16777216" in extra else "1")

    assert "fails" == claim["verdict"]
    if words != "near":
        assert words in claim["witness"]["error"]
    assert "hit" in " ".join(claim["witness"]["table"])
    assert "--thorough" in claim["witness"]["replay"]


@pytest.mark.parametrize(("extra", "start"), [("", "0"), ("", "4294900000u"), ("s->t += 1.0f;", "0"), ("s->ticks++;", "0")])
def test_a_right_machine_goes_on(tmp_path: Path, gcc: str, extra: str, start: str) -> None:
    claim = checked(tmp_path, RIGHT, extra, start)

    assert ("holds", "holds (1 h of 1 h run)") == (claim["verdict"], claim["verdict_text"])
    assert any("36 000 periods, 3 600 000 samples at 1000 Hz, each computed" in fact for fact in claim["facts"])


def test_small_drift_is_allowed_by_a_limit_only(tmp_path: Path, gcc: str) -> None:
    drift = "s->t += 1e-6f; if (s->on) s->level += s->t * 4e-6f;"
    assert "fails" == checked(tmp_path / "a", RIGHT, drift)["verdict"]
    allowed = checked(tmp_path / "b", RIGHT, drift, within="within=0.001, ")

    assert "holds" == allowed["verdict"]
    assert 0 < allowed["worst"]["value"] < 0.001


def test_a_stop_by_the_clock_is_said(tmp_path: Path, gcc: str) -> None:
    claim = checked(tmp_path, hours="900", plan=Plan(scripts=32))

    assert "holds" == claim["verdict"]
    assert claim["verdict_text"].endswith(" of 900 h run)")
    assert not claim["verdict_text"].startswith("holds (900 h")
    assert "stopped by the clock; --thorough runs it to its end" in claim["facts"]


def test_an_interrupt_ends_a_long_run(tmp_path: Path, gcc: str, private_cache: Path) -> None:
    (tmp_path / "plant.c").write_text(C.replace("GOES_ON", RIGHT).replace("EXTRA", "").replace("START", "0"))
    (tmp_path / "plant_sheet.py").write_text(SHEET.format(hours="900", every="0.1", within=""), encoding="utf-8")
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "XDG_CACHE_HOME": str(private_cache)}
    running = subprocess.Popen([sys.executable, "-m", "verify", "check", "--thorough", "plant_sheet.py"], cwd=tmp_path,
                               env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)  # fmt: skip
    time.sleep(12)
    running.send_signal(signal.SIGINT)
    out, error = running.communicate(timeout=60)

    assert 130 == running.returncode, out + error
    assert "Traceback" not in error
    assert (tmp_path / "reports" / "plant.json").exists()


@pytest.mark.parametrize(("hours", "every", "words"), [
    ("24", "0.0003", "whole number of samples"), ("24", "100000", "too long"), ("0.00005", "0.1", "three periods"),
    ("0", "1", "above zero"),
])  # fmt: skip
def test_a_period_that_cannot_be_meant_is_refused(tmp_path: Path, hours: str, every: str, words: str) -> None:
    (tmp_path / "plant.c").write_text(C)
    (tmp_path / "plant_sheet.py").write_text(SHEET.format(hours=hours, every=every, within=""), encoding="utf-8")
    with pytest.raises(SheetError, match=words):
        load_sheet(tmp_path / "plant_sheet.py")
