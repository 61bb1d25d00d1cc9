"""Results that are NaN, infinite, subnormal or out of their range; inputs beyond their range; relations."""

from __future__ import annotations

import math
from typing import Any

import pytest

from tests.fault_injection.planted import C_START, place, seen, shared_record, sheet_text

pytestmark = pytest.mark.usefixtures("gcc")

CODES = 4096
C = (
    C_START
    + """
static float pick(uint32_t code, uint32_t bits, float elsewhere) {
    uint32_t u = hit(code, 4096u) ? bits : bits_of(elsewhere);
    float x; memcpy(&x, &u, 4); return x;
}
float is_nan(uint16_t code) { return pick(code, 0x7fc00000u, (float)code); }
float is_infinite(uint16_t code) { return pick(code, 0xff800000u, (float)code); }
float all_nan(uint16_t code) { uint32_t u = 0x7fc00000u | code; float x; memcpy(&x, &u, 4); return x; }
float is_subnormal(uint16_t code) { return pick(code, 0x00000400u, (float)code); }
float is_finite(uint16_t code) { return (float)code; }
float outside(uint16_t code) { return pick(code, 0x45800000u, (float)code); }
int32_t outside_low(uint16_t code) { return hit(code, 4096u) ? -1 : (int32_t)code; }
float edge(uint16_t code) { return (float)code; }

static float limited(float x) { if (!(x > -1.0f)) x = -1.0f; if (x > 1.0f) x = 1.0f; return x; }
float clamp_good(float x) { return limited(x) * 3.0f; }
float clamp_open_above(float x) { if (!(x > -1.0f)) x = -1.0f; return x * 3.0f; }
float clamp_open_below(float x) { if (isnan(x)) x = -1.0f; if (x > 1.0f) x = 1.0f; return x * 3.0f; }
float clamp_nan(float x) { if (x < -1.0f) x = -1.0f; if (x > 1.0f) x = 1.0f; return x * 3.0f; }
float clamp_infinite(float x) { if (isinf(x)) return x; return limited(x) * 3.0f; }
float clamp_wrong_end(float x) { if (isnan(x)) return 3.0f; return limited(x) * 3.0f; }
float clamp_decimal(float x) { if (!(x > -0.1f)) x = -0.1f; if (x > 4.9f) x = 4.9f; return x; }
float clamp_code_wraps(uint16_t code) { return (float)(code & 4095u); }
float clamp_code_good(uint16_t code) { return (float)(code > 4095u ? 4095u : code); }
float clamp_two(float x, float y) { return limited(x) + limited(y); }
float clamp_two_open(float x, float y) { return limited(x) + (y < -1.0f ? -1.0f : y); }

static float tone(float volts) { return 55.0f * exp2f(volts); }
float octave_good(float volts) { return tone(volts); }
float octave_bad(float volts) { return volts >= 3.0f ? tone(volts) * (1.0f + 0x1p-14f) : tone(volts); }
float octave_short(float volts) { return tone(volts); }
int32_t there(int32_t x) { return 5 * x + 3; }
int32_t back(int32_t y) { return (y - 3) / 5; }
int32_t there_near(int32_t x) { return there(x); }
int32_t back_near(int32_t y) { return back(y); }
int32_t there_end(int32_t x) { return there(x); }
int32_t back_end(int32_t y) { return back(y); }
int32_t there_bad(int32_t x) { return 5 * x + 3 + (hit((uint32_t)x, 4096u) ? 10 : 0); }
"""
)
ENTRIES = """
CODE = [codes("code", bits=12)]
X = binary32("x", -1, 1, "")
SMALL = binary32("x", 1 - 2.0**-12, 1, "")
Y = values("y", [-1, -0.5, 0, 0.5, 1], "")
XV = values("x", [-1, -0.5, 0, 0.5, 1], "")
for name in ("is_nan", "is_infinite", "all_nan", "is_finite"):
    f(name, inputs=CODE, output="", claims=[])
for name in ("is_subnormal", "is_finite_"):
    f(name.strip("_") if name == "is_subnormal" else "edge", inputs=CODE, output="",
      claims=[no_subnormals(because=WHY), stays_within(0, 4095, because=WHY)])
f("outside", inputs=CODE, output="V", claims=[stays_within(0, 4095, because=WHY)])
f("outside_low", inputs=CODE, output="code", claims=[stays_within(0, 4095, because=WHY)])
for name in ("clamp_good", "clamp_open_above", "clamp_open_below", "clamp_nan", "clamp_infinite", "clamp_wrong_end"):
    f(name, inputs=[XV], output="", claims=[clamps(nan="low", because=WHY)])
for name in ("clamp_code_wraps", "clamp_code_good"):
    f(name, inputs=CODE, output="", claims=[clamps(because=WHY)])
for name in ("clamp_two", "clamp_two_open"):
    f(name, inputs=[XV, Y], output="", claims=[clamps("y", nan="any", because=WHY)])
f("clamp_decimal", inputs=[binary32("x", -0.1, 4.9, "V")], output="V", claims=[clamps(nan="low", because=WHY)])
VOLTS = values("volts", [n / 128 for n in range(513)], "V")
for name in ("octave_good", "octave_bad"):
    f(name, inputs=[VOLTS], output="Hz", claims=[octave_doubles(cents=0.05, because=WHY)])
f("octave_short", inputs=[binary32("volts", 1, 1.001, "V")], output="Hz", claims=[octave_doubles(cents=0.05, because=WHY)])
for name in ("there", "there_bad"):
    f(name, inputs=[integers("x", 0, 4095, "")], output="code", claims=[inverse_of("back", lsb=0.5, because=WHY)])
f("back", inputs=[integers("y", 3, 20500, "code")], output="", claims=[])
f("there_near", inputs=[integers("x", 0, 4095, "")], output="code", claims=[inverse_of("back_near", lsb=0.5, because=WHY)])
f("back_near", inputs=[integers("y", 3, 503, "code")], output="", claims=[])
f("there_end", inputs=[integers("x", 0, 4095, "")], output="code", claims=[inverse_of("back_end", lsb=0.5, because=WHY)])
f("back_end", inputs=[integers("y", 8, 20500, "code")], output="", claims=[])
"""


@pytest.fixture(scope="module")
def record(private_cache: Any) -> dict[str, Any]:
    return shared_record(C, sheet_text(ENTRIES))


GOOD = ["is_finite", "edge", "clamp_good", "clamp_decimal", "clamp_code_good", "clamp_two", "octave_good", "there", "back"]


@pytest.mark.parametrize("name", GOOD)
def test_right_routines_raise_no_alarm(record: dict[str, Any], name: str) -> None:
    found = seen(record, name)

    assert set() == found.failing()
    assert {} == found.other()


@pytest.mark.parametrize(
    ("name", "claim", "where", "words"),
    [
        ("is_nan", "finite", place(CODES), "the result is NaN"),
        ("is_infinite", "finite", place(CODES), "the result is infinite"),
        ("all_nan", "finite", 0, "the result is NaN"),
        ("is_subnormal", "no_subnormals", place(CODES), "the result is subnormal"),
        ("outside", "stays_within", place(CODES), "outside by 1 V"),
        ("outside_low", "stays_within", place(CODES), "outside by 1 code"),
        ("there_bad", "inverse_of", place(CODES), "the round trip is off by +2 LSB"),
    ],
)
def test_one_wrong_result_is_found_and_named(record: dict[str, Any], name: str, claim: str, where: int, words: str) -> None:
    found = seen(record, name)

    assert {f"{claim} host"} == found.failing()
    assert {} == found.other()
    assert where == found.value(claim)
    assert words in found.words(claim)


def test_results_without_a_way_back_are_told_and_where_they_are_most_nothing_is_claimed(record: dict[str, Any]) -> None:
    near, end = (seen(record, name).claim("inverse_of") for name in ("there_near", "there_end"))

    assert "vacuous (3 995 of 4 096 results lie outside the range of back_near)" == near["verdict_text"]
    assert "holds (every value, but 1 whose result lies outside the range of back_end)" == end["verdict_text"]


def test_all_nan_counts_every_value(record: dict[str, Any]) -> None:
    share = seen(record, "all_nan").claim("finite")["failing_share"]

    assert 1 == share["share"]
    assert "every value" == share["of"]


@pytest.mark.parametrize(
    ("name", "outside"),
    [
        ("clamp_open_above", lambda x: x > 1),
        ("clamp_open_below", lambda x: x < -1),
        ("clamp_nan", math.isnan),
        ("clamp_infinite", math.isinf),
        ("clamp_wrong_end", math.isnan),
        ("clamp_code_wraps", lambda x: x >= 4096),
    ],
)
def test_a_missing_clamp_is_found_with_an_input_outside(record: dict[str, Any], name: str, outside: Any) -> None:
    found = seen(record, name)
    text = found.inputs("clamps")[0]

    assert {"clamps host"} == found.failing()
    assert {} == found.other()
    assert outside(float(text.replace(" ", "")))
    assert "an input outside the range gave" in found.words("clamps")


def test_infinities_among_the_inputs_outside_are_told(record: dict[str, Any]) -> None:
    assert "+infinity, -infinity among them" in seen(record, "clamp_infinite").words("clamps")
    assert "+infinity among them" in seen(record, "clamp_open_above").words("clamps")


def test_a_missing_clamp_of_the_second_input_is_found(record: dict[str, Any]) -> None:
    found = seen(record, "clamp_two_open")
    x, y = (float(text) for text in found.inputs("clamps"))

    assert {"clamps host"} == found.failing()
    assert -1 <= x <= 1
    assert not -1 <= y <= 1


def test_octaves_that_do_not_double_are_found(record: dict[str, Any]) -> None:
    found = seen(record, "octave_bad")

    assert {"octave_doubles host"} == found.failing()
    assert 2 <= found.value("octave_doubles") < 3
    assert "+0.105755 cents off an exact octave" in found.words("octave_doubles")


def test_a_range_shorter_than_an_octave_is_vacuous(record: dict[str, Any]) -> None:
    found = seen(record, "octave_short")

    assert {"octave_doubles host": "vacuous"} == found.other()
