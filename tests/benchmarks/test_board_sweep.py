"""Every float through exp2f in the board's own code, beside the bare user-mode emulator: figures for print, never asserted.

    pytest -m nightly tests/benchmarks/test_board_sweep.py -s                          four octaves, 33 554 433 values
    PREFLASH_BENCH_FULL=1 pytest -m nightly tests/benchmarks/test_board_sweep.py -s    every float from 0 to 5 V

The goals: at least 80 % of the bare emulator, and 60 s for all floats from 0 to 5 V with two workers on two processors;
240 s in the emulator of the whole core, which comes with pip alone.
"""

from __future__ import annotations

import os
import resource
import subprocess
import time
from pathlib import Path

import pytest

from firmware_shim.board_served import NAMED_BY, user_mode_emulator
from firmware_shim.cores import CORES
from firmware_shim.crew import Crew
from tests.board.boards import NEEDED
from verify.binding import claims_for, make_benches
from verify.evidence import Evidence
from verify.hunt import Hunt
from verify.hunting.plan import thorough
from verify.sheet import load_sheet

pytestmark = [*NEEDED, pytest.mark.nightly]
FULL = bool(os.environ.get("PREFLASH_BENCH_FULL"))
LOW, HIGH = (0, 5) if FULL else (0.25, 4)
ALL = 1_084_227_585
ROUTINE = "#include <math.h>\nfloat pond(float volts) { return exp2f(volts); }\n"
BARE_VALUES = 1 << 24
# Calls in a row over one octave, folded by exclusive or; the result goes out, so that nothing is left away.
BARE = ROUTINE + f"""
#include <stdint.h>
static int32_t ask(int32_t number, uint32_t a, uint32_t b, uint32_t c)
{{
    register uint32_t r0 __asm__("r0") = a, r1 __asm__("r1") = b, r2 __asm__("r2") = c, r7 __asm__("r7") = (uint32_t)number;
    __asm__ volatile("svc 0" : "+r"(r0) : "r"(r1), "r"(r2), "r"(r7) : "memory");
    return (int32_t)r0;
}}
extern float called(float) __asm__("pond");
__attribute__((used)) void work(void)
{{
    uint32_t fold = 0;
    for (uint32_t i = 0; i < {BARE_VALUES}u; i++) {{
        union {{ uint32_t bits; float number; }} x = {{0x3f000000u + i / 2}};
        x.number = called(x.number);
        fold ^= x.bits;
    }}
    ask(4, 1, (uint32_t)&fold, 4);
    ask(1, 0, 0, 0);
}}
__attribute__((naked, used)) void start(void) {{ __asm__ volatile("bl work"); }}
"""
SHEET = f"""\
from verify import *
s = Sheet(sources=["pond.c"], flags="-O2", core="cortex-m7d", builds=["board"])
s.function("pond", inputs=[binary32("volts", {LOW}, {HIGH}, "V")], output="", reference=lambda ctx, volts: ctx.exp2(volts),
           claims=[accurate(ulp=0.51, because="newlib's published maximum is 0.5016"), rising(because="x")])
"""


def bare_values_per_second(folder: Path) -> float:
    """Values per second of processor time of each of two at once, as the sweep runs, the best of three."""
    (folder / "bare.c").write_text(BARE, encoding="utf-8")
    subprocess.run(["arm-none-eabi-gcc", "-O2", *CORES["cortex-m7d"].options, "-nostartfiles", "-Wl,-e,start", "bare.c", "-o",
                    "bare.elf", "-lm", "-lc", "-lgcc", "-lnosys"], cwd=folder, check=True, capture_output=True)
    seconds = []
    for _ in range(3):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        words = [user_mode_emulator()[0], "-cpu", "max", "bare.elf"]
        both = [subprocess.Popen(words, cwd=folder, stdout=subprocess.PIPE) for _ in range(2)]
        told = [len(one.communicate()[0]) for one in both]
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        assert told == [4, 4]
        seconds.append((after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime) / 2)
    return BARE_VALUES / min(seconds)


def sweep(folder: Path, deterministic: bool) -> tuple[float, str]:
    """(values per second of processor time, what to print) of a whole sweep of the routine."""
    (folder / "pond.c").write_text(ROUTINE, encoding="utf-8")
    (folder / "pond_sheet.py").write_text(SHEET, encoding="utf-8")
    (bench,) = make_benches(load_sheet(folder / "pond_sheet.py"))
    assert bench.engine is not None
    bound = bench.bounds["pond"]
    tests = tuple(test for claim in claims_for(bound) if (test := claim.test(bound)) is not None
                  and (deterministic or test.kind != "deterministic"))
    evidence = Evidence("bench", tests, bound.domain.bin_edges())
    with Crew(bench.engine, 2) as crew:
        began, used = time.perf_counter(), crew.processor_seconds()
        Hunt(bound, tests, thorough(), crew, lambda *_: None, evidence).run([])
        wall, used = time.perf_counter() - began, crew.processor_seconds() - used

    assert evidence.covered().tolist() == [[0, bound.domain.count]]
    assert evidence.total().found(0, "failing") == 0
    rate = bound.domain.count / used
    return rate, (f"{', '.join(test.kind for test in tests)}: {bound.domain.count:,} values in {wall:.1f} s, {used:.1f} s of "
                  f"processor time: {rate / 1e6:.2f} M/s each; all of [0, 5] V: {ALL / rate / 2:.0f} s with two workers")


@pytest.mark.skipif(not user_mode_emulator()[0], reason="needs qemu-arm 7.2 or later: install qemu-user-static")
@pytest.mark.parametrize("deterministic", [True] if FULL else [True, False])
def test_every_float_through_exp2f(tmp_path: Path, deterministic: bool) -> None:
    bare = bare_values_per_second(tmp_path)
    rate, words = sweep(tmp_path, deterministic)
    print(f"\n  {words}; {100 * rate / bare:.0f} % of the bare {bare / 1e6:.2f} M/s")


def test_every_float_through_exp2f_in_the_whole_core(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(NAMED_BY, "")
    user_mode_emulator.cache_clear()
    try:
        _, words = sweep(tmp_path, True)
    finally:
        user_mode_emulator.cache_clear()
    print(f"\n  in Unicorn alone, {words}")
