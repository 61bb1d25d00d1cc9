"""keeps_going judges every output that has a reference: what drifts in the second one is found, the first one being right."""

from __future__ import annotations

from typing import Any

import pytest

from tests.fault_injection.long_runs import C_START, shared_entries

C = """\
typedef struct {{ float line[8], drift; int at; uint32_t n, p; }} {name}_t;
void {name}_init({name}_t *s, float rate)
{{
    (void)rate;
    for (int i = 0; i < 8; i++) s->line[i] = 0;
    s->at = 0; s->n = s->p = 0; s->drift = 0;
}}
float {name}_step({name}_t *s, float x, float *tone)
{{
    float sum = 0;
    s->n++;
    s->line[s->at] = x; s->at = (s->at + 1) % 8;
    for (int i = 0; i < 8; i++) sum += s->line[i];
    s->p += 17179869u; s->p += s->n % 250 == 0 ? 46u : 0u;
    {drift}
    *tone = sinf(6.2831853f * ((float)(s->p >> 8) * 0x1p-24f + s->drift));
    return sum * 0.125f + {level};
}}
"""
SHEET = """\
from reference import oscillators_in_time, smoothing
from verify import *
s = Sheet(sources=["plant.c"], flags="-O2", sample_rate_hz=10000, builds=["host"])
def m(name, order):
    signals = {{"level": signal("level", "V"), "tone": signal("tone", "full scale")}}
    s.machine(name, state=f"{{name}}_t", init=f"{{name}}_init(state, sample_rate_hz)",
              inputs=[binary32("x", 0.1, 0.9, "V")], step=f"level = {{name}}_step(state, x, &tone)",
              outputs=[signals[word] for word in order], scripts=4, longest_seconds=0.05,
              reference={{"level": smoothing.moving_average, "tone": oscillators_in_time.from_frequency}},
              constants={{"level": {{"target": "x", "length_samples": 8}}, "tone": {{"hz": 40, "steps_first": True}}}},
              claims=[accurate(of="tone", absolute=0.0002, because="x"), accurate(of="level", absolute=0.0001, because="x"),
                      keeps_going(hours=24, every_seconds=0.1, because="it hangs outside for months")])
{calls}
"""
CASES = {
    "well": ("", "0", ("level", "tone")),
    "other_bits": ("s->drift = (float)(s->n >> 20) * 1e-6f;", "(float)s->n * 1e-12f", ("level", "tone")),
    "drifts": ("s->drift = (float)(s->n >> 20) * 1e-5f;", "0", ("level", "tone")),
    "drifts_first": ("s->drift = (float)(s->n >> 20) * 1e-5f;", "0", ("tone", "level")),
    "creeps": ("", "(float)s->n * 1e-11f", ("tone", "level")),
}


@pytest.fixture(scope="module")
def entries(private_cache: object, gcc: str) -> dict[str, dict[str, Any]]:
    c = C_START + "".join(C.format(name=name, drift=drift, level=level) for name, (drift, level, _) in CASES.items())
    calls = "".join(f"m({name!r}, {order!r})\n" for name, (_, _, order) in CASES.items())
    return shared_entries(c, SHEET.format(calls=calls))


@pytest.mark.parametrize(("name", "got", "wanted"), [
    ("drifts", "tone = ", "by the reference, accurate(absolute=0.0002, tone)"),
    ("drifts_first", "tone = ", "by the reference, accurate(absolute=0.0002, tone)"),
    ("creeps", "level = ", "by the reference, accurate(absolute=0.0001, level)"),
])  # fmt: skip
def test_a_drift_of_either_output_is_found_where_it_leaves_its_limit(entries: dict[str, dict[str, Any]], name: str, got: str,
                                                                    wanted: str) -> None:
    claim = entries[name]

    assert "fails" == claim["verdict"]
    assert got in claim["witness"]["got_text"] and wanted in claim["witness"]["wanted"]


@pytest.mark.parametrize("name", ["well", "other_bits"])
def test_what_stays_within_both_limits_holds(entries: dict[str, dict[str, Any]], name: str) -> None:
    assert "holds (30 min of 24 h at 10 kHz run, 18 000 000 samples)" == entries[name]["verdict_text"]
