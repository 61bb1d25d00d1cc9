"""Faults that show only where routines follow one another, each with its right twin."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from tests.fault_injection.planted import run, seen, shared_record
from verify.errors import BindingError, PreflashError, SheetError
from verify.replay import replay
from verify.reports.budgets import text_lines

C = """\
#include <math.h>
#include <stdint.h>
float volts(uint16_t code) { return (float)code * (5.0f / 4096.0f) + OFFSET; }
float hz(float v) { if (!(v > 0.0f)) v = 0.0f; if (v > 5.0f) v = 5.0f; return BASE * exp2f(v); }
uint32_t increment(float f) { return (uint32_t)((double)f * (4294967296.0 / 48000.0) + 0.5); }
typedef struct { uint32_t phase, step; } tone_t;
static inline void tone_init(tone_t *t) { t->phase = 0; t->step = 0; }
static inline float tone_step(tone_t *t) { t->phase += t->step; return sinf((float)(int32_t)t->phase * 1.46291808e-9f); }
void tone_set(tone_t *t, uint32_t step) { t->step = step SET; }
int32_t hz_q8(float v) { return (int32_t)(65.5f * exp2f(v) * 256.0f + 0.5f); }
int32_t doubled(int32_t raw) { return raw; }
int32_t volts_again(int32_t whole) { return whole; }
"""

STAGES = """
f("volts", inputs=[codes("code", bits=12)], output="V", reference=pitch.volts_from_code,
  constants=dict(low_code=0, low_volts=LOW, high_code=4096, high_volts=5 + LOW), claims=[])
f("hz", inputs=[binary32("v", 0, 5, "V")], output="Hz", reference=pitch.hz_from_volts,
  constants={"zero_volt_hz": HZ}, claims=[])
f("increment", inputs=[binary32("f", 0, 20_000, "Hz")], output="step/sample", reference=pitch.increment_32bit_from_hz,
  constants={"sample_rate_hz": 48_000}, claims=[])
"""
TONE = """
s.machine("tone", state="tone_t", init="tone_init(state)", step="out = tone_step(state)",
          outputs=[signal("out", "full scale")],
          events=[event("set", "tone_set(state, step)", integers("step", 0, 2**31, "step/sample"))], claims=[], scripts=2)
"""
PATH = ('s.path("pitch", stages=["volts", "hz", "increment"%s], '
        'claims=[accurate(cents=%s, because=WHY), rising(because=WHY)]%s)\n')


def sheet(path: str, *, low: float = 0, hz: str = "65.5", more: str = "", builds: str = '["host"]') -> str:
    stages = STAGES.replace("LOW", str(low)).replace("HZ", repr(hz))
    return f"""from reference import pitch
from verify import *
WHY = "planted"
s = Sheet(sources=["plant.c"], flags="-O2", builds={builds})
f = s.function
{stages}{more}{path}"""


def source(*, offset: str = "0.0f", base: str = "65.5f", change: str = "") -> str:
    return C.replace("OFFSET", offset).replace("BASE", base).replace(" SET", change)


def test_a_right_path_holds_for_every_code_and_its_shares_add_up() -> None:
    outside = ', outside=[beyond_firmware("resistors", percent=0.1), beyond_firmware("noise", rms_steps=0.5)]'
    found = seen(shared_record(source(), sheet(PATH % ("", 0.01, outside), builds='["host", "strict"]')), "pitch")

    assert set(found.verdicts().values()) == {"holds"}
    assert found.claim("accurate")["strength"] == {"kind": "every value", "count": 4096}
    (budget,) = found.entry["budgets"]
    assert [line["name"] for line in budget["lines"]] == ["volts", "hz", "increment", "half a step of code",
                                                          "resistors, 0.1 %", "noise, 0.5 steps rms"]
    stages = budget["lines"][:3]
    assert budget["end"]["worst"] == pytest.approx(sum(line["at_worst"] for line in stages), rel=1e-9)
    assert abs(budget["end"]["worst"]) <= budget["sum"] * (1 + 1e-12)
    # By hand: 12 bits over 5 octaves are 819.2 steps to the octave, half a step is 600 / 819.2 cents.
    assert budget["lines"][3]["worst"] == pytest.approx(600 / 819.2, rel=1e-12)
    # A thousandth of the last code down; noise of half a step as the half step above, and erfc(1 / sqrt 2) = 0.3173.
    assert budget["lines"][4]["worst"] == pytest.approx(4.095 * 1200 / 819.2, rel=1e-12)
    assert budget["lines"][5]["worst"] == pytest.approx(600 / 819.2, rel=1e-12)
    assert "31.7 % of the readings" in budget["outside"][0]
    printed = "\n".join(text_lines(found.entry, 100))
    assert "besides: resistors, 0.1 %" in printed and "jitter" in printed


def test_a_stage_fed_outside_its_range_is_found_though_every_stage_is_right() -> None:
    found = seen(shared_record(source(offset="-0.01f"), sheet(PATH % ("", 20, ""), low=-0.01)), "pitch")

    assert found.verdicts()["stages_fit host"] == "fails"
    assert found.inputs("stages_fit") == ["0"]
    assert "volts gives -0.0099999" in found.words("stages_fit") and "checked for 0 V to 5 V" in found.words("stages_fit")
    # 9 codes lie below 0 V, and only they.
    assert "9 of 4 096 inputs" in found.words("stages_fit")


def test_replay_tells_of_a_path_what_is_so_at_its_own_input(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "plant.c").write_text(source(offset="-0.01f"), encoding="utf-8")
    (tmp_path / "plant_sheet.py").write_text(sheet(PATH % ("", 20, ""), low=-0.01), encoding="utf-8")
    replay(tmp_path / "plant_sheet.py", "pitch", ["code=0"], 100)
    wrong = capsys.readouterr().out
    replay(tmp_path / "plant_sheet.py", "pitch", ["code=4000"], 100)
    right = capsys.readouterr().out

    assert "stages_fit: FAILS: volts gives -0.0099999" in wrong
    assert "stages_fit: holds" in right and "stages_fit: FAILS" not in right


@pytest.mark.nightly
def test_stages_that_are_right_alone_and_disagree_are_found_end_to_end() -> None:
    # Calibration to A, frequency from C: each is right by its own reference, the instrument is not.
    whole = (", reference=pitch.hz_from_code, constants=dict(low_code=0, low_volts=0, high_code=4096, high_volts=5, "
             "zero_volt_hz=%s)")
    right = 's.path("pitch", stages=["volts", "hz"], claims=[accurate(cents=0.01, because=WHY)]%s)\n'
    wrong = seen(shared_record(source(base="65.5f"), sheet(right % (whole % 55))), "pitch")
    twin = seen(shared_record(source(base="65.5f"), sheet(right % (whole % 65.5))), "pitch")

    assert wrong.verdicts()["accurate host"] == "fails" and set(twin.verdicts().values()) == {"holds"}
    meant = wrong.entry["budgets"][0]["lines"][0]
    # 1200 log2(65.5/55) cents lie between what the stages are meant to do and what the path is.
    assert meant["kind"] == "meant" and meant["worst"] == pytest.approx(1200 * math.log2(65.5 / 55), rel=1e-12)
    assert abs(wrong.entry["budgets"][0]["lines"][1]["worst"]) < 0.01


def test_a_scale_mismatch_inside_the_machine_shows_only_in_the_signal() -> None:
    path = PATH % (', "tone"', 0.01, "")
    wrong = seen(shared_record(source(change=" + step / 256"), sheet(path, more=TONE)), "pitch")
    twin = seen(shared_record(source(), sheet(path, more=TONE)), "pitch")

    assert set(twin.verdicts().values()) == {"holds"}
    assert twin.claim("accurate")["strength"]["kind"] == "every value"
    assert wrong.verdicts()["accurate host"] == "fails"
    line = next(line for line in wrong.entry["budgets"][0]["lines"] if line["name"] == "tone")
    assert line["worst"] == pytest.approx(1200 * math.log2(257 / 256), abs=0.001)
    assert wrong.entry["budgets"][0]["measured"]["own_error"] == 0.003


@pytest.mark.nightly
def test_a_machine_that_sounds_an_octave_low_is_measured_there() -> None:
    found = seen(shared_record(source(change=" / 2"), sheet(PATH % (', "tone"', 0.01, ""), more=TONE)), "pitch")

    assert found.verdicts()["accurate host"] == "fails"
    assert -1200 == pytest.approx(found.entry["budgets"][0]["end"]["worst"], abs=0.1)


@pytest.mark.nightly
def test_steps_back_of_a_measured_pitch_count_beyond_its_own_error() -> None:
    path = PATH % (', "tone"', 200, "")
    # Many inputs of one increment sound alike: their measured pitches differ by less than the method's own error.
    flat = seen(shared_record(source(change=" & ~0xffffu"), sheet(path, more=TONE)), "pitch")
    back = seen(shared_record(source(change=" ^ 0x8000u"), sheet(path, more=TONE)), "pitch")

    assert flat.verdicts()["rising host"] == "holds" and "own error" in flat.words("rising")
    assert back.verdicts()["rising host"] == "fails"


@pytest.mark.nightly
def test_a_silent_machine_fails_and_is_never_called_undecided() -> None:
    found = seen(shared_record(source(change=" & 0"), sheet(PATH % (', "tone"', 0.01, ""), more=TONE)), "pitch")

    assert found.verdicts()["accurate host"] == "fails"


@pytest.mark.parametrize(
    ("path", "words"),
    [
        ('s.path("p", stages=["volts", "hz", "increment", "tone"], claims=[rising(strict=True, because=WHY)])',
         ("strict=True", "measured")),
        ('s.path("p", stages=["volts", "increment"], claims=[])', ("volts gives V, increment takes Hz", "plant_sheet.py")),
        ('f("hz_q8", inputs=[binary32("v", 0, 5, "V")], output=fixed_output("Hz", fraction_bits=8), '
         'reference=pitch.hz_from_volts, constants={"zero_volt_hz": 65.5}, claims=[])\n'
         'f("doubled", inputs=[integers("raw", 0, 2**20, "Hz")], output="Hz", reference=lambda ctx, x: x, claims=[])\n'
         's.path("p", stages=["volts", "hz_q8", "doubled"], claims=[])', ("steps of 2^-8", "steps of 1", "fraction_bits")),
        ('s.path("p", stages=["volts", "hz"], claims=[], outside=[beyond_firmware("r")])', ("one size", "percent")),
        ('s.path("p", stages=["volts", "hz", "increment", "tone"], claims=[cost_within(cycles=9, because=WHY)])',
         ("cost_within on a path", "preflash cost", "hz, increment, tone")),
        ('s.path("p", stages=["volts", "hz", "increment", "tone"], claims=[same_on_board(bits=True, because=WHY)])',
         ("same_on_board on a path that ends in a machine", "claim it on tone")),
        ('s.path("p", stages=["volts", "hertz"], claims=[])', ("no routine 'hertz'", "hz")),
        ('s.path("p", stages=["volts"], claims=[])', ("at least two stages",)),
        ('s.path("p", stages=["volts", "hz"], inputs=[codes("code", bits=13)], claims=[])', ("beyond the first stage",)),
    ],
)
def test_stages_that_do_not_fit_are_refused_with_both_places(tmp_path: Path, path: str, words: tuple[str, ...]) -> None:
    with pytest.raises(SheetError) as problem:
        run(tmp_path, source(), sheet(path + "\n", more=TONE))

    text = str(problem.value)
    assert all(word in text for word in words), text


@pytest.mark.nightly
def test_a_fraction_that_c_would_cut_off_between_stages_is_refused(tmp_path: Path) -> None:
    more = ('f("volts_again", inputs=[integers("whole", 0, 5, "V")], output="V", reference=lambda ctx, x: x, claims=[])\n'
            's.path("p", stages=["volts", "volts_again"], claims=[])\n')
    with pytest.raises(BindingError) as problem:
        run(tmp_path, source(), sheet(more))

    assert isinstance(problem.value, PreflashError)
    assert "cut the fraction off" in str(problem.value)
