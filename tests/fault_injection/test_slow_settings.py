"""Filters that settle slowly, and claims that count hours, take nothing from what else is judged."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.fault_injection import oscillator_parts
from tests.fault_injection.filter_parts import OFF, SHEET, C
from tests.fault_injection.planted import run, seen
from verify.hunting.plan import Plan
from verify.machines import hunt

pytestmark = pytest.mark.usefixtures("gcc")

SLOW = """
s.machine("svf", state="svf_t", init="svf_init(state, sample_rate_hz)", step="y = svf_step(state, x)",
    events=[event("cutoff_hz", "svf_hz(state, cutoff_hz)", binary32("cutoff_hz", 40, 2000, "Hz")),
            event("q", "svf_q(state, q)", binary32("q", 0.5, 20, ""))],
    inputs=[binary32("x", -1, 1, "full scale")], outputs=[signal("y", "full scale")], longest_seconds=0.02,
    reference=filters_in_time.state_variable, sample_rates_hz=[48_000],
    claims=[gain_at(within_db=0.1, hz=[1000], because="a tenth of the audible step")], """


@pytest.mark.parametrize(("change", "failing"), [
    (("", ""), set()),
    # Only where it rings for long: 1/q is a little too large from q = 16 on.
    (("f->k = 1.0f / q;", "f->k = q > 16.0f ? 1.2f / q : 1.0f / q;"), {"gain_at host"}),
])
def test_gain_is_known_where_a_filter_rings_for_seconds(tmp_path: Path, change: tuple[str, str], failing: set[str]) -> None:
    found = seen(run(tmp_path, C.replace(*change) if change[0] else C, SHEET + SLOW + OFF + ")", Plan(scripts=8)), "svf")

    assert failing == found.failing(), found.verdicts()
    assert {} == {name: word for name, word in found.verdicts().items() if word not in ("holds", "fails")}


def test_counted_hours_leave_the_other_claims_their_scripts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(hunt, "MOST_SAMPLES_IN_ALL", 1 << 23)  # less than one counted run
    claims = 'keeps_frequency(hz="hz", cents=0.05, because="out of tune", hours=0.06), accurately(0.001)'
    entry = oscillator_parts.MACHINES["tone"].format(claims=claims, more=OFF, indexed=True)
    record = run(tmp_path, oscillator_parts.C, oscillator_parts.SHEET + entry, Plan(scripts=100))
    (claim,) = [c for c in record["routines"][0]["claims"] if c["claim"] == "accurate"]

    assert "holds" == claim["verdict"] and claim["strength"]["count"] >= 100, claim
