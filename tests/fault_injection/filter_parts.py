"""C of small filters, right as it stands; tests plant one fault in it by replacing text."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from tests.fault_injection.planted import Seen, run, seen, with_changes
from verify.hunting.plan import Plan

C = r"""
#include <math.h>
#include <stdint.h>
#define PI 3.14159265f
typedef struct { float rate, hz, q, b0, b1, b2, a1, a2, s1, s2; } biquad_t;
static void biquad_set(biquad_t *f)
{
    float w = 2.0f * PI * f->hz / f->rate, s = sinf(0.5f * w);
    float alpha = sinf(w) / (2.0f * f->q), a0 = 1.0f + alpha;
    f->b0 = s * s / a0;
    f->b1 = 2.0f * f->b0;
    f->b2 = f->b0;
    f->a1 = -2.0f * cosf(w) / a0;
    f->a2 = (1.0f - alpha) / a0;
}
void biquad_init(biquad_t *f, float rate)
{
    f->rate = rate; f->hz = 1000.0f; f->q = 0.70710678f; f->s1 = f->s2 = 0.0f;
    biquad_set(f);
}
void biquad_hz(biquad_t *f, float hz) { f->hz = hz; biquad_set(f); }
void biquad_q(biquad_t *f, float q) { f->q = q; biquad_set(f); }
float biquad_step(biquad_t *f, float x)
{
    float y = f->b0 * x + f->s1;
    f->s1 = f->b1 * x - f->a1 * y + f->s2;
    f->s2 = f->b2 * x - f->a2 * y;
    if (fabsf(f->s1) < 1e-20f && fabsf(f->s2) < 1e-20f) f->s1 = f->s2 = 0.0f;
    return y;
}

typedef struct { float rate, g, k, s1, s2; } svf_t;
void svf_init(svf_t *f, float rate) { f->rate = rate; f->g = tanf(PI * 1000.0f / rate); f->k = 1.0f; f->s1 = f->s2 = 0.0f; }
void svf_hz(svf_t *f, float hz) { f->g = tanf(PI * hz / f->rate); }
void svf_q(svf_t *f, float q) { f->k = 1.0f / q; }
float svf_step(svf_t *f, float x)
{
    float band = (f->s1 + f->g * (x - f->s2)) / (1.0f + f->g * (f->g + f->k));
    float low = f->s2 + f->g * band;
    f->s1 = 2.0f * band - f->s1;
    f->s2 = 2.0f * low - f->s2;
    if (fabsf(f->s1) < 1e-30f) f->s1 = 0.0f;
    if (fabsf(f->s2) < 1e-20f) f->s2 = 0.0f;
    return low;
}

typedef struct { float rate, f, damping, low, band; } loop_t;
void loop_init(loop_t *l, float rate) { l->rate = rate; l->f = 0.1f; l->damping = 0.5f; l->low = l->band = 0.0f; }
void loop_hz(loop_t *l, float hz)
{
    float f = 2.0f * sinf(PI * hz / l->rate);
    l->f = f < 0.9f ? f : 0.9f; /* 4 - f*f - 2*f*damping stays above zero up to a damping of 1.7 */
}
void loop_damping(loop_t *l, float damping) { l->damping = damping; }
float loop_step(loop_t *l, float x)
{
    l->low += l->f * l->band;
    l->band += l->f * (x - l->low - l->damping * l->band);
    if (fabsf(l->low) < 1e-20f && fabsf(l->band) < 1e-20f) l->low = l->band = 0.0f;
    if (fabsf(l->band) < 1e-30f) l->band = 0.0f; /* alone only far below: it is what still moves a small low */
    return l->low;
}

typedef struct { int32_t y; } lag_t;
void lag_init(lag_t *l) { l->y = 0; }
int32_t lag_step(lag_t *l, int32_t x)
{
    int32_t gap = x - l->y;
    l->y += gap >= 0 ? (gap + 63) / 64 : -((-gap + 63) / 64);
    return l->y;
}

typedef struct { int64_t y1, y2; } ring_t;
void ring_init(ring_t *r) { r->y1 = r->y2 = 0; }
int32_t ring_step(ring_t *r, int32_t x)
{
    /* y = x/8 + 1.8 y1 - 0.95 y2; what its rounding keeps alive, some 20 steps, lies below the 8 more bits. */
    int64_t y = (int64_t)x * 32 + ((29491 * r->y1 - 15565 * r->y2 + 8192) >> 14);
    r->y2 = r->y1;
    r->y1 = y;
    return (int32_t)((y + 128) >> 8);
}
"""

SHEET = """
from reference import filters_in_time
from verify import *
s = Sheet(sources=["plant.c"], flags="-O2 -std=c11", builds=["host"])
def accurately(limit): return accurate(absolute=limit, because="-70 dB")
def measured(**more): return gain_at(within_db=0.1, because="heard as another colour", hz=[9000], **more)
def stable(**how): return stays_stable(because="a filter that howls", **how)
def silent(seconds, **how): return decays_to_zero(seconds=seconds, because="an idle voice must be silent", **how)
"""

OFF = """without={word: "another test's" for word in ("returns", "finite", "deterministic", "no_hidden_events",
        "no_undefined_behaviour", "fresh_after_init", "instances_independent")}"""

MACHINES = {
    "biquad": """
s.machine("biquad", state="biquad_t", init="biquad_init(state, sample_rate_hz)", step="y = biquad_step(state, x)",
    events=[event("cutoff_hz", "biquad_hz(state, cutoff_hz)", binary32("cutoff_hz", 1000, 10000, "Hz")),
            event("q", "biquad_q(state, q)", binary32("q", 0.5, 4, ""))],
    inputs=[binary32("x", -1, 1, "full scale")], outputs=[signal("y", "full scale")], longest_seconds=0.02,
    reference=filters_in_time.biquad, constants={{"q": "0.70710678"}}, claims=[{claims}], {more})
""",
    "svf": """
s.machine("svf", state="svf_t", init="svf_init(state, sample_rate_hz)", step="y = svf_step(state, x)",
    events=[event("cutoff_hz", "svf_hz(state, cutoff_hz)", binary32("cutoff_hz", 1000, 15000, "Hz")),
            event("q", "svf_q(state, q)", binary32("q", 0.5, 5, ""))],
    inputs=[binary32("x", -1, 1, "full scale")], outputs=[signal("y", "full scale")], longest_seconds=0.02,
    reference=filters_in_time.state_variable, sample_rates_hz=[48_000], claims=[{claims}], {more})
""",
    "loop": """
s.machine("loop", state="loop_t", init="loop_init(state, sample_rate_hz)",
    step="y = loop_step(state, x); f = state->f; damping = state->damping",
    events=[event("hz", "loop_hz(state, hz)", binary32("hz", 1000, 15000, "Hz")),
            event("damping", "loop_damping(state, damping)", binary32("damping", 0.2, 1.6, ""))],
    inputs=[binary32("x", -1, 1, "full scale")],
    outputs=[signal("y", "full scale"), signal("f", ""), signal("damping", "")], longest_seconds=0.02,
    claims=[{claims}], {more})
""",
    "lag": """
s.machine("lag", state="lag_t", init="lag_init(state)", step="y = lag_step(state, x)",
    inputs=[integers("x", -32768, 32767, "code")], outputs=[signal("y", "code", ctype="int32_t")], longest_seconds=0.02,
    claims=[{claims}], {more})
""",
    "ring": """
s.machine("ring", state="ring_t", init="ring_init(state)", step="y = ring_step(state, x)",
    inputs=[integers("x", -32768, 32767, "code")], outputs=[signal("y", "code", ctype="int32_t")], longest_seconds=0.02,
    claims=[{claims}], {more})
""",
}

FEW = Plan(scripts=8)


def planted(folder: Path, name: str, claims: str, *changes: tuple[str, str], protected: bool = False) -> Seen:
    """One machine with changed C, judged by the named claims only (and by the protective ones if asked)."""
    text = with_changes(C, changes)
    entry: Any = MACHINES[name].format(claims=claims, more="" if protected else OFF)
    return seen(run(folder, text, SHEET + entry, FEW), name)
