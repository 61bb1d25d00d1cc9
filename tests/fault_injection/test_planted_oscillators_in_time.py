"""Faults of oscillators with state: each found by one claim alone; right twins give no alarm."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.fault_injection.oscillator_parts import planted

pytestmark = [pytest.mark.usefixtures("gcc"), pytest.mark.nightly]

WITHIN = 'stays_within(-1, 1, because="full scale")'
RIGHT = {
    "tone": ("accurately(0.001), tuned(), " + WITHIN, True),
    "ramp": ("accurately(0.02), tuned()", True),
    # Bounded at any index; below the one at which it forgets, and after coming back, followed sample by sample.
    "pair": ("accurately(0.002), " + WITHIN, True),
    "pair in tune": ("tuned(), " + WITHIN, False),
}


@pytest.mark.parametrize("name", sorted(RIGHT))
def test_right_oscillators_give_no_alarm(tmp_path: Path, name: str) -> None:
    claims, indexed = RIGHT[name]
    found = planted(tmp_path, name.split()[0], claims, protected=True, indexed=indexed)

    assert {} == found.other()
    assert set() == found.failing()


FAULTS = {
    "seconds in a float go out of tune": (
        "tone", "tuned()",
        [("uint32_t phase, step; } tone_t", "float t, hz; uint32_t phase, step; } tone_t"),
         ("t->phase = 0; t->step = 0;", "t->phase = 0; t->step = 0; t->t = t->hz = 0.0f;"),
         ("{ t->step = (uint32_t)", "{ t->hz = hz; t->step = (uint32_t)"),
         ("sinf(TURN * (float)(int32_t)t->phase * (1.0f / 4294967296.0f))", "sinf(TURN * t->hz * t->t)"),
         ("t->phase += t->step;", "t->t += 1.0f / t->rate;")], "cents"),
    "a float phase is off by what its sums round": (
        "ramp", "tuned()", [("{ double phase, step, rate; }", "{ float phase, step, rate; }")], "cents"),
    "half a period lost now and then": (
        "tone", "tuned()",
        [("t->phase += t->step;", "t->phase += t->step; if (t->phase < 4000u) t->phase += 0x80000000u;")], "cents"),
    "a phase that stops after two minutes": (
        "tone", "tuned()", [("uint32_t phase, step; } tone_t", "uint32_t phase, step, n; } tone_t"),
                            ("t->phase = 0; t->step = 0;", "t->phase = 0; t->step = 0; t->n = 0;"),
                            ("t->phase += t->step;", "if (++t->n < 5760000u) t->phase += t->step;")], "any more"),
    "a wrap that loses what lies beyond": (
        "ramp", "accurately(0.02)", [("r->phase -= 1.0;", "r->phase = 0.0;")], "x the limit"),
    "a band-limited step of the wrong sign": (
        "ramp", "accurately(0.02)", [("? after * after : 0.0)", "? -after * after : 0.0)")], "x the limit"),
    "the index does not come back to nothing": (
        "pair", "accurately(0.002)", [("q->index = index; }", "q->index = index > 0.05f ? index : 0.05f; }")], "x the limit"),
    "a pair that leaves full scale": (
        "pair", WITHIN, [("q->p1 += q->s1;", "q->p1 += q->s1; if (q->index > 40.0f) q->first *= 1.5f;")], "beyond"),
    "the index bends the pitch": (
        "pair", "tuned()", [("q->p2 += q->s2;", "q->p2 += q->s2; q->p1 += (uint32_t)(int32_t)(9000.0f * q->second) + 300u;")],
        "cents"),
}


@pytest.mark.parametrize("name", sorted(FAULTS))
def test_planted_fault_is_found_by_its_claim_alone(tmp_path: Path, name: str) -> None:
    machine, claim, changes, says = FAULTS[name]
    found = planted(tmp_path, machine, claim, *changes, indexed=name != "the index bends the pitch")
    word = {"tuned": "keeps_frequency", "accurately": "accurate", "stays_within": "stays_within"}[claim.split("(")[0]]

    assert {f"{word} host"} == found.failing(), found.verdicts()
    witness = found.claim(word)["witness"]
    assert says in " | ".join([witness["got_text"], witness["error"]]), (witness["got_text"], witness["error"])
    samples = int(witness["script"].split("/")[1])
    assert samples < (8_000_000 if "two minutes" in name else 1 << 20), witness["script"]
