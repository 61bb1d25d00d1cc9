"""Filters whose cutoff comes with every sample: each fault is found by one claim alone, and the right twin gives no alarm."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.fault_injection.filter_parts import OFF
from tests.fault_injection.planted import Seen, run, seen, with_changes
from verify.hunting.plan import Plan

pytestmark = pytest.mark.usefixtures("gcc")

C = r"""
#include <math.h>
#include <stdint.h>
#define PI 3.14159265f
typedef struct { float s1, s2, cutoff; uint32_t n; } sweep_t;
void sweep_init(sweep_t *f) { f->s1 = f->s2 = 0.0f; f->cutoff = 100.0f; f->n = 0; }
float svf_step(sweep_t *f, float x, float cutoff)
{
    f->cutoff = cutoff;
    float g = tanf(PI * f->cutoff / 4800.0f), k = 0.5f;
    float band = (f->s1 + g * (x - f->s2)) / (1.0f + g * (g + k));
    float low = f->s2 + g * band;
    f->s1 = 2.0f * band - f->s1;
    f->s2 = 2.0f * low - f->s2;
    if (fabsf(f->s1) < 1e-30f) f->s1 = 0.0f;
    if (fabsf(f->s2) < 1e-20f) f->s2 = 0.0f;
    return low;
}
float pole_step(sweep_t *f, float x, float cutoff)
{
    f->cutoff = cutoff;
    f->s1 += -expm1f(-2.0f * PI * f->cutoff / 4800.0f) * (x - f->s1);
    return f->s1;
}
float biquad_step(sweep_t *f, float x, float cutoff)
{
    float w = 2.0f * PI * cutoff / 4800.0f, s = sinf(0.5f * w), alpha = sinf(w) / 1.41421356f, a0 = 1.0f + alpha;
    float b0 = s * s / a0, a1 = -2.0f * cosf(w) / a0, a2 = (1.0f - alpha) / a0;
    float y = b0 * x + f->s1;
    f->s1 = 2.0f * b0 * x - a1 * y + f->s2;
    f->s2 = b0 * x - a2 * y;
    if (fabsf(f->s1) + fabsf(f->s2) < 1e-15f) f->s1 = f->s2 = 0.0f;
    return y;
}
"""
SHEET = """
from reference import filters_in_time, smoothing
from verify import *
s = Sheet(sources=["plant.c"], flags="-O2 -std=c11", builds=["host"])
def machine(name, reference, constants, low, high, claims, **more):
    s.machine(name, state="sweep_t", init="sweep_init(state)", step=f"y = {name}_step(state, x, cutoff_hz)",
              inputs=[binary32("x", -1, 1, "full scale"), binary32("cutoff_hz", low, high, "Hz")],
              outputs=[signal("y", "full scale")], sample_rates_hz=[4_800], longest_seconds=0.1,
              reference=reference, constants=constants, claims=claims, **more)
def accurately(limit): return [accurate(absolute=limit, because="-60 dB")]
"""
ENTRIES = {
    "svf": 'machine("svf", filters_in_time.state_variable, {"q": 2}, 100, 1800, CLAIMS, MORE)',
    "pole": 'machine("pole", smoothing.one_pole, {"target": "x", "cutoff_hz": 1}, 2, 1800, CLAIMS, MORE)',
    "biquad": 'machine("biquad", filters_in_time.biquad, {}, 100, 120, CLAIMS, MORE)',
}
ACCURATE, SILENT = "accurately(0.001)", "[decays_to_zero(seconds=0.5, because='silence')]"
GAIN = '[gain_at(within_db=0.2, hz=[1500], because="another colour")]'
STABLE = '[stays_stable(peak=8, because="a howl")]'
FEW = Plan(scripts=4)


def planted(folder: Path, name: str, claims: str, *changes: tuple[str, str], protected: bool = False) -> Seen:
    text = with_changes(C, changes)
    entry = ENTRIES[name].replace("CLAIMS", claims).replace("MORE", "" if protected else OFF)
    return seen(run(folder, text, SHEET + entry + "\n", FEW), name)


@pytest.mark.parametrize("name", ["pole", pytest.param("svf", marks=pytest.mark.nightly),
                                  pytest.param("biquad", marks=pytest.mark.nightly)])
def test_right_filters_give_no_alarm(tmp_path: Path, name: str) -> None:
    claims = ACCURATE if name != "svf" else f"{ACCURATE} + {STABLE} + {SILENT} + {GAIN}"
    found = planted(tmp_path, name, claims, protected=name != "pole")

    assert (set(), {}) == (found.failing(), found.other()), [claim["facts"] for claim in found.entry["claims"]]


FAULTS = {
    "a cutoff one sample late": ("pole", ACCURATE, [
        ("f->cutoff = cutoff;\n    f->s1 += ", "f->s1 += "),
        ("(x - f->s1);\n    return f->s1", "(x - f->s1);\n    f->cutoff = cutoff;\n    return f->s1")], "x the limit"),
    "coefficients made once in 16 samples": ("svf", ACCURATE, [
        ("f->cutoff = cutoff;\n    float g", "if (f->n++ % 16u == 0u) f->cutoff = cutoff;\n    float g")], "x the limit"),
    "a cutoff not warped where it is high": ("svf", ACCURATE, [
        ("tanf(PI * f->cutoff / 4800.0f)", "PI * f->cutoff / 4800.0f")], "x the limit"),
    "a small angle for an exponential": ("pole", ACCURATE, [
        ("-expm1f(-2.0f * PI * f->cutoff / 4800.0f)", "fminf(2.0f * PI * f->cutoff / 4800.0f, 1.0f)")], "x the limit"),
    "states of another form": ("biquad", "accurately(0.0001)", [
        ("float y = b0 * x + f->s1;\n    f->s1 = 2.0f * b0 * x - a1 * y + f->s2;\n    f->s2 = b0 * x - a2 * y;",
         "float v = x - a1 * f->s1 - a2 * f->s2, y = b0 * (v + 2.0f * f->s1 + f->s2);\n    f->s2 = f->s1;\n    f->s1 = v;")],
        "x the limit"),
    "a form that howls while the cutoff moves": ("svf", STABLE, [
        ("float band = (f->s1 + g * (x - f->s2)) / (1.0f + g * (g + k));\n    float low = f->s2 + g * band;\n"
         "    f->s1 = 2.0f * band - f->s1;\n    f->s2 = 2.0f * low - f->s2;",
         "float w = 2.0f * PI * cutoff / 4800.0f, a = sinf(w) / 4.0f, a1 = -2.0f * cosf(w) / (1.0f + a);\n"
         "    float b0 = 0.5f * (1.0f - cosf(w)) / (1.0f + a), low = b0 * x + f->s1;\n"
         "    f->s1 = 2.0f * b0 * x - a1 * low + f->s2;\n    f->s2 = b0 * x - (1.0f - a) / (1.0f + a) * low;")],
        "times the input"),
    "a gain that is wrong where the cutoff is high": ("svf", GAIN, [
        ("tanf(PI * f->cutoff / 4800.0f)", "PI * f->cutoff / 4800.0f")], " dB at "),
    "a tail that a low cutoff draws out": ("svf", SILENT, [("< 1e-20f", "< 0.0f")], "still"),
}
QUICK = ("a cutoff one sample late",)


@pytest.mark.parametrize("name", [
    pytest.param(name, marks=[] if name in QUICK else [pytest.mark.nightly]) for name in FAULTS])
def test_planted_fault_is_found_by_its_claim_alone(tmp_path: Path, name: str) -> None:
    machine, claims, changes, says = FAULTS[name]
    found = planted(tmp_path, machine, claims, *changes)
    word = {STABLE: "stays_stable", SILENT: "decays_to_zero", GAIN: "gain_at"}.get(claims, "accurate")

    assert {f"{word} host"} == found.failing(), found.verdicts()
    witness = found.claim(word)["witness"]
    assert says in " | ".join([witness["got_text"], witness["error"]])
    assert len([part for part in witness["script"].split(";")[1:] if part.strip()]) <= 4, witness["script"]
    assert int(witness["script"].split("/")[1]) <= (40 if word == "accurate" else 40_000), witness["script"]
