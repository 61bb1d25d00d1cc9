"""Faults of filters with state: each found by one claim alone; right twins give no alarm."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.fault_injection.filter_parts import planted

pytestmark = [pytest.mark.usefixtures("gcc"), pytest.mark.nightly]

ALL = {
    "biquad": "accurately(0.002), measured(), silent(0.1)",
    "svf": "accurately(0.002), measured(), stable(peak=30), silent(0.15)",
    "loop": 'stable(peak=60, poles={"f": "f", "damping": "damping"}), silent(0.15)',
    "lag": "silent(0.05), settles(to='x', seconds=0.05, because='the last step must be reached')",
    "ring": "silent(0.05), stable(peak=30)",
}


@pytest.mark.parametrize("name", sorted(ALL))
def test_right_filters_give_no_alarm(tmp_path: Path, name: str) -> None:
    found = planted(tmp_path, name, ALL[name], protected=True)

    assert {} == found.other()
    assert set() == found.failing()


ACCURATE = "accurately(0.002)"
FAULTS = {
    "sign of a1": ("biquad", ACCURATE, ("- f->a1 * y", "+ f->a1 * y"), "x the limit"),
    "state cleared by a knob": (
        "biquad", ACCURATE, ("f->hz = hz; biquad_set(f);", "f->hz = hz; f->s1 = f->s2 = 0.0f; biquad_set(f);"),
        "x the limit"),
    "states read in the wrong order": (
        "svf", ACCURATE, ("float low = f->s2 + f->g * band;\n    f->s1 = 2.0f * band - f->s1;",
                          "f->s1 = 2.0f * band - f->s1;\n    float low = f->s2 + f->g * f->s1;"), "x the limit"),
    "no warping of the cutoff": (
        "svf", "measured()", ("f->g = tanf(PI * hz / f->rate);", "f->g = PI * hz / f->rate;"), " dB at "),
    "a gain of half a decibel": ("biquad", "measured()", ("f->b0 = s * s / a0;", "f->b0 = 1.06f * s * s / a0;"), " dB at "),
    "no limit to the cutoff": (
        "loop", "stable(peak=60)", ("f < 0.9f ? f : 0.9f;", "f;"), "times the input"),
    "poles out of the circle": (
        "loop", 'stable(poles={"f": "f", "damping": "damping"})', ("f < 0.9f ? f : 0.9f;", "f;"), "a pole of size"),
    "a lag that stops one step short": (
        "lag", "silent(0.05)", ("(gap + 63) / 64 : -((-gap + 63) / 64)", "gap / 64 : -(-gap / 64)"), "it stays at"),
    "rounding that feeds a limit cycle": (
        "ring", "silent(0.05)", ("(int32_t)((y + 128) >> 8)", "(int32_t)(y / 4)"), "cycle"),
    "a tail of subnormals": (
        "svf", "silent(0.3)", ("1e-20f) f->s2 = 0.0f;\n    return low", "0.0f) f->s2 = 0.0f;\n    return low"),
        "subnormals"),
    "a tail that is too long": (
        "svf", "silent(0.005, within=1e-5)", ("PI * hz / f->rate", "PI * hz / (4.0f * f->rate)"), "still"),
}


@pytest.mark.parametrize("name", sorted(FAULTS))
def test_planted_fault_is_found_by_its_claim_alone(tmp_path: Path, name: str) -> None:
    machine, claim, change, says = FAULTS[name]
    found = planted(tmp_path, machine, claim, change)
    label = {"accurately": "accurate", "measured": "gain_at", "stable": "stays_stable", "silent": "decays_to_zero"}
    word = label[claim.split("(")[0]]

    assert {f"{word} host"} == found.failing(), found.verdicts()
    witness = found.claim(word)["witness"]
    assert says in " | ".join([witness["got_text"], witness["error"]]), (witness["got_text"], witness["error"])
    assert len([part for part in witness["script"].split(";")[1:] if part.strip()]) <= 4
