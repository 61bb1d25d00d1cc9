"""preflash render of a path: what enters it is heard as the firmware carries it on, beside what its references make of it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.io import wavfile

from verify.errors import UsageError
from verify.rendering import Wish, render

pytestmark = pytest.mark.usefixtures("gcc", "private_cache")

C = r"""
#include <math.h>
#include <stdint.h>
float hz_of(uint16_t code) { return 110.0f * exp2f((float)code / 12.0f); }
uint32_t step_of(float hz) { return (uint32_t)((double)hz * 4294967296.0 / 48000.0 + 0.5); }
typedef struct { uint32_t phase, step; float level; } tone_t;
void tone_init(tone_t *t) { t->phase = t->step = 0; t->level = 0.0f; }
void tone_set(tone_t *t, uint32_t step) { t->step = step; }
void tone_level(tone_t *t, float level) { t->level = level; }
float tone_step(tone_t *t)
{
    float y = t->level * sinf(6.28318531f * (float)(int32_t)t->phase * 0x1p-32f);
    t->phase += t->step;
    return y;
}
"""
SHEET = """
from reference import oscillators_in_time, pitch
from verify import *
s = Sheet(sources=["plant.c"], flags="-O2 -std=c11", builds=["host"])
def hz_of(ctx, code): return 110 * ctx.exp2(ctx.number(code) / 12)
s.function("hz_of", inputs=[integers("code", 0, 48, "code")], output="Hz", reference=hz_of, claims=[])
s.function("step_of", inputs=[binary32("hz", 100, 2000, "Hz")], output="step/sample", claims=[],
           reference=pitch.increment_32bit_from_hz, constants={"sample_rate_hz": 48000})
def tone(ctx, script):
    return oscillators_in_time.from_increment(ctx, script, name="step", per_turn=2**32)
s.machine("tone", state="tone_t", init="tone_init(state)", step="y = tone_step(state)", outputs=[signal("y", "full scale")],
    events=[event("step", "tone_set(state, step)", integers("step", 0, 2**30, "step/sample")),
            event("level", "tone_level(state, level)", binary32("level", 0, 1, ""))], reference=tone, claims=[])
s.path("song", stages=["hz_of", "step_of", "tone"], before={"level": 1}, claims=[accurate(cents=0.1, because="planted")])
"""


def heard(folder: Path, c: str = C, script: str = "length 0.4s\n0 code 12\n200ms code 24\n", machine: str = "song") -> int:
    (folder / "plant.c").write_text(c, encoding="utf-8")
    (folder / "plant_sheet.py").write_text(SHEET, encoding="utf-8")
    (folder / "script.txt").write_text(script, encoding="utf-8")
    return render(Wish(folder / "plant_sheet.py", str(folder / "script.txt"), machine=machine, out=folder / "heard.wav"))


def read(folder: Path, word: str) -> np.ndarray:
    _, raw = wavfile.read(folder / f"heard_{word}.wav")
    return raw / 2.0**31


def test_a_right_path_is_its_reference(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert 0 == heard(tmp_path)
    text = capsys.readouterr().out
    y = read(tmp_path, "firmware")

    assert "code 12: wanted 220.000000 Hz, got 220.0000" in text and "code 24: wanted 440.000000 Hz" in text
    # 220 Hz for 0.2 s, then 440 Hz: 44 and 88 periods.
    ups = [int(((part[:-1] < 0) & (part[1:] >= 0)).sum()) for part in (y[:9600], y[9600:])]
    assert abs(ups[0] - 44) <= 1 and abs(ups[1] - 88) <= 1
    assert np.abs(read(tmp_path, "difference")).max() < 1e-4


def test_a_fault_of_a_stage_is_heard_in_the_difference(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert 0 == heard(tmp_path, C.replace("48000.0 + 0.5", "47000.0 + 0.5"))

    assert "+36.4" in capsys.readouterr().out
    assert np.abs(read(tmp_path, "difference")).max() > 0.99


@pytest.mark.parametrize(("script", "machine", "says"), [
    ("0 code 99\n", "song", "out of range"), ("0 cod 9\n", "song", "no event or input"),
    ("0 code 9\n", "hz_of", "no machine"),
])
def test_wrong_turns_are_told(tmp_path: Path, script: str, machine: str, says: str) -> None:
    with pytest.raises(UsageError, match=says):
        heard(tmp_path, script=script, machine=machine)
