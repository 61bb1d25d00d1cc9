"""Machines on the emulated board: faults that only the board shows, each beside a right twin that gives no alarm."""

from __future__ import annotations

import functools
import tempfile
from pathlib import Path

import pytest

from tests.board.boards import NEEDED
from tests.fault_injection.planted import Seen, run, seen
from verify.hunting.plan import Plan

pytestmark = NEEDED

C = r"""
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <math.h>
#ifdef __arm__
#define BOARD 1
#else
#define BOARD 0
#endif
typedef struct { float y, target; int32_t count; uint8_t bytes[12]; } part_t;
static void start(part_t *s) { memset(s, 0, sizeof *s); }
static float near(float y, float x) { return fabsf(x - y) < 1e-6f ? x : y + 0.25f * (x - y); }
static float follow(part_t *s) { s->y = near(s->y, s->target); s->count++; return s->y; }

#define APART __attribute__((noinline)) static
APART void poke(part_t *s) { if (BOARD && s->count > 20) *(volatile int *)0x70000000 = 1; }
APART void spin(part_t *s) { while (BOARD && s->target > 0.9f) { __asm__ volatile(""); } }
static void grab(part_t *s)
{
    if (BOARD && s->count == 7) { void *volatile p = malloc(8); free(p); }
}
static int32_t cast(part_t *s, float gain) { return (int32_t)(s->y * gain); }
static float beyond(part_t *s, float y)
{
    volatile float big = BOARD && s->count == 11 ? 1e38f : 1.0f, much = big * big;
    return much > 2.0f ? y : y;
}
APART float past(part_t *s) { if (BOARD && s->count == 5) { ((volatile uint8_t *)s)[sizeof *s] = 1; } return s->y; }

static float held;
static float global_step(float x) { held = near(held, x); return held; }
static void twice(part_t *s, const float *in, float *left, float *right, int n)
{
    for (int i = 0; i < n; i++) { s->y = near(s->y, in[i]); left[i] = s->y; right[i] = -s->y; }
}
"""

SHEET = """
from verify import *
s = Sheet(sources=["plant.c"], flags="-O2 -std=gnu11 -ffp-contract=off", core="{core}",
          sample_rate_hz=1000, builds=["host", "board"])
set_to = event("set", "state->target = target", binary32("target", 0, 1, "V"))
common = dict(state="part_t", init="start(state)", longest_seconds=0.1, call_limit_seconds=0.3, events=[set_to])
y = [signal("y", "V")]
same = same_on_board(bits=True, because="planted")
def m(name, step, outputs=y, claims=(same,), **more):
    s.machine(name, step=step, outputs=outputs, claims=list(claims), **{{**common, **more}})
m("right", "y = follow(state)")
m("poke", "y = follow(state); poke(state)")
m("spin", "y = follow(state); spin(state)")
m("grab", "y = follow(state); grab(state)")
m("beyond", "y = beyond(state, follow(state))")
m("past", "follow(state); y = past(state)")
m("cast", "follow(state); y = cast(state, 3e9f)", [signal("y", "code", ctype="int32_t")])
m("cast_right", "follow(state); y = cast(state, 1e9f)", [signal("y", "code", ctype="int32_t")])
m("global", "y = global_step(x)", state=None, init="held = 0.0f", events=[], inputs=[binary32("x", -1, 1, "V")])
s.machine("block", state="part_t", init="start(state)", block="twice(state, x, a, b, n)", longest_seconds=0.1,
    inputs=[binary32("x", -1, 1, "V")], outputs=[signal("a", "V"), signal("b", "V")],
    claims=[same, same_for_any_block_size(because="planted")])
"""


FAULTY = ("poke", "spin", "grab", "beyond", "past", "cast\"")


@functools.cache
def record(core: str) -> dict:  # type: ignore[type-arg]
    """One check of all machines on a core."""
    folder = Path(tempfile.mkdtemp())
    text = SHEET.format(core=core)
    if core == "cortex-m0plus":
        text = "".join(line for line in text.splitlines(keepends=True)
                       if not line.startswith(tuple(f'm("{name}' for name in FAULTY)))
    return run(folder, C, text, Plan(scripts=64))


def of(name: str, core: str = "cortex-m4f") -> Seen:
    return seen(record(core), name)


@pytest.mark.parametrize("name", ["right", "cast_right", "global", "block"])
@pytest.mark.parametrize("core", ["cortex-m4f", pytest.param("cortex-m0plus", marks=pytest.mark.nightly)])
def test_right_machines_give_no_alarm(name: str, core: str) -> None:
    found = of(name, core)
    board = {words: verdict for words, verdict in found.verdicts().items() if words.endswith("board")}

    assert {"holds"} == set(board.values())
    assert {"returns board", "deterministic board", "same_on_board board", "fresh_after_init board"} <= {
        " ".join((words.split()[0], "board")) for words in board}
    assert ("no_hidden_events board" in board) == (core == "cortex-m4f")


@pytest.mark.parametrize(("name", "words"), [
    ("poke", ("write to 0x70000000, outside everything mapped", "poke")),
    ("spin", ("hang", "spin")),
    ("grab", ("allocation after init",)),
    ("past", ("outside everything mapped", "past")),
])
def test_fault_that_only_the_board_shows_stops_the_script(name: str, words: tuple[str, ...]) -> None:
    found = of(name)
    verdicts = found.verdicts()

    assert "holds" == verdicts["returns host"]
    assert "fails" == verdicts["returns board"]
    claim = next(c for c in found.entry["claims"] if (c["claim"], c["build"]) == ("returns", "board"))
    text = repr(claim)
    for word in words:
        assert word in text
    assert claim["witness"]["script"]


def test_overflow_inside_is_pinned_to_its_sample() -> None:
    claim = next(c for c in of("beyond").entry["claims"] if (c["claim"], c["build"]) == ("no_hidden_events", "board"))

    assert "fails" == claim["verdict"]
    assert "overflow" in repr(claim)
    assert "sample 10" in repr(claim)
    assert "holds" == of("beyond").verdicts()["no_hidden_events host"]


def test_conversion_beyond_the_integer_differs_from_this_computer() -> None:
    claim = next(c for c in of("cast").entry["claims"] if c["claim"] == "same_on_board")

    assert "fails" == claim["verdict"]
    assert "2147483647" in repr(claim)
    assert "as on this computer" in repr(claim)


def test_fewer_scripts_are_drawn_on_the_board_and_that_is_said() -> None:
    assert any("on the board 8 scripts are drawn, on this computer 64" in note for note in of("right").entry["notes"])


def test_only_what_did_not_run_on_the_board_is_said_to_be_unchecked_there(tmp_path: Path) -> None:
    assert not any("board's own code" in text for text in record("cortex-m4f")["not_checked"])

    long = 'keeps_frequency(hz=100, cents=100, hours=0.001, because="planted")'
    ticking = """
#include <stdint.h>
typedef struct { uint32_t phase; } lap_t;
float lap(lap_t *l) { l->phase += 429496730u; return (float)(l->phase >> 8) * (1.0f / 16777216.0f); }
"""
    sheet = f"""
from verify import *
s = Sheet(sources=["plant.c"], flags="-O2", core="cortex-m4f", sample_rate_hz=1000, builds=["host", "board"])
s.machine("lap", state="lap_t", init="state->phase = 0", step="y = lap(state)", outputs=[signal("y", "full scale")],
    claims=[{long}])
"""
    told = run(tmp_path, ticking, sheet, Plan(scripts=16))

    assert "holds" == seen(told, "lap").verdicts()["keeps_frequency host"]
    assert "keeps_frequency in the board's own code (on this computer only)" in told["not_checked"]
