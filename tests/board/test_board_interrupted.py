"""Setters that come in the middle: planted torn updates and lost ones, each beside a right twin that gives no alarm."""

from __future__ import annotations

import functools
import tempfile
from pathlib import Path

import pytest

from tests.board.boards import NEEDED
from tests.fault_injection.planted import Seen, run, seen
from verify.command_line import main
from verify.errors import SheetError
from verify.hunting.plan import Plan
from verify.sheet import load_sheet

pytestmark = NEEDED

C = r"""
#include <stdint.h>
#include <string.h>
#if defined(__arm__)
static inline uint32_t mask(void)
{
    uint32_t p;
    __asm__ volatile("mrs %0, primask\n\tcpsid i" : "=r"(p) :: "memory");
    return p;
}
static inline void unmask(uint32_t p) { __asm__ volatile("msr primask, %0" :: "r"(p) : "memory"); }
#else
static inline uint32_t mask(void) { return 0; }
static inline void unmask(uint32_t p) { (void)p; }
#endif
typedef struct { volatile float a, b; volatile uint64_t ticks; volatile uint32_t pending, done; float y; } part_t;
static void start(part_t *s) { memset((void *)s, 0, sizeof *s); s->ticks = 0xfffffff0u; }

/* Two fields that belong together: the sum of both is always 1. */
static void set_both(part_t *s, float x) { s->a = x; s->b = 1.0f - x; }
static float two_fields(part_t *s) { float a = s->a; s->y += 0.25f * (a - s->y); return a + s->b; }
static float two_fields_masked(part_t *s)
{
    uint32_t p = mask();
    float a = s->a, b = s->b;
    unmask(p);
    s->y += 0.25f * (a - s->y);
    return a + b;
}

/* A counter of 64 bits, counted in the step and in the interrupt. */
static void tick(part_t *s) { s->ticks += 7; }
static double count64(part_t *s) { s->ticks++; return (double)s->ticks; }
static double count64_masked(part_t *s)
{
    uint32_t p = mask();
    uint64_t now = ++s->ticks;
    unmask(p);
    return (double)now;
}

/* Read, modify, write: events that are handed over by a counter. */
static void post(part_t *s) { s->pending++; }
static int32_t take_one(part_t *s)
{
    if (s->pending == 0) return 0;
    s->pending -= 1;
    s->done++;
    return (int32_t)s->pending;
}
static int32_t take_one_masked(part_t *s)
{
    uint32_t p = mask();
    int32_t left = 0;
    if (s->pending != 0) { s->pending -= 1; left = (int32_t)s->pending; }
    unmask(p);
    s->done++;
    return left;
}
static int32_t take_one_atomic(part_t *s)
{
    uint32_t now = __atomic_fetch_add(&s->pending, 1u, __ATOMIC_RELAXED);
    return (int32_t)now;
}
static int32_t never_unmasked(part_t *s)
{
    uint32_t p = mask();
    if (s->pending > 0) return 1;
    unmask(p);
    return 0;
}

/* A place for what is in between, used by both: in order the setter changes nothing. */
static volatile float between;
static void drop(float x) { between = x; }
static float with_between(part_t *s) { between = s->y; s->y += 1.0f; return between * 2.0f; }
static float with_its_own(part_t *s) { volatile float own = s->y; s->y += 1.0f; return own * 2.0f; }

static volatile float gain = 1.0f, offset = 0.0f;
static volatile uint32_t calls;
static void tune(float g) { gain = g; offset = -g; }
float scaled(float x) { return x * gain + offset; }
float scaled_masked(float x) { uint32_t p = mask(); float g = gain, o = offset; unmask(p); return x * g + o; }
static void isr(void) { calls += 16; }
uint32_t counted(uint32_t n) { calls = calls + n; return calls; }
uint32_t counted_masked(uint32_t n) { uint32_t p = mask(); uint32_t c = calls += n; unmask(p); return c; }

static float filter_block(part_t *s, const float *in, float *out, int n)
{
    for (int i = 0; i < n; i++) { s->y = s->a * in[i] + s->b * s->y; out[i] = s->y; }
    return 0;
}
static void filter_block_once(part_t *s, const float *in, float *out, int n)
{
    uint32_t p = mask();
    float a = s->a, b = s->b;
    unmask(p);
    for (int i = 0; i < n; i++) { s->y = a * in[i] + b * s->y; out[i] = s->y; }
}
"""

SHEET = """
from verify import *
s = Sheet(sources=["plant.c"], flags="-O2 -std=gnu11 -ffp-contract=off", core="{core}", sample_rate_hz=1000,
          builds=["board"])
both = event("set", "set_both(state, x)", binary32("x", 0, 1, ""))
off = dict.fromkeys(("no_hidden_events", "fresh_after_init", "no_undefined_behaviour", "deterministic", "finite",
                     "instances_independent"), "not the point")
def m(name, step, setter, event_, ctype="float", **more):
    s.machine(name, state="part_t", init="start(state)", step=step, events=[event_], longest_seconds=0.05,
        outputs=[signal("y", "", ctype=ctype)], without=off,
        claims=[safe_when_interrupted_by(setter, because="planted", **more)])
tick, post = event("tick", "tick(state)"), event("post", "post(state)")
m("two_fields", "y = two_fields(state)", "set", both)
m("two_fields_within", "y = two_fields(state)", "set", both, within=2)
m("two_fields_masked", "y = two_fields_masked(state)", "set", both)
m("count64", "y = count64(state)", "tick", tick, "double")
m("count64_masked", "y = count64_masked(state)", "tick", tick, "double")
m("take_one", "y = take_one(state)", "post", post, "int32_t")
m("take_one_masked", "y = take_one_masked(state)", "post", post, "int32_t")
m("never_unmasked", "y = never_unmasked(state)", "post", post, "int32_t")
if "{core}" != "cortex-m0plus":
    m("take_one_atomic", "y = take_one_atomic(state)", "post", post, "int32_t")
drop = event("drop", "drop(x)", binary32("x", 100, 200, ""))
m("with_between", "y = with_between(state)", "drop", drop)
m("with_its_own", "y = with_its_own(state)", "drop", drop)
for name in ("filter_block", "filter_block_once"):
    s.machine(name, state="part_t", init="start(state)", block=name + "(state, x, y, n)", events=[
        event("set", "set_both(state, c)", binary32("c", 0, 1, ""))], inputs=[binary32("x", -1, 1, "V")],
        longest_seconds=0.05, outputs=[signal("y", "V")], without=off,
        claims=[safe_when_interrupted_by("set", because="planted")])
x = [binary32("x", -5, 5, "V")]
tuned = safe_when_interrupted_by("tune(g)", binary32("g", 0.5, 2, ""), because="planted")
hidden = dict.fromkeys(("deterministic", "no_hidden_events", "no_undefined_behaviour"), "not the point")
s.function("scaled", inputs=x, output="V", claims=[tuned], without=hidden)
s.function("scaled_masked", inputs=x, output="V", claims=[tuned], without=hidden)
n = [integers("n", 0, 100, "")]
counted = safe_when_interrupted_by("isr()", because="planted")
s.function("counted", inputs=n, output="", claims=[counted], without=hidden)
s.function("counted_masked", inputs=n, output="", claims=[counted], without=hidden)
s.function("scaled_call", call="result = scaled(x)", inputs=x, output="V", claims=[tuned], without=hidden)
"""
CLAIM = "safe_when_interrupted_by"


@functools.cache
def record(core: str) -> dict:  # type: ignore[type-arg]
    return run(Path(tempfile.mkdtemp()), C, SHEET.format(core=core), Plan(scripts=16, every_value_up_to=2**10,
                                                                          sampled_cases=2**10))


def of(name: str, core: str) -> Seen:
    return seen(record(core), name)


CORES = ["cortex-m4f", pytest.param("cortex-m0plus", marks=pytest.mark.nightly)]


def line_of(text: str) -> int:
    return C[: C.index(text)].count("\n") + 1


@pytest.mark.parametrize("core", CORES)
@pytest.mark.parametrize(("name", "line"), [
    ("two_fields", "static float two_fields("), ("count64", "static double count64("),
    ("take_one", "    s->pending -= 1;\n    s->done++"),
    ("scaled", "float scaled("), ("counted", "uint32_t counted("), ("filter_block", "s->a * in[i]"),
    ("scaled_call", "float scaled("), ("with_between", "between * 2.0f"),
])
def test_torn_and_lost_updates_are_found_with_their_line(name: str, line: str, core: str) -> None:
    found = of(name, core)
    claim = found.claim(CLAIM, "board")

    assert claim["verdict"] == "fails"
    assert "fits neither order" in found.words(CLAIM, "board")
    assert f"plant.c:{line_of(line)}" in found.words(CLAIM, "board")
    assert claim["witness"]


@pytest.mark.parametrize("core", CORES)
@pytest.mark.parametrize("name", ["two_fields_masked", "two_fields_within", "count64_masked", "take_one_masked",
                                  "take_one_atomic", "scaled_masked", "counted_masked", "filter_block_once", "with_its_own"])
def test_masked_and_atomic_twins_give_no_alarm(name: str, core: str) -> None:
    if name == "take_one_atomic" and core == "cortex-m0plus":
        pytest.skip("no exclusive instructions there")
    claim = of(name, core).claim(CLAIM, "board")

    assert (claim["verdict"], claim["facts"]) == ("holds", claim["facts"])
    assert claim["strength"]["kind"] == "tried"
    if (name, core) != ("filter_block_once", "cortex-m0plus"):  # arithmetic by library calls is long
        assert "at every instruction executed in them" in " ".join(claim["facts"])
    if "masked" in name:
        assert "with interrupts masked" in " ".join(claim["facts"])


def test_replaying_a_witness_repeats_the_interruption(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    script = of("two_fields", "cortex-m4f").claim(CLAIM, "board")["witness"]["script"]
    (tmp_path / "plant.c").write_text(C)
    (tmp_path / "plant_sheet.py").write_text(SHEET.format(core="cortex-m4f"))

    assert 1 == main(["replay", str(tmp_path / "plant_sheet.py"), "two_fields", *script.split()])
    told = " ".join(capsys.readouterr().out.split())
    assert "FAILS safe_when_interrupted_by('set'): fits neither order" in told
    assert f"plant.c:{line_of('static float two_fields(')}" in told
    assert 0 == main(["replay", str(tmp_path / "plant_sheet.py"), "two_fields_masked", *script.split()])
    assert "holds safe_when_interrupted_by('set')" in " ".join(capsys.readouterr().out.split())


def test_replaying_a_functions_witness_interrupts_it_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = of("scaled", "cortex-m4f")
    (tmp_path / "plant.c").write_text(C)
    (tmp_path / "plant_sheet.py").write_text(SHEET.format(core="cortex-m4f"))
    given = f"x={found.value(CLAIM, 'board').hex()}"

    assert 1 == main(["replay", str(tmp_path / "plant_sheet.py"), "scaled", given])
    told = " ".join(capsys.readouterr().out.split())
    assert "FAILS: result" in told and "fits neither order" in told and f"plant.c:{line_of('float scaled(')}" in told
    assert "the setter's values: g =" in told
    assert 0 == main(["replay", str(tmp_path / "plant_sheet.py"), "scaled_masked", given])
    told = " ".join(capsys.readouterr().out.split())
    assert "holds; " in told and "with interrupts masked" in told
    # At 0 only one of the two fields counts: it is this input that is interrupted.
    assert 0 == main(["replay", str(tmp_path / "plant_sheet.py"), "scaled", "x=0"])


def test_a_setter_without_effect_is_told_only_where_it_has_none() -> None:
    told = "the setter changed no output in any of them"
    assert told not in " ".join(of("with_between", "cortex-m4f").claim(CLAIM, "board")["facts"])
    assert told in " ".join(of("with_its_own", "cortex-m4f").claim(CLAIM, "board")["facts"])


def test_section_that_stays_masked_is_found() -> None:
    found = of("never_unmasked", "cortex-m4f")

    assert found.claim(CLAIM, "board")["verdict"] == "fails"
    assert "not left on every way" in found.words(CLAIM, "board")


def test_witness_is_a_short_script_that_ends_with_the_setter() -> None:
    witness = of("two_fields", "cortex-m4f").claim(CLAIM, "board")["witness"]

    assert len(witness["script"].split(";")) <= 3
    assert " set " in witness["script"].split(";")[-1]


@pytest.mark.parametrize(("more", "claim", "words"), [
    ("", 'safe_when_interrupted_by("tune(g)", because="x")', "names no core"),
    (', core="cortex-m4f"', 'safe_when_interrupted_by("tune", because="x")', "a line of C"),
    (', core="cortex-m4f"', 'safe_when_interrupted_by("tune(x)", binary32("x", 0, 1, ""), because="x")', "rename"),
    (', core="cortex-m4f", builds=["host"]', 'safe_when_interrupted_by("tune(g)", because="x")', "leaves out the build"),
])
def test_mistakes_are_told_in_one_message(tmp_path: Path, more: str, claim: str, words: str) -> None:
    (tmp_path / "plant.c").write_text(C)
    (tmp_path / "plant_sheet.py").write_text(f"""
from verify import *
s = Sheet(sources=["plant.c"]{more})
s.function("scaled", inputs=[binary32("x", -5, 5, "V")], output="V", claims=[{claim}])
""")
    with pytest.raises(SheetError) as caught:
        load_sheet(tmp_path / "plant_sheet.py")

    assert words in str(caught.value)
