"""One wrong float among a thousand million, at the kinds of places where firmware goes wrong, by default budget."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.fault_injection.planted import C_START, seen, shared_record, sheet_text

pytestmark = pytest.mark.usefixtures("gcc")

PARTS = 53
C = (
    C_START
    + f"static const float ratio[{PARTS}] = {{"
    + ", ".join(f"{2 ** (k / (PARTS - 1)):.8f}f" for k in range(PARTS))
    + f"""}};
#define LAST ({PARTS} - 1)
static float tone(float volts) {{
    if (!(volts > 0.0f)) volts = 0.0f;
    if (volts > 5.0f) volts = 5.0f;
    return 55.0f * exp2f(volts);
}}
/* One step above or below what is right, at one float. */
static float marred(float volts, uint32_t at, uint32_t up) {{
    float y = tone(volts);
    return bits_of(volts) == at ? y + (up ? 1.0f : -1.0f) * y * 0x1p-13f : y;
}}
float right(float volts) {{ return tone(volts); }}
float next_to_end(float volts) {{ return marred(volts, bits_of(5.0f) - 1u, 1u); }}
float next_to_start(float volts) {{ return marred(volts, bits_of(0.0f) + 1u, 1u); }}
float power_of_two(float volts) {{ return marred(volts, (127u - 9u) << 23, 0u); }}
float before_octave(float volts) {{ return marred(volts, bits_of((float)(LAST / 13)) - 1u, 1u); }}
static float table_tone(float volts) {{
    if (!(volts > 0.0f)) volts = 0.0f;
    if (volts > 5.0f) volts = 5.0f;
    int octave = (int)volts;
    float at = (volts - (float)octave) * (float)LAST;
    int index = (int)at;
    float low = ratio[index], high = ratio[index + (index < LAST)];
    return 55.0f * (low + (high - low) * (at - (float)index)) * (float)(1 << octave);
}}
float table_right(float volts) {{ return table_tone(volts); }}
float table_joint(float volts) {{
    float y = table_tone(volts);
    return bits_of(volts) == bits_of(2.0f + 37.0f / (float)LAST) ? y * 1.001f : y;
}}
float table_past(float volts) {{
    float at = (volts > 5.0f ? 5.0f : volts > 0.0f ? volts : 0.0f) * (float)LAST / 5.0f;
    int index = (int)at;
    return ratio[index] + (ratio[index + 1] - ratio[index]) * (at - (float)index); /* past */
}}
"""
)
NAMES = ["right", "next_to_end", "next_to_start", "power_of_two", "before_octave", "table_right", "table_joint"]
ENTRIES = f"""
for name in {NAMES}:
    f(name, inputs=[binary32("volts", 0, 5, "V")], output="Hz", reference=pitch.hz_from_volts,
      constants=dict(zero_volt_hz=55), claims=[accurate(cents=0.2, because=WHY), clamps(nan="low", because=WHY)])
"""
PAST = """
f("table_past", inputs=[binary32("volts", 0, 5, "V")], output="ratio", claims=[rising(because=WHY)])
"""


@pytest.fixture(scope="module")
def record(private_cache: Any) -> dict[str, Any]:
    return shared_record(C, sheet_text(ENTRIES, more=', builds=["host"]'))


@pytest.mark.parametrize("name", ["right", "table_right"])
def test_right_routines_raise_no_alarm(record: dict[str, Any], name: str) -> None:
    found = seen(record, name)

    assert set() == found.failing() | set(found.other())


def below(value: float) -> float:
    return float(np.nextafter(np.float32(value), np.float32(-9)))


PLACES = {
    "next_to_end": below(5),
    "next_to_start": 2.0**-149,
    "power_of_two": 2.0**-9,
    "before_octave": below(4),
    "table_joint": float(np.float32(np.float32(2) + np.float32(37) / np.float32(PARTS - 1))),
}


@pytest.mark.parametrize("name", PLACES)
def test_one_wrong_float_is_found_at_its_place(record: dict[str, Any], name: str) -> None:
    found = seen(record, name)

    assert {"accurate host"} == found.failing()
    assert PLACES[name] == found.value("accurate")


def test_a_read_past_the_table_names_input_file_and_line(private_cache: Any) -> None:
    found = seen(shared_record(C, sheet_text(PAST)), "table_past")
    line = next(n for n, text in enumerate(C.splitlines(), 1) if "/* past */" in text)

    assert {"no_undefined_behaviour strict"} == found.failing()
    assert 5 == found.value("no_undefined_behaviour", "strict")
    assert f"plant.c:{line}:" in found.words("no_undefined_behaviour", "strict")
    assert "array index out of bounds (53)" in found.words("no_undefined_behaviour", "strict")
