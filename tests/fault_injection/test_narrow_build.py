"""The 32-bit build: what depends on the width of long is found without a cross compiler, and contained as ever."""

from __future__ import annotations

import subprocess
from pathlib import Path
from typing import Any

import pytest

from tests.fault_injection.planted import C_START, run, sheet_text
from verify.hunting.plan import Plan

QUICK = Plan(every_value_up_to=70_000, sampled_cases=20_000)


@pytest.fixture(scope="module", autouse=True)
def narrow(tmp_path_factory: pytest.TempPathFactory, gcc: str) -> None:
    source = tmp_path_factory.mktemp("probe") / "probe.c"
    source.write_text("#include <math.h>\nint main(void) { return 0; }\n")
    made = subprocess.run([gcc, "-m32", str(source), "-o", str(source.with_suffix("")), "-lm"], capture_output=True)
    if made.returncode:
        pytest.skip("this compiler builds no 32-bit programs (gcc-multilib is not installed)")


def sheet(text: str, more: str = "") -> str:
    """A sheet for host and narrow."""
    return sheet_text(text, more=f', builds=["host", "narrow"]{more}')


def verdicts(record: dict[str, Any], name: str) -> dict[tuple[str, str], str]:
    """(claim, build) -> verdict of a routine."""
    (routine,) = [r for r in record["routines"] if r["name"] == name]
    return {(claim["claim"], claim["build"]): claim["verdict"] for claim in routine["claims"]}


def witness(record: dict[str, Any], name: str, claim: str, build: str = "narrow") -> dict[str, Any]:
    (routine,) = [r for r in record["routines"] if r["name"] == name]
    (found,) = [c for c in routine["claims"] if (c["claim"], c["build"]) == (claim, build)]
    return {**found["witness"], "facts": found["facts"]}


SCALED = C_START + """\
float hz(uint16_t code) { {TYPE} scaled = code; scaled = scaled * 983040u; return (float)(scaled >> 16); }
"""
SCALED_ENTRY = """
def scaled(ctx, code):
    return code * ctx.number(15)
f("hz", inputs=[codes("code", bits=16)], output="Hz", reference=scaled, claims=[accurate(hz=0.1, because="x")])
"""


@pytest.mark.parametrize("kind", ["unsigned long", "size_t", "uintptr_t"])
def test_a_product_that_wraps_in_32_bits_fails_there_only(tmp_path: Path, kind: str) -> None:
    record = run(tmp_path, SCALED.replace("{TYPE}", kind), sheet(SCALED_ENTRY), QUICK)
    found = verdicts(record, "hz")

    assert ("holds", "fails") == (found["accurate", "host"], found["accurate", "narrow"])
    assert "4370" == witness(record, "hz", "accurate")["inputs"][0]["value"]


def test_a_product_of_stated_width_holds_in_both(tmp_path: Path) -> None:
    record = run(tmp_path, SCALED.replace("{TYPE}", "uint64_t"), sheet(SCALED_ENTRY), QUICK)

    assert {"holds"} == set(verdicts(record, "hz").values())


STOPS = C_START + """\
#include <signal.h>
#include <stdlib.h>
#include <unistd.h>
float stuck(float x) { if (x == 1.5f) for (;;) ; return x; }
float breaks(float x) { if (x == 1.5f) *(volatile int *)4096 = 1; return x; }
float far(float x) { if (x == 1.5f) *(volatile int *)0x70000000 = 1; return x; }
float deep(float x) { volatile char room[4096]; room[0] = 1; return x == 1.5f ? deep(x) + room[0] : x; }
float ends(float x) { if (x == 1.5f) exit(0); return x; }
float forks(float x) { if (x == 1.5f) fork(); return x; }
float kills(float x) { if (x == 1.5f) kill(-1, 0); return x; }
float fine(float x) { return x; }
"""
STOPPED = {"stuck": "hang: no answer", "breaks": "crash: null pointer", "far": "crash: memory access outside everything",
           "deep": "crash: stack exhausted", "ends": "exit: it ended the program", "forks": "started another process",
           "kills": "reached for another process"}


@pytest.mark.nightly
def test_stops_are_pinned_and_the_hunt_goes_on(tmp_path: Path) -> None:
    entries = "".join(f'f("{name}", inputs=[binary32("x", 1, 2, "")], output="", claims=[])\n' for name in (*STOPPED, "fine"))
    record = run(tmp_path, STOPS, sheet(entries), QUICK)

    for name, text in STOPPED.items():
        assert "fails" == verdicts(record, name)["returns", "narrow"], name
        seen = witness(record, name, "returns")
        assert "1.5" == seen["inputs"][0]["value"]
        assert text in seen["error"]
    assert {"holds"} == set(verdicts(record, "fine").values())


HIDDEN = C_START + """\
static float tail(float x) { return x * 1e-20f; }
float hz(float x) { float y = tail(x) * 1e-20f; return x + y; }
"""


def test_an_event_inside_is_told_with_its_line(tmp_path: Path) -> None:
    record = run(tmp_path, HIDDEN, sheet('f("hz", inputs=[binary32("x", 1, 2, "")], output="Hz", claims=[])'), QUICK)

    assert "fails" == verdicts(record, "hz")["no_hidden_events", "narrow"]
    assert "in hz at" in witness(record, "hz", "no_hidden_events")["error"]


CALLS = C_START + """\
typedef struct { long gain, offset; } cal_t;
long scaled_of(const cal_t *cal, long code) { return code * cal->gain + cal->offset; }
#define LEVEL (*(volatile uint32_t *)0x40012450u)
float read_level(float x) { return x * (float)LEVEL; }
float there(float x) { return 4.0f * x; }
float back(float y) { return 0.25f * y; }
"""
CALL_ENTRIES = """
def line(ctx, code):
    return code * 3 + 5
f("scaled", local="cal_t cal", call="cal.gain = 3; cal.offset = 5; result = scaled_of(&cal, code)",
  inputs=[codes("code", bits=12)], output="", output_type="int32_t", reference=line, claims=[accurate(lsb=0, because="x")])
def eight(ctx, x):
    return 8 * x
f("read_level", inputs=[binary32("x", 1, 2, "")], output="", reference=eight, claims=[accurate(ulp=0, because="x")])
f("there", inputs=[binary32("x", 1, 2, "V")], output="V", claims=[inverse_of("back", volts=0, because="x")])
f("back", inputs=[binary32("x", 4, 8, "V")], output="V", claims=[])
"""


def test_structs_peripherals_and_partners_work(tmp_path: Path) -> None:
    record = run(tmp_path, CALLS, sheet(CALL_ENTRIES, more=", peripherals={0x40012450: 8}"), QUICK)

    for name in ("scaled", "read_level", "there", "back"):
        assert {"holds"} == set(verdicts(record, name).values()), name


@pytest.mark.nightly
def test_a_compiler_without_a_32_bit_side_blocks_that_build_only(tmp_path: Path, gcc: str) -> None:
    wrapper = tmp_path / "narrowless-gcc"
    wrapper.write_text(f'#!/bin/sh\nfor word; do [ "$word" = -m32 ] && {{ echo "cannot find -lgcc" >&2; exit 1; }}; done\n'
                       f'exec {gcc} "$@"\n')
    wrapper.chmod(0o755)
    record = run(tmp_path, SCALED.replace("{TYPE}", "unsigned long"), sheet(SCALED_ENTRY, f', compiler="{wrapper}"'), QUICK)
    (problem,) = record["blocked_builds"]

    assert ("narrow", "S123") == (problem["build"], problem["code"])
    assert "gcc-multilib" in problem["do"]
    assert "holds" == verdicts(record, "hz")["accurate", "host"]
