"""One input with a wrong result, in each unit in which accuracy can be claimed, and order broken at one place."""

from __future__ import annotations

from typing import Any

import pytest

from tests.fault_injection.planted import C_START, place, seen, shared_record, sheet_text

pytestmark = pytest.mark.usefixtures("gcc")

CODES = 4096
FLOATS = 8192
STEP = 2.0**-23

C = (
    C_START
    + """
#define PAIR(type, name, parameter, right, wrong_at, wrong) \\
    type name##_good(parameter) { type y = right; return y; } \\
    type name##_bad(parameter) { type y = right; if (wrong_at) y = wrong; return y; }
#define AT_CODE hit(code, 4096u)
#define AT_FLOAT hit(bits_of(x) & 0x7fffffu, 8192u)

PAIR(float, cents, uint16_t code, 440.0f * exp2f((float)code / 1024.0f), AT_CODE, y * 1.00002f)
PAIR(float, ulp, float x, x * 0.7f, AT_FLOAT, y + 0x1.8p-22f)
PAIR(float, absolute, uint16_t code, (float)code * 0.25f, AT_CODE, y - 0.0078125f)
PAIR(float, relative, uint16_t code, (float)code * 0.25f + 1.0f, AT_CODE, y * 1.0001f)
PAIR(int32_t, lsb, uint16_t code, ((int32_t)code * 3 + 2) / 4, AT_CODE, y + 1)
PAIR(float, hz, uint16_t code, (float)code * 2.0f, AT_CODE, y + 0.5f)
PAIR(float, volts, uint16_t code, (float)code / 819.0f, AT_CODE, y - 0.002f)
PAIR(float, nans, uint16_t code, (float)code * 0.25f, AT_CODE, NAN)

PAIR(int32_t, up, uint16_t code, 2 * (int32_t)code, AT_CODE, y - 3)
PAIR(int32_t, down, uint16_t code, -2 * (int32_t)code, AT_CODE, y + 3)
PAIR(int32_t, strict_up, uint16_t code, 2 * (int32_t)code, AT_CODE, y - 2)
PAIR(int32_t, strict_down, uint16_t code, -2 * (int32_t)code, AT_CODE, y + 2)
PAIR(int64_t, wide_up, uint16_t code, (INT64_C(1) << 60) + code, AT_CODE, y - 5)
PAIR(int64_t, wide_within, uint16_t code, (INT64_C(1) << 60) + code, AT_CODE, y + 4096)
PAIR(int64_t, wide, uint16_t code, (INT64_C(1) << 60) + code, AT_CODE, y + 1)
PAIR(int32_t, slack_up, uint16_t code, 2 * (int32_t)code, AT_CODE, y - 7)
"""
)

START = """
def double(ctx, x): return x * 2
def far(ctx, x): return x + 2**60
def quarter(ctx, x): return x / 4
def quarter_and_one(ctx, x): return x / 4 + 1
def three_quarters(ctx, x): return x * 3 / 4
def line(ctx, x): return x * 7 / 10
def volts(ctx, x): return x / 819
CODE = codes("code", bits=12)
MANY = binary32("x", 1, 1 + 8191 * 2.0**-23, "")
TUNE = dict(low_code=0, low_volts=0, high_code=1024, high_volts=1, zero_volt_hz=440)
def both(name, grid, unit, claim, reference=None, constants=None):
    for end in ("_good", "_bad"):
        f(name + end, inputs=[grid], output=unit, reference=reference, constants=constants, claims=[claim])
"""
ENTRIES = """
both("cents", CODE, "Hz", accurate(cents=0.01, because=WHY), pitch.hz_from_code, TUNE)
both("ulp", MANY, "", accurate(ulp=1.5, because=WHY), line)
both("absolute", CODE, "", accurate(absolute=0.007, because=WHY), quarter)
both("relative", CODE, "", accurate(relative=0.00009, because=WHY), quarter_and_one)
both("lsb", CODE, "code", accurate(lsb=0.5, because=WHY), three_quarters)
both("hz", CODE, "Hz", accurate(hz=0.49, because=WHY), double)
both("volts", CODE, "V", accurate(volts=0.001, because=WHY), volts)
both("nans", CODE, "", accurate(absolute=0.001, because=WHY), quarter)
both("up", CODE, "code", rising(because=WHY))
both("down", CODE, "code", falling(because=WHY))
both("strict_up", CODE, "code", rising(strict=True, because=WHY))
both("strict_down", CODE, "code", falling(strict=True, because=WHY))
both("wide", CODE, "code", accurate(lsb=0.5, because=WHY), far)
both("wide_up", CODE, "code", rising(strict=True, because=WHY))
both("wide_within", CODE, "code", stays_within(2**60, 2**60 + 4095, because=WHY))
both("slack_up", CODE, "code", rising(slack=4, because=WHY))
"""


@pytest.fixture(scope="module")
def record(private_cache: Any) -> dict[str, Any]:
    return shared_record(C, sheet_text(START + ENTRIES))


ACCURACY = {
    "cents": "cents = ",
    "ulp": "ULP = ",
    "absolute": "x the limit",
    "relative": "relative = ",
    "lsb": "LSB = ",
    "hz": "+0.5 Hz = 1.021 x the limit",
    "volts": "V = ",
    "nans": "got NaN, wanted a finite value",
}
ORDER = {
    "up": "step -1 code: the result goes the wrong way",
    "down": "step +1 code: the result goes the wrong way",
    "strict_up": "step +0 code: the result does not move",
    "strict_down": "0 code: the result does not move",
    "slack_up": "step -5 code: the result goes the wrong way",
}


WIDE = {"wide": "accurate", "wide_up": "rising", "wide_within": "stays_within"}


@pytest.mark.parametrize("name", [*ACCURACY, *ORDER])
def test_a_right_routine_has_no_false_alarm(record: dict[str, Any], name: str) -> None:
    found = seen(record, f"{name}_good")

    assert set() == found.failing()
    assert {} == found.other()
    assert all(c["strength"]["kind"] == "every value" for c in found.entry["claims"])


@pytest.mark.parametrize("name", ACCURACY)
def test_one_wrong_result_fails_accurate_alone_and_is_named(record: dict[str, Any], name: str) -> None:
    found = seen(record, f"{name}_bad")
    failing = {"accurate host", "finite host"} if name == "nans" else {"accurate host"}

    assert failing == found.failing()
    assert {} == found.other()
    assert (1 + place(FLOATS) * STEP if name == "ulp" else place(CODES)) == found.value("accurate")
    assert ACCURACY[name] in found.words("accurate")


@pytest.mark.parametrize("name", ORDER)
def test_one_wrong_step_fails_order_alone_and_is_named(record: dict[str, Any], name: str) -> None:
    found = seen(record, f"{name}_bad")
    claim = "falling" if "down" in name else "rising"

    assert {f"{claim} host"} == found.failing()
    assert {} == found.other()
    assert found.value(claim) in (place(CODES), place(CODES) + 1)
    assert ORDER[name] in found.words(claim)


@pytest.mark.parametrize("kind", ["good", "bad"])
@pytest.mark.parametrize("name", WIDE)
def test_integers_beyond_53_bits_are_never_said_to_hold(record: dict[str, Any], name: str, kind: str) -> None:
    found = seen(record, f"{name}_{kind}")

    assert {f"{WIDE[name]} host": "blocked"} == found.other()
    assert set() == found.failing()



def test_a_strict_order_says_what_is_wanted(record: dict[str, Any]) -> None:
    assert "wanted above the result one input before, 468 code" == "wanted " + str(
        seen(record, "strict_up_bad").claim("rising")["witness"]["wanted"]
    )
