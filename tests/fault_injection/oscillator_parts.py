"""C of small oscillators, right as it stands; tests plant one fault in it by replacing text."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from tests.fault_injection.filter_parts import FEW, OFF
from tests.fault_injection.planted import Seen, run, seen, with_changes

C = r"""
#include <math.h>
#include <stdint.h>
#define TURN 6.28318530718f
typedef struct { float rate; uint32_t phase, step; } tone_t;
void tone_init(tone_t *t, float rate) { t->rate = rate; t->phase = 0; t->step = 0; }
void tone_hz(tone_t *t, float hz) { t->step = (uint32_t)(hz * 4294967296.0 / t->rate + 0.5); }
float tone_step(tone_t *t)
{
    float y = sinf(TURN * (float)(int32_t)t->phase * (1.0f / 4294967296.0f));
    t->phase += t->step;
    return y;
}

typedef struct { double phase, step, rate; } ramp_t;
void ramp_init(ramp_t *r, float rate) { r->phase = 0.0; r->step = 0.0; r->rate = rate; }
void ramp_hz(ramp_t *r, float hz) { r->step = hz / r->rate; }
float ramp_step(ramp_t *r)
{
    double p = r->phase, after = 1.0 - p / r->step, before = 1.0 - (1.0 - p) / r->step;
    float y = (float)(2.0 * p - 1.0 + (after > 0.0 ? after * after : 0.0) - (before > 0.0 ? before * before : 0.0));
    r->phase += r->step;
    if (r->phase >= 1.0) r->phase -= 1.0;
    return y;
}

typedef struct { float rate, index, first, second; uint32_t p1, p2, s1, s2; } pair_t;
static uint32_t word(float hz, float rate) { return (uint32_t)(int64_t)(hz * 4294967296.0 / rate); }
void pair_init(pair_t *q, float rate)
{
    q->rate = rate; q->index = q->first = q->second = 0.0f; q->p1 = q->p2 = 0;
    q->s1 = word(440.0f, rate); q->s2 = word(660.0f, rate);
}
void pair_hz(pair_t *q, float hz) { q->s1 = word(hz, q->rate); q->s2 = word(1.5f * hz, q->rate); }
void pair_index(pair_t *q, float index) { q->index = index; }
float pair_step(pair_t *q)
{
    q->first = sinf(TURN * (float)(int32_t)q->p1 * (1.0f / 4294967296.0f) + q->index * q->second);
    q->second = sinf(TURN * (float)(int32_t)q->p2 * (1.0f / 4294967296.0f) + q->index * q->first);
    q->p1 += q->s1;
    q->p2 += q->s2;
    return q->first;
}
"""

SHEET = """
from reference import oscillator_pairs, oscillators_in_time
from verify import *
s = Sheet(sources=["plant.c"], flags="-O2 -std=c11", builds=["host"])
def tuned(**more): return keeps_frequency(hz="hz", cents=0.05, because="out of tune", hours=0.05, **more)
def accurately(limit): return accurate(absolute=limit, because="-60 dB")
"""

MACHINES = {
    "tone": """
s.machine("tone", state="tone_t", init="tone_init(state, sample_rate_hz)", step="y = tone_step(state)",
    events=[event("hz", "tone_hz(state, hz)", binary32("hz", 20, 12000, "Hz"))], outputs=[signal("y", "full scale")],
    longest_seconds=0.04, reference=oscillators_in_time.from_frequency, constants={{"hz": 0}}, claims=[{claims}], {more})
""",
    "ramp": """
s.machine("ramp", state="ramp_t", init="ramp_init(state, sample_rate_hz); ramp_hz(state, 440.0f)",
    step="y = ramp_step(state)", outputs=[signal("y", "full scale")],
    events=[event("hz", "ramp_hz(state, hz)", binary32("hz", 20, 12000, "Hz"))],
    longest_seconds=0.04, reference=oscillators_in_time.from_frequency, constants={{"hz": 440, "wave": "band-limited saw"}},
    claims=[{claims}], {more})
""",
    "pair": """
s.machine("pair", state="pair_t", init="pair_init(state, sample_rate_hz)", step="y = pair_step(state)",
    events=[event("index", "pair_index(state, index)", binary32("index", 0, 50, "")) if {indexed} else
            event("hz", "pair_hz(state, hz)", binary32("hz", 20, 8000, "Hz"))],
    outputs=[signal("y", "full scale")], longest_seconds=0.04, reference=oscillator_pairs.cross_fed if {indexed} else None,
    constants={{"first_hz": 440, "second_hz": 660}} if {indexed} else {{}}, claims=[{claims}], {more})
""",
}


def planted(folder: Path, name: str, claims: str, *changes: tuple[str, str], protected: bool = False,
            indexed: bool = True) -> Seen:
    """One machine with changed C, judged by the named claims only (and by the protective ones if asked)."""
    text = with_changes(C, changes)
    entry: Any = MACHINES[name].format(claims=claims, more="" if protected else OFF, indexed=indexed)
    return seen(run(folder, text, SHEET + entry, FEW), name)
