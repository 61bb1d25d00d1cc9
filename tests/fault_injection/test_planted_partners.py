"""periodic, symmetric, reaches_both_ends: each finds its fault alone; right twins give no alarm."""

from __future__ import annotations

from typing import Any

import pytest

from tests.fault_injection.planted import C_START, seen, shared_record, sheet_text

pytestmark = pytest.mark.usefixtures("gcc")

C = C_START + """
#define X float x = (float)q / 4096.0f
#define P float p = (float)q / 4096.0f
static float turn_of(float p) { return p - floorf(p); }
float wave_good(int32_t q) { P; return sinf(6.2831853f * turn_of(p)); }
float wave_bad(int32_t q) { P; return sinf(6.2831853f * (p < 1.5f ? turn_of(p) : turn_of(p) * 0.999f)); }
int16_t table_good(uint32_t p) { return (int16_t)(32767.0 * sin((double)(p & 4095u) / 4096.0 * 6.283185307179586)); }
int16_t table_bad(uint32_t p) { return table_good(p > 5000u && p < 5002u ? p + 1u : p); }
float clip_good(int32_t q) { X; return x > 1.0f ? 1.0f : x < -1.0f ? -1.0f : x * (1.5f - 0.5f * x * x); }
float clip_bad(int32_t q) { X; return x > 1.0f ? 1.0f : x < -0.98f ? -0.98f : x * (1.5f - 0.5f * x * x); }
int32_t code_good(int32_t q) { X; return (int32_t)lrintf(2047.5f + 2047.5f * x); }
int32_t code_bad(int32_t q) { X; return (int32_t)(2049.0f + 2046.0f * x); }
float even_good(int32_t q) { X; return fabsf(x); }
float even_bad(int32_t q) { X; return x < -0.5f ? -x + 0.001f : fabsf(x); }
float knob_good(int32_t code) { return (float)code / 4095.0f; }
float knob_bad(int32_t code) { return (float)code / 4096.0f; }
float knob_low(int32_t code) { return code < 40 ? 0.01f : (float)code / 4095.0f; }
"""
PROTECTIONS = ("returns", "finite", "deterministic", "no_hidden_events", "no_undefined_behaviour")
NONE = f"without={dict.fromkeys(PROTECTIONS, 'elsewhere')}"
ENTRIES = f"""
for n in ["good", "bad"]:
    f("wave_" + n, inputs=[fixed("p", 0, 3, "turn", fraction_bits=12)], output="full scale", {NONE},
      claims=[periodic(1, absolute=1e-6, because=WHY)])
    f("table_" + n, inputs=[integers("p", 0, 20000, "")], output="full scale", {NONE},
      claims=[periodic(4096, lsb=0, because=WHY)])
    f("clip_" + n, inputs=[fixed("x", -2, 2, "full scale", fraction_bits=12)], output="full scale", {NONE},
      claims=[symmetric("odd", absolute=0, because=WHY)])
    f("code_" + n, inputs=[fixed("x", -1, 1, "full scale", fraction_bits=12)],
      output="code", {NONE}, claims=[symmetric("odd", lsb=1, centre=2047.5, because=WHY)])
    f("even_" + n, inputs=[fixed("x", -1, 1, "full scale", fraction_bits=12)], output="full scale", {NONE},
      claims=[symmetric("even", absolute=0, because=WHY)])
for n in ["good", "bad", "low"]:
    f("knob_" + n, inputs=[integers("code", 0, 4095, "code")], output="full scale", {NONE},
      claims=[reaches_both_ends(0, 1, because=WHY)])
"""


@pytest.fixture(scope="module")
def record(private_cache: Any) -> dict[str, Any]:
    return shared_record(C, sheet_text(ENTRIES, more=', builds=["host"]'))


CLAIMS = {"wave": "periodic", "table": "periodic", "clip": "symmetric", "code": "symmetric", "even": "symmetric",
          "knob": "reaches_both_ends"}
SAYS = {"wave": "one period on", "table": "off by", "clip": "the opposite result", "code": "the opposite result",
        "even": "the same result", "knob": "highest result stops"}


@pytest.mark.parametrize("name", sorted(CLAIMS))
def test_right_functions_give_no_alarm(record: dict[str, Any], name: str) -> None:
    found = seen(record, f"{name}_good")

    assert set() == found.failing()
    assert {} == found.other()


@pytest.mark.parametrize("name", sorted(CLAIMS))
def test_the_fault_is_found_by_its_claim_alone(record: dict[str, Any], name: str) -> None:
    found = seen(record, f"{name}_bad")

    assert {f"{CLAIMS[name]} host"} == found.failing()
    assert SAYS[name] in found.words(CLAIMS[name])
    assert found.inputs(CLAIMS[name])


def test_a_knob_that_does_not_reach_its_low_end_is_found(record: dict[str, Any]) -> None:
    found = seen(record, "knob_low")

    assert "lowest result stops" in found.words("reaches_both_ends")


def test_small_domains_hold_for_every_value(record: dict[str, Any]) -> None:
    assert "every" in str(seen(record, "table_good").claim("periodic")["verdict_text"])
    assert "every" in str(seen(record, "knob_good").claim("reaches_both_ends")["verdict_text"])
