"""Blocks of several channels in one array, interleaved or by pointers, changed in place: faults and right twins."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.fault_injection.planted import Seen, run, seen
from verify.errors import SheetError
from verify.hunting.plan import Plan
from verify.sheet import load_sheet

C = r"""
#include <math.h>
typedef struct { float y[2], a; } two_t;
void two_init(two_t *s, float rate) { s->y[0] = s->y[1] = 0; s->a = 1.0f - expf(-1.0f / (0.005f * rate)); }
void interleaved(two_t *s, float *buffer, int n)
{
    for (int i = 0; i < n; i++)
        for (int c = 0; c < 2; c++) {
            s->y[c] += s->a * (buffer[2 * i + c] - s->y[c]);
            if (fabsf(s->y[c]) < 1e-15f) s->y[c] = 0.0f;
            buffer[2 * i + c] = s->y[c];
        }
}
void pointers(two_t *s, float **buffer, int n)
{
    for (int c = 0; c < 2; c++)
        for (int i = 0; i < n; i++) {
            s->y[c] += s->a * (buffer[c][i] - s->y[c]);
            if (fabsf(s->y[c]) < 1e-15f) s->y[c] = 0.0f;
            buffer[c][i] = s->y[c];
        }
}
"""
SHEET = """
from reference import smoothing
from verify import *
s = Sheet(sources=["plant.c"], flags="-O2", sample_rate_hz=48000, builds=["host", "strict"])
one = {"seconds": "5/1000"}
s.machine("plant", state="two_t", init="two_init(state, sample_rate_hz)", block="WAY(state, buffer, n)",
    WAY={"buffer": ["left", "right"]}, longest_seconds=0.02,
    inputs=[binary32("left", -1, 1, "full scale"), binary32("right", -1, 1, "full scale")],
    outputs=[signal("left", "full scale"), signal("right", "full scale")],
    reference={"left": smoothing.one_pole, "right": smoothing.one_pole},
    constants={"left": {"target": "left", **one}, "right": {"target": "right", **one}},
    claims=[accurate(absolute=1e-4, because="x"), accurate(absolute=1e-4, of="right", because="x"),
            same_for_any_block_size(because="x")])
"""
FAULTS = {
    "interleaved, the other channel": ("interleaved", ("buffer[2 * i + c] = s->y[c];", "buffer[2 * i + c] = s->y[1 - c];"),
                                       "accurate host", "x the limit"),
    "interleaved, past its end": ("interleaved", ("i < n; i++)\n        for", "i <= n; i++)\n        for"),
                                  "no_undefined_behaviour strict", "outside a variable"),
    "pointers, past its end": ("pointers", ("i < n; i++) {", "i <= n; i++) {"), "returns host", "memory access outside"),
    "pointers, a block's first sample": ("pointers", ("for (int i = 0; i < n; i++) {", "for (int i = n > 4; i < n; i++) {"),
                                         "same_for_any_block_size host", "blocks of"),
}


def checked(folder: Path, way: str, c: str = C) -> Seen:
    """The verdicts on a block that takes its channels in one way."""
    return seen(run(folder, c, SHEET.replace("WAY", way), Plan(scripts=32)), "plant")


@pytest.mark.parametrize("way", ["interleaved", "pointers"])
def test_a_right_block_gives_no_alarm(tmp_path: Path, way: str) -> None:
    found = checked(tmp_path, way)

    assert (set(), {}) == (found.failing(), found.other())


@pytest.mark.parametrize("name", FAULTS)
def test_a_planted_fault_is_found_in_few_samples(tmp_path: Path, name: str) -> None:
    way, (old, new), claim, words = FAULTS[name]
    assert old in C
    found = checked(tmp_path, way, C.replace(old, new))

    assert claim in found.failing()
    assert words in found.words(*claim.split())


@pytest.mark.parametrize(("old", "new", "words"), [
    ('["left", "right"]', '["left", "rihgt"]', "no input or output is called 'rihgt'"),
    ('["left", "right"]', '"left"', "names no channels"),
    ('{"buffer"', '{"left"', "cannot be used as a name"),
    ('block="interleaved(state, buffer, n)"', 'step="(void)left"', "needs block="),
    ('signal("right", "full scale")', 'signal("right", "full scale", ctype="double")', "several C types"),
    ('["left", "right"]}, longest', '["left", "knob"]}, longest', "mixes inputs and outputs"),
])  # fmt: skip
def test_an_array_that_cannot_be_meant_is_refused(tmp_path: Path, old: str, new: str, words: str) -> None:
    text = SHEET.replace("WAY", "interleaved")
    assert old in text
    if "knob" in new:
        text = text.replace("inputs=[", 'inputs=[binary32("knob", 0, 1, ""), ')
    (tmp_path / "plant.c").write_text(C, encoding="utf-8")
    (tmp_path / "plant_sheet.py").write_text(text.replace(old, new), encoding="utf-8")

    with pytest.raises(SheetError) as told:
        load_sheet(tmp_path / "plant_sheet.py")
    assert words in str(told.value)
