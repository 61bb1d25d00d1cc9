"""What a sweep costs beside the bare loop and beside MPFR: figures for print, never asserted.

    pytest tests/benchmarks -s                          one octave, 8 388 609 values
    PREFLASH_BENCH_FULL=1 pytest tests/benchmarks -s    every binary32 from 0 to 5 V, 1 084 227 585 values

The limits of the design: (b) at most 1.0 of (a), and (d) at least 300 of (b).
"""

import ctypes
import os
import subprocess
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
import pytest

from firmware_shim.crew import Crew
from firmware_shim.job import Test
from verify.binding import claims_for, make_benches
from verify.evidence import Evidence
from verify.hunt import Hunt
from verify.hunting.plan import thorough
from verify.routine import Bound
from verify.sheet import load_sheet

FULL = bool(os.environ.get("PREFLASH_BENCH_FULL"))
LOW, HIGH = (0.0, 5.0) if FULL else (1.0, 2.0)
ROUNDS = 1 if FULL else 3
SAMPLE = 200_000 if FULL else 20_000
ROUTINE = "#include <math.h>\nfloat pond_hz(float volts) { return 0x1.05a026p+6f * exp2f(volts); }\n"
BARE = ROUTINE + """\
#include <stdint.h>
#include <string.h>
float (*volatile called)(float) = pond_hz;
uint32_t bare(uint32_t first, uint32_t count)
{
    uint32_t fold = 0;
    for (uint32_t i = 0; i < count; i++) {
        uint32_t bits = first + i;
        float x, y;
        memcpy(&x, &bits, 4);
        y = called(x);
        memcpy(&bits, &y, 4);
        fold ^= bits;
    }
    return fold;
}
"""
SHEET = f"""\
from reference import pitch
from verify import *
s = Sheet(sources=["pond.c"], flags="-O2", builds=["host"])
s.function("pond_hz", inputs=[binary32("volts", {LOW}, {HIGH}, "V")], output="Hz", reference=pitch.hz_from_volts,
           constants={{"zero_volt_hz": "440 * 2**(-33/12)"}},
           claims=[accurate(cents=0.01, because="x"), rising(because="x"), octave_doubles(cents=0.01, because="x"),
                   stays_within(65, 2094, because="x")])
"""


@dataclass
class Figures:
    """Seconds per run of each part, and memory, gathered for the print at the end."""

    values: int
    seconds: dict[str, list[float]] = field(default_factory=dict)
    memory_mib: float = 0.0

    def measure(self, part: str, run: Callable[[], Any], share: float = 1.0) -> Callable[[], Any]:
        """run, timed; share is the part of all values that it looks at."""

        def timed() -> Any:
            began = time.perf_counter()
            result = run()
            self.seconds.setdefault(part, []).append((time.perf_counter() - began) / share)
            return result

        return timed

    def text(self) -> str:
        """All figures that were measured."""
        middle = {part: median(times) for part, times in self.seconds.items()}
        lines = ["", f"{self.values:,} values, medians of {ROUNDS}:"]
        lines += [f"  {part:<44} {s:9.3f} s {1e9 * s / self.values:9.2f} ns/value" for part, s in middle.items()]
        parts = {part[:3]: s for part, s in middle.items()}
        for over, under in (("(b)", "(a)"), ("(c)", "(a)"), ("(d)", "(b)")):
            if over in parts and under in parts:
                lines.append(f"  {over} / {under} = {parts[over] / parts[under]:.3f}")
        if self.memory_mib:
            lines.append(f"  most memory of caller, workers and their children: {self.memory_mib:.0f} MiB")
        return "\n".join(lines)


@dataclass(frozen=True)
class Stand:
    """The routine, bound, with the tests of its claims and a crew of two."""

    bound: Bound
    tests: tuple[Test, ...]
    crew: Crew

    def sweep(self, tests: Sequence[Test]) -> Evidence:
        """Every value with the given tests."""
        evidence = Evidence("bench", tuple(tests), self.bound.domain.bin_edges())
        Hunt(self.bound, tuple(tests), thorough(), self.crew, lambda *_: None, evidence).run([])
        return evidence


@pytest.fixture(scope="module")
def stand(tmp_path_factory: pytest.TempPathFactory, gcc: str) -> Iterator[Stand]:
    folder = tmp_path_factory.mktemp("pond")
    (folder / "pond.c").write_text(ROUTINE, encoding="utf-8")
    (folder / "pond_sheet.py").write_text(SHEET, encoding="utf-8")
    (bench,) = make_benches(load_sheet(folder / "pond_sheet.py"))
    assert bench.engine is not None
    bound = bench.bounds["pond_hz"]
    tests = [test for claim in claims_for(bound) if (test := claim.test(bound)) is not None]
    with Crew(bench.engine, 2) as crew:
        yield Stand(bound, tuple(tests), crew)


@pytest.fixture(scope="module")
def figures(stand: Stand, pytestconfig: pytest.Config) -> Iterator[Figures]:
    found = Figures(stand.bound.domain.count)
    yield found
    print(found.text())


@pytest.fixture(scope="module")
def bare(tmp_path_factory: pytest.TempPathFactory, gcc: str) -> ctypes.CDLL:
    folder = tmp_path_factory.mktemp("bare")
    (folder / "bare.c").write_text(BARE, encoding="utf-8")
    options = ["-O2", "-fPIC", "-shared", "-fno-semantic-interposition"]
    subprocess.run([gcc, *options, str(folder / "bare.c"), "-lm", "-o", str(folder / "bare.so")], check=True)
    library = ctypes.CDLL(str(folder / "bare.so"))
    library.bare.argtypes, library.bare.restype = [ctypes.c_uint32, ctypes.c_uint32], ctypes.c_uint32
    return library


class MemoryWatch:
    """Largest sum of proportional set sizes of this process and all below it, sampled ten times a second."""

    def __init__(self) -> None:
        self.most_kib, self.over = 0, threading.Event()
        self.thread = threading.Thread(target=self.watch)

    def __enter__(self) -> "MemoryWatch":
        self.thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.over.set()
        self.thread.join()

    def watch(self) -> None:
        while not self.over.wait(0.1):
            self.most_kib = max(self.most_kib, self.present_kib(os.getpid()))

    def present_kib(self, process: int) -> int:
        """Memory of a process and its descendants; those that end meanwhile count nothing."""
        total = 0
        with suppress(OSError):
            for line in Path(f"/proc/{process}/smaps_rollup").read_text(encoding="utf-8").splitlines():
                if line.startswith("Pss:"):
                    total += int(line.split()[1])
            for task in Path(f"/proc/{process}/task").iterdir():
                total += sum(self.present_kib(int(child)) for child in (task / "children").read_text().split())
        return total


def test_bare_loop(benchmark: Any, figures: Figures, stand: Stand, bare: ctypes.CDLL) -> None:
    grid = stand.bound.domain.grids[0]
    run = figures.measure("(a) bare loop, one thread", lambda: bare.bare(grid.first, grid.count))
    benchmark.pedantic(run, rounds=ROUNDS)

    assert bare.bare(grid.first, 2) == np.bitwise_xor.reduce(
        np.array([bare.bare(grid.first + k, 1) for k in range(2)], np.uint32))  # fmt: skip


def test_sweep_for_accuracy_order_and_finiteness(benchmark: Any, figures: Figures, stand: Stand) -> None:
    tests = [test for test in stand.tests if test.kind in ("accurate", "order")]
    run = figures.measure("(b) accuracy, order, finiteness, two workers", lambda: stand.sweep(tests))
    evidence = benchmark.pedantic(run, rounds=ROUNDS)

    assert [[0, stand.bound.domain.count]] == evidence.covered().tolist()
    assert (0, 0) == (evidence.total().found(0, "failing"), evidence.total().sum("nans"))


def test_sweep_for_all_claims(benchmark: Any, figures: Figures, stand: Stand) -> None:
    run = figures.measure("(c) all claims, two workers", lambda: stand.sweep(stand.tests))
    with MemoryWatch() as memory:
        evidence = benchmark.pedantic(run, rounds=ROUNDS)
    figures.memory_mib = memory.most_kib / 1024

    assert {"accurate", "order", "octave", "deterministic", "range"} == {test.kind for test in stand.tests}
    assert [[0, stand.bound.domain.count]] == evidence.covered().tolist()


def test_the_same_check_by_mpfr(benchmark: Any, figures: Figures, stand: Stand) -> None:
    gmpy2 = pytest.importorskip("gmpy2")
    domain = stand.bound.domain
    chosen = np.linspace(0, domain.count - 1, SAMPLE).astype(np.int64)
    volts = domain.doubles(chosen)[0]
    outputs = [float(y) for y in np.float32(float.fromhex("0x1.05a026p+6")) * np.exp2(volts.astype(np.float32))]

    def check() -> float:
        with gmpy2.context(precision=64):
            low_hz = gmpy2.mpfr(440) / gmpy2.exp2(gmpy2.mpfr(33) / 12)
            worst = gmpy2.mpfr(0)
            for x, y in zip(volts.tolist(), outputs, strict=True):
                right = low_hz * gmpy2.exp2(gmpy2.mpfr(x))
                worst = max(worst, abs(y - right) / right)
            return float(worst)

    run = figures.measure("(d) MPFR of 64 bits, one thread, scaled", check, share=SAMPLE / domain.count)
    worst = benchmark.pedantic(run, rounds=ROUNDS)

    assert 0 < worst < 1e-6
