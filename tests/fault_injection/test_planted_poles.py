"""stays_stable of functions that compute coefficients: over every setting, the poles of what is really stored."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.fault_injection.planted import place, run, seen, shared_record, sheet_text
from verify.errors import BindingError, SheetError
from verify.hunting.plan import Plan
from verify.sheet import load_sheet

C = """\
#include <math.h>
#include <stdint.h>
#include <string.h>
typedef struct { int32_t a1, a2; } stored_t;
static void stored(stored_t *f, uint16_t code, uint8_t q, double one)
{
    double hz = 20.0 * pow(400.0, code / 4095.0), w = 6.283185307179586 * hz / 48000.0;
    double alpha = sin(w) / (2.0 * (0.5 + q)), a0 = 1.0 + alpha;
    f->a1 = (int32_t)lrint(-2.0 * cos(w) / a0 * one);
    f->a2 = (int32_t)lrint((1.0 - alpha) / a0 * one);
}
void coarse(stored_t *f, uint16_t code, uint8_t q) { stored(f, code, q, 16384.0); }
void fine(stored_t *f, uint16_t code, uint8_t q) { stored(f, code, q, 268435456.0); }
void once(stored_t *f, uint16_t code, uint8_t q)
{
    stored(f, code, q, 268435456.0);
    if ((code * 1103u + 77u) % 4096u == 1234u && q == 5) f->a2 = -f->a2 - 2 * f->a1; /* a pole beyond -1 or 1 */
}
typedef struct { float a1, a2; } float_pair_t;
void floats(float_pair_t *f, float hz)
{
    float w = 6.28318531f * hz / 48000.0f, alpha = sinf(w) / 1.4142136f, a0 = 1.0f + alpha;
    f->a1 = -2.0f * cosf(w) / a0;
    f->a2 = (1.0f - alpha) / a0;
}
void one_float(float_pair_t *f, float hz)
{
    uint32_t u;
    memcpy(&u, &hz, 4);
    floats(f, hz);
    if (((u & 0x7fffffu) * 1103u + 77u) % 8388608u == 1234u) f->a2 = -f->a2 - 2.0f * f->a1;
}
typedef struct { float f, damping; } loop_t;
void loop_set(loop_t *l, float hz, float damping, float most)
{
    float f = 2.0f * sinf(3.14159265f * hz / 48000.0f);
    l->f = f < most ? f : most;
    l->damping = damping;
}
"""
STORED = """
for kind, bits in (("coarse", 14), ("fine", 28), ("once", 28)):
    for k in ("a1", "a2"):
        f(f"{kind}_{k}", call=f"{kind}(&filter, code, q); result = filter.{k}", local="stored_t filter",
          output_type="int32_t",
          inputs=[codes("code", bits=12), integers("q", 0, 7, "")], input_types=dict(code="uint16_t", q="uint8_t"),
          output=fixed_output("", fraction_bits=bits), without=OFF,
          claims=[stays_stable(poles=dict(a1=f"{kind}_a1", a2=f"{kind}_a2"), because=WHY)] if k == "a1" else [])
"""
LOOP = """
for name, most in (("tame", 0.9), ("wild", 2.0)):
    for k in ("f", "damping"):
        f(f"{name}_{k}", call=f"loop_set(&loop, hz, damping, {most}f); result = loop.{k}", local="loop_t loop",
          inputs=[binary32("hz", 20, 15000, "Hz"), binary32("damping", 0.2, 1.6, "")], output="", without=OFF,
          claims=[stays_stable(poles=dict(f=f"{name}_f", damping=f"{name}_damping"), because=WHY)] if k == "f" else [])
"""
ONE_FLOAT = """
for name in ("floats", "one_float"):
    for k in ("a1", "a2"):
        f(f"{name}_{k}", call=f"{name}(&filter, hz); result = filter.{k}", local="float_pair_t filter",
          inputs=[binary32("hz", 64, 128, "Hz")], output="", without=OFF,
          claims=[stays_stable(poles=dict(a1=f"{name}_a1", a2=f"{name}_a2"), because=WHY)] if k == "a1" else [])
"""
OFF = """OFF = dict.fromkeys("returns finite deterministic no_hidden_events no_undefined_behaviour".split(), "others' tests")
"""
HOST = ', builds=["host"]'

pytestmark = pytest.mark.usefixtures("gcc", "private_cache")


@pytest.fixture(scope="module")
def record(private_cache: Any) -> dict[str, Any]:
    return shared_record(C, sheet_text(OFF + STORED, more=HOST))


def test_fine_coefficients_are_proved_stable_at_every_setting(record: dict[str, Any]) -> None:
    claim = seen(record, "fine_a1").claim("stays_stable")

    assert "holds (every value)" == claim["verdict_text"]
    assert 0.999 < claim["worst"]["value"] < 1
    assert "32 768 settings" in " ".join(claim["facts"])


@pytest.mark.parametrize(("name", "says"), [("coarse_a1", "a pole of size 1"), ("once_a1", "a pole of size ")])
def test_a_pole_on_or_outside_the_circle_is_found(record: dict[str, Any], name: str, says: str) -> None:
    found = seen(record, name)

    assert {"stays_stable host"} == found.failing()
    assert says in found.words("stays_stable") and "a1 = " in found.words("stays_stable")
    if name == "once_a1":
        assert [str(place(4096)), "5"] == [text.split()[0] for text in found.inputs("stays_stable")]


@pytest.mark.nightly
def test_settings_that_are_floats_are_tried(private_cache: Any) -> None:
    record = shared_record(C, sheet_text(OFF + LOOP, more=HOST))

    assert "tried" in seen(record, "tame_f").claim("stays_stable")["verdict_text"]
    assert {} == seen(record, "tame_f").other()
    assert "a pole of size" in seen(record, "wild_f").words("stays_stable")


@pytest.mark.nightly
def test_every_float_of_one_setting_is_run(private_cache: Any) -> None:
    record = shared_record(C, sheet_text(OFF + ONE_FLOAT, more=HOST))
    found = seen(record, "one_float_a1")

    assert "holds (every value)" == seen(record, "floats_a1").claim("stays_stable")["verdict_text"]
    assert (1 << 23) + 1 == found.claim("stays_stable")["strength"]["count"]
    assert 64 + place(1 << 23) * 2.0**-17 == found.value("stays_stable")
    assert "1 of 8 388 609" in found.claim("stays_stable")["extent"]


@pytest.mark.nightly
def test_what_the_clock_left_out_is_told(tmp_path: Path) -> None:
    found = seen(run(tmp_path, C, sheet_text(OFF + ONE_FLOAT, more=HOST), Plan(wall_seconds=0)), "floats_a1")
    claim = found.claim("stays_stable")

    assert "tried" in claim["verdict_text"]
    assert any("stopped by the clock" in fact and "of 8 388 609 inputs" in fact for fact in claim["facts"]), claim["facts"]


@pytest.mark.nightly
@pytest.mark.cortex_m
@pytest.mark.usefixtures("arm_gcc")
def test_poles_are_judged_on_the_board_too(private_cache: Any) -> None:
    loop = LOOP.replace('binary32("hz", 20, 15000, "Hz")', 'integers("hz", 20, 15000, "Hz", step=20)')
    loop = loop.replace('binary32("damping", 0.2, 1.6, "")', 'values("damping", [0.25, 1, 1.5], "")')
    board = ', core="cortex-m4f", clock_hz=168_000_000, builds=["host", "board"]'
    record = shared_record(C, sheet_text(OFF + STORED + loop, more=board))

    for name in ("fine_a1", "tame_f"):
        assert ["holds (every value)"] * 2 == [claim["verdict_text"] for claim in seen(record, name).entry["claims"]]
    for name in ("coarse_a1", "once_a1", "wild_f"):
        assert {"stays_stable host", "stays_stable board"} == seen(record, name).failing()
        assert "a pole of size" in seen(record, name).words("stays_stable", "board")
    assert [str(place(4096)), "5"] == [text.split()[0] for text in seen(record, "once_a1").inputs("stays_stable", "board")]


def refused(folder: Path, entries: str) -> None:
    (folder / "plant.c").write_text(C)
    (folder / "plant_sheet.py").write_text(sheet_text(entries))
    load_sheet(folder / "plant_sheet.py")


@pytest.mark.parametrize(("how", "says"), [
    ("peak=3", "looks at poles only"), ('poles=dict(a="g")', "two coefficients"),
    ('poles=dict(a1="h", a2="i")', "must name this routine"), ('poles=dict(a1="g", a2="i")', "no routine 'i'"),
])
def test_what_cannot_be_meant_is_refused(tmp_path: Path, how: str, says: str) -> None:
    entry = f'f("g", inputs=[codes("code", bits=8)], output="", claims=[stays_stable({how}, because=WHY)])\n'
    with pytest.raises(SheetError, match=says):
        refused(tmp_path, entry)


def test_coefficients_of_different_inputs_are_refused(tmp_path: Path) -> None:
    text = STORED.replace('integers("q", 0, 7, "")', 'integers("q", 0, 7 if k == "a1" else 6, "")')
    with pytest.raises(BindingError, match="stays_stable with"):
        run(tmp_path, C, sheet_text(OFF + text, more=HOST))
