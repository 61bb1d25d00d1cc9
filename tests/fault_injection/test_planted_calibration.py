"""Faults of a firmware's own two-point calibration, each with its right twin; inverted inputs included."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.fault_injection.planted import Seen, run, seen, with_changes
from verify.converters import converter
from verify.errors import SheetError
from verify.hunting.plan import Plan

pytestmark = pytest.mark.usefixtures("gcc")

C = """\
#include <math.h>
#include <stdint.h>
typedef struct { float gain, offset; } cal_t;
void learn(cal_t *c, uint16_t low, uint16_t high)
{
    c->gain = 3.0f / ((float)high - (float)low);
    c->offset = 1.0f - c->gain * (float)low;
}
float volts_of(const cal_t *c, uint16_t code) { return c->offset + c->gain * (float)code; }
typedef struct { int32_t gain_q20, low; } whole_t;
void whole_learn(whole_t *c, uint16_t low, uint16_t high)
{
    c->gain_q20 = (int32_t)((3LL << 36) / ((int32_t)high - low));
    c->low = low;
}
float whole_volts(const whole_t *c, uint16_t code)
{
    return 1.0f + (float)((int64_t)c->gain_q20 * ((int32_t)code - c->low)) * (1.0f / 68719476736.0f);
}
"""
SHEET = """\
from reference import pitch
from verify import *
s = Sheet(sources=["plant.c"], flags="-O2", builds=["host"])
OFF = dict(without=dict.fromkeys(("returns", "finite", "deterministic", "no_hidden_events"), "another test's"))
unit = converter(low_code={ends[0]}, low_volts=0, high_code={ends[1]}, high_volts=5, offset_codes=40, gain_percent=1,
                 nonlinearity_codes=1, noise_codes=0.5)
s.function("tuned", call="{call}", local="{local}",
    inputs=[integers("low", {low}, "code"), integers("high", {high}, "code"), codes("code", bits=12)],
    input_types=dict(low="uint16_t", high="uint16_t", code="uint16_t"), output="{unit}", output_type="float",
    claims=[calibrates(readings={{"low": 1, "high": 4}}, code="code", converter=unit, cents={cents}, volts=(0.5, 4.5), {more}
                       because="a scale in tune")], **OFF)
"""
WHOLE = dict(local="whole_t c", call="whole_learn(&c, low, high); result = whole_volts(&c, code)")
HZ = dict(call="learn(&c, low, high); result = 65.5f * exp2f(volts_of(&c, code))", unit="Hz",
          more='reference=pitch.hz_from_volts, constants={"zero_volt_hz": 65.5},')


def checked(folder: Path, *changes: tuple[str, str], inverted: bool = False, cents: float = 8, local: str = "cal_t c",
            call: str = "learn(&c, low, high); result = volts_of(&c, code)", unit: str = "V", more: str = "") -> Seen:
    text = with_changes(C, changes)
    near, far = "700, 950", "3150, 3400"
    low, high = (far, near) if inverted else (near, far)
    sheet = SHEET.format(low=low, high=high, ends=(4096, 0) if inverted else (0, 4096), cents=cents, local=local,
                         call=call, unit=unit, more=more)
    return seen(run(folder, text, sheet, Plan(sampled_cases=1 << 14, every_value_up_to=1 << 14)), "tuned")


@pytest.mark.parametrize("inverted", [pytest.param(False, marks=pytest.mark.nightly), True])
@pytest.mark.parametrize("how", [pytest.param({}, marks=pytest.mark.nightly), WHOLE,
                                 pytest.param(HZ, marks=pytest.mark.nightly)], ids=["volts", "whole", "pitch"])
def test_a_right_calibration_brings_every_unit_into_tune(tmp_path: Path, how: dict[str, str], inverted: bool) -> None:
    found = checked(tmp_path, inverted=inverted, **how)

    assert {"calibrates host": "holds"} == found.verdicts(), found.words("calibrates")
    # By hand: (1.5 + 0.5) codes at most at each of three conversions, and an extrapolation by a sixth of the span.
    worst = abs(found.claim("calibrates")["worst"]["value"])
    assert 1200 * 5 / 4096 * 2 < worst < 1200 * 5 / 4096 * 2 * (1 + 4 / 3) / 0.99
    assert "an exact calibration leaves" in found.words("calibrates")
    assert "tried" in found.claim("calibrates")["verdict_text"]


FAULTS = {
    "gain and offset swapped": ([("return c->offset + c->gain * (float)code", "return c->gain + c->offset * (float)code")],
                                {}, "the nominal unit"),
    "divided too early": ([("(3LL << 36) / ((int32_t)high - low)", "(int64_t)((3 << 20) / ((int32_t)high - low)) << 16")],
                          WHOLE, "cents"),
    "the sign is lost when the input is inverted": ([("(int32_t)high - low)", "abs((int32_t)high - low))"),
                                                     ("#include <math.h>", "#include <math.h>\n#include <stdlib.h>")],
                                                    {**WHOLE, "inverted": True}, "the nominal unit"),
    "overflow at one corner": ([("c->low = low;", "c->low = low + (c->gain_q20 > 84700000 ? 65536 : 0);")], WHOLE,
                               "gain -1 %"),
    "an offset of one unit only": ([("c->offset = 1.0f - c->gain * (float)low;",
                                     "c->offset = 1.0f - c->gain * (float)(low < 781 ? 781 : low);")], {}, "offset -40"),
    "at one reading inside the tolerances": ([("c->low = low;", "c->low = low + (low > 833 && low < 846 ? 300 : 0);")], WHOLE,
                                             "none of them at the ends"),
    "an octave low": ([], {**HZ, "more": HZ["more"].replace("65.5", "131")}, "the nominal unit"),
}


QUICK = ("the sign is lost when the input is inverted", "at one reading inside the tolerances")


@pytest.mark.parametrize("name", [name if name in QUICK else pytest.param(name, marks=pytest.mark.nightly)
                                  for name in sorted(FAULTS)])
def test_a_planted_fault_is_found_with_its_simplest_unit(tmp_path: Path, name: str) -> None:
    changes, how, says = FAULTS[name]
    found = checked(tmp_path, *changes, **how)

    assert {"calibrates host"} == found.failing()
    assert says in found.words("calibrates"), found.words("calibrates")
    assert {"low", "high", "code"} == {entry["name"] for entry in found.claim("calibrates")["witness"]["inputs"]}


def test_what_cannot_be_meant_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SheetError, match="coincide"):
        converter(low_code=1, low_volts=0, high_code=1, high_volts=5)
    with pytest.raises(SheetError, match="neither volts nor a pitch"):
        checked(tmp_path, unit="Hz")
