"""The user-mode emulator for sweeps against the emulator of the whole core: the same bits, the same findings."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from firmware_shim.board_served import AHEAD, user_mode_emulator
from firmware_shim.build import Built
from firmware_shim.engine import NUMPY_TYPES
from firmware_shim.job import Axis, Job, JobResult
from firmware_shim.job import Test as Asked
from firmware_shim.running import BLOCK
from tests.board.boards import NEEDED, built, crew, job

pytestmark = [*NEEDED, pytest.mark.skipif(not user_mode_emulator()[0],
                                          reason="needs qemu-arm 7.2 or later: install qemu-user-static")]

C = """#include <math.h>
#include <stdint.h>
float up(float v) { return exp2f(v); }
float wave(float v) { return sinf(v) + tanhf(v) * powf(1.01f, v); }
float tiny(float v) { return v * 1e-30f * 1e-10f; }
int32_t whole(float v) { return (int32_t)(v * 1e9f); }
static volatile uint32_t words[4] = {1, 2, 3, 4};
uint32_t pair(uint32_t n) {
    uint32_t a, b; char *at = (char *)words + (n == 70001 ? 2 : 0);
    __asm__ volatile("ldrd %0, %1, [%2]" : "=r"(a), "=r"(b) : "r"(at)); return a + b; }
uint32_t wild(uint32_t n) { return n == 70003 ? *(volatile uint32_t *)0x50000000 : n; }
uint32_t stuck(uint32_t n) { for (volatile int k = 1; n == 70005 && k;) {} return n; }
uint32_t kept(uint32_t n) { static volatile uint32_t most; if (n > 70007) most = n; return n; }
uint32_t ends(uint32_t n) { extern void abort(void); if (n == 70009) abort(); return n; }
uint32_t turns(uint32_t n) { static uint32_t before; uint32_t was = before; before = n; return was > n && n >= 65536; }
uint32_t alone(uint32_t n) { return n + words[n & 3]; }
"""
NAMES = ("up", "wave", "tiny", "whole", "pair", "wild", "stuck", "kept", "ends", "turns", "alone")


@pytest.fixture(scope="module")
def images(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Built]:
    folder = tmp_path_factory.mktemp("served")
    return {core: built(folder / core, C, NAMES, core) for core in ("cortex-m4f", "cortex-m7d")}


def both(image: Built, asked: Job) -> tuple[JobResult, JobResult]:
    """The result by the user-mode emulator, then by the emulator of the whole core."""
    return crew().run(asked), crew().run(dataclasses.replace(asked, whole_core=True))


def counted(image: Built, name: str, **more: object) -> Job:
    """A job over the integers from 0 to 2^17 - 1."""
    axes = (Axis(7, 1, 0, 1, 1 << 17),)
    return dataclasses.replace(job(image, name, np.zeros(1, np.uint32)), axes=axes, zip_inputs=False,
                               segments=np.array([[0, 1 << 17, 31]], np.int64), **more)  # type: ignore[arg-type]


FLUSHED = {"flush_to_zero": True, "default_nan": True}


@pytest.mark.parametrize(("core", "name", "mode"), [
    ("cortex-m4f", "up", {}), ("cortex-m4f", "wave", FLUSHED), ("cortex-m4f", "tiny", FLUSHED), ("cortex-m4f", "whole", {}),
    ("cortex-m7d", "up", FLUSHED), ("cortex-m7d", "wave", {}), ("cortex-m7d", "tiny", {})])
def test_same_bits_and_flags_in_both_emulators(images: dict[str, Built], core: str, name: str, mode: dict[str, bool]) -> None:
    random = np.random.default_rng(5)
    x = random.integers(0, 1 << 32, 1 << 16, dtype=np.uint64).astype(np.uint32).view(np.float32)
    asked = dataclasses.replace(job(images[core], name, x), **mode)  # type: ignore[arg-type]
    fast, whole = both(images[core], asked)
    assert not fast.stops and not fast.load_problem and len(fast.outputs) == len(x) * NUMPY_TYPES[asked.output_type].itemsize
    assert fast.outputs == whole.outputs
    assert (fast.results["flagged_blocks"] > 0).tolist() == (whole.results["flagged_blocks"] > 0).tolist()
    assert fast.results["first_flag"].tolist() == whole.results["first_flag"].tolist()


def test_the_faster_emulator_is_what_ran(images: dict[str, Built], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A stand-in that writes a note before it starts the real one: it is started for a sweep, not for a small job."""
    from firmware_shim.crew import Crew
    from tests.board.boards import engine

    note, stand_in = tmp_path / "started", tmp_path / "qemu-arm"
    stand_in.write_text(f'#!/bin/sh\n[ "$1" = --version ] || echo x >> {note}\nexec {user_mode_emulator()[0]} "$@"\n')
    stand_in.chmod(0o755)
    monkeypatch.setenv("PREFLASH_QEMU_ARM", str(stand_in))
    own = Crew(engine(), 1)
    try:
        own.run(job(images["cortex-m4f"], "alone", np.arange(16, dtype=np.uint32)))
        assert not note.exists()
        own.run(counted(images["cortex-m4f"], "alone"))
        assert note.read_text() == "x\n"
    finally:
        own.close()


def test_the_statically_linked_build_is_taken_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("PREFLASH_QEMU_ARM", raising=False)
    monkeypatch.setenv("PATH", str(tmp_path))
    told = {"qemu-arm": "8.1.0", "qemu-arm-static": "7.1.9"}
    assert user_mode_emulator.__wrapped__() == ("", "")
    for program, version in told.items():
        (tmp_path / program).write_text(f"#!/bin/sh\necho qemu-arm version {version}\n")
        (tmp_path / program).chmod(0o755)
    assert user_mode_emulator.__wrapped__() == (str(tmp_path / "qemu-arm"), "qemu-arm 8.1.0")  # the other is too old
    (tmp_path / "qemu-arm-static").write_text("#!/bin/sh\necho qemu-arm version 7.2.22\n")
    assert user_mode_emulator.__wrapped__() == (str(tmp_path / "qemu-arm-static"), "qemu-arm-static 7.2.22")
    monkeypatch.setenv("PREFLASH_QEMU_ARM", "qemu-arm")
    assert user_mode_emulator.__wrapped__() == (str(tmp_path / "qemu-arm"), "qemu-arm 8.1.0")
    monkeypatch.setenv("PREFLASH_QEMU_ARM", "")
    assert user_mode_emulator.__wrapped__() == ("", "")


@pytest.mark.parametrize(("name", "at", "words"), [
    ("pair", 70001, "unaligned address"), ("wild", 70003, "0x50000000, which is not declared"),
    ("stuck", 70005, "no answer within"), ("ends", 70009, "it called abort()")])
def test_what_does_not_come_back_is_found_with_its_input(images: dict[str, Built], name: str, at: int, words: str) -> None:
    fast, whole = both(images["cortex-m7d"], counted(images["cortex-m7d"], name, call_limit_seconds=0.3))
    assert [(stop.ordinal, stop.count) for stop in fast.stops] == [(at, 1)]
    assert words in fast.stops[0].why and fast.stops[0].why == whole.stops[0].why
    assert fast.stops[0].code_offset == whole.stops[0].code_offset
    covered = sorted((int(start), int(count)) for start, count, _ in fast.segments)
    assert sum(count for _, count in covered) == (1 << 17) - 1
    one = np.frombuffer(fast.outputs, np.uint32)
    assert (np.delete(one, at) == np.delete(np.frombuffer(whole.outputs, np.uint32), at)).all()


def test_hidden_memory_is_seen(images: dict[str, Built]) -> None:
    from firmware_shim.memory_map import regions_of

    image = images["cortex-m7d"]
    regions = regions_of(image.library)
    fast, whole = both(image, counted(image, "kept", regions=regions))
    assert fast.written_offset == whole.written_offset
    assert (fast.written_at, whole.written_at) == tuple(70007 // size * size for size in (AHEAD * BLOCK, BLOCK))
    fast, _ = both(image, counted(image, "alone", regions=regions))
    assert fast.written_at == -1


@pytest.mark.parametrize(("name", "lowest"), [("turns", 65536), ("alone", None)])
def test_one_block_in_sixteen_repeated_finds_what_depends_on_the_call_before(
        images: dict[str, Built], name: str, lowest: int | None) -> None:
    asked = counted(images["cortex-m7d"], name, tests=(Asked("deterministic", step=16),))
    found = crew().run(asked).results["found"][0, 0]
    assert (found["judged"] % BLOCK, 2 * BLOCK < found["judged"] < 16 * BLOCK) == (0, True)
    if lowest is None:
        assert found["failing"] == 0
    else:
        assert lowest <= found["first_failing"] and found["failing"] > BLOCK


def test_a_claim_of_which_not_all_was_repeated_never_holds_for_every_value(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from tests.fault_injection.planted import C_START, run, seen, sheet_text
    from verify.claims import protective
    from verify.hunting.plan import Plan

    monkeypatch.setattr(protective, "REPEATED_UP_TO", 2**16)
    c = C_START + """static uint32_t before;
uint32_t wrong(uint32_t n) { uint32_t was = before; before = n; return was > n && n >= 65536; }
uint32_t right(uint32_t n) { return n ^ 1u; }
"""
    entries = "".join(f'f("{name}", inputs=[codes("n", bits=20)], output="code", claims=[])\n' for name in ("wrong", "right"))
    text = sheet_text(entries, flags="-O2", more=', core="cortex-m7d", builds=["board"]')
    record = run(tmp_path, c, text, Plan(every_value_up_to=2**20, sampled_cases=2**14))
    assert seen(record, "wrong").verdicts()["deterministic board"] == "fails"
    claim = seen(record, "right").claim("deterministic", "board")
    assert (claim["verdict"], claim["strength"]["kind"]) == ("holds", "tried")
    assert 32 * BLOCK < claim["strength"]["count"] < 128 * BLOCK  # of 1024
    assert "one block of inputs in 16 repeated in reverse order" in claim["detectors"]
    assert seen(record, "right").claim("returns", "board")["strength"]["kind"] == "every value"
