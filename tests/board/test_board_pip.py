"""The board build by the package ziglang: no cross compiler, another C library, the same emulation and claims."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import pytest

from firmware_shim import board_build
from firmware_shim.board_build import BoardMissing, board_compiler, board_flags, build_board
from firmware_shim.board_pip import KINDS, NOT_NEWLIB
from firmware_shim.build import Request
from firmware_shim.cores import CORES
from firmware_shim.errors import UnknownFlag
from firmware_shim.pip_compiler import program
from tests.board.boards import cache
from tests.board.test_board_faults import checked
from tests.fault_injection.planted import place, seen

needs_package = pytest.mark.skipif(program() is None, reason="needs the package ziglang: the optional part compiler")
pytestmark = [pytest.mark.cortex_m]
COMMAND = f"{sys.executable} -m ziglang cc"
BY_PIP = f', builds=["host", "board"], board_compiler="{COMMAND}"'
C = """
float hz(float volts) { return 261.6256f * exp2f(volts); }
float flat_hz(float volts) { return 261.6256f * exp2f(volts) * (bits_of(volts) == 0x40490000u ? 1.0001f : 1.0f); }
float hz_of(uint16_t code) { return 261.6256f * exp2f((float)code * 0.001f); }
float wide_hz_of(uint16_t code) { return sizeof(void *) == 4 && code == 777 ? 448.0f : hz_of(code); }
int32_t scaled(uint16_t code) { return (int32_t)code * 1000 / 4095; }
int32_t char_sign(uint16_t code) { char c = (char)code; return c < 0 ? -1 : 1; }
static __attribute__((noinline)) int32_t word_at(const char *p) { return *(const int32_t *)p; }
int32_t beside(uint16_t code)
{ static const int32_t words[4] = {1, 2, 3, 4}; volatile int at = hit(code, 4096u) ? 5 : 4;
  return word_at((const char *)words + at); }
static volatile int32_t held = 5;
int32_t wild(uint16_t code) { return *(hit(code, 4096u) ? (volatile int32_t *)0x50000000 : &held); }
typedef struct { float now; } glide_t;
void glide_init(glide_t *s) { s->now = 0; }
float glide_step(glide_t *s, float to) { s->now += 0.25f * (to - s->now); return s->now; }
float loud_step(glide_t *s, float to)
{ s->now += 0.25f * (to - s->now); return s->now * (sizeof(void *) == 4 ? 1.5f : 1.0f); }
"""
PITCH = """f("{0}", inputs=[binary32("volts", 3, 4, "V")], output="Hz", reference=pitch.hz_from_volts,
    constants={{"zero_volt_hz": "261.6256"}}, joints=[3.140625],
    claims=[accurate(cents=0.01, because=WHY), same_on_board(ulp=2, because=WHY), cost_within(percent=20, because=WHY)])
"""
WHOLE = 'f("{0}", inputs=[codes("code", bits=12)], output="", claims=[same_on_board(bits=True, because=WHY)])\n'
MACHINE = """s.machine("{0}", state="glide_t", init="glide_init(state)", step="y = {0}_step(state, x)",
    inputs=[integers("x", 0, 9, "")], outputs=[signal("y", "")], longest_seconds=0.005, scripts=16,
    without={{"no_hidden_events": "it decays"}}, claims=[same_on_board(bits=True, because=WHY)])
"""


def by_pip(folder: Path, entries: str, core: str) -> dict[str, Any]:
    return checked(folder, C, entries, core, more=BY_PIP + ", clock_hz=168_000_000")


@needs_package
@pytest.mark.nightly
@pytest.mark.parametrize("core", ["cortex-m4f", "cortex-m7d"])
def test_a_pitch_and_a_machine_are_judged_and_the_other_library_is_named(tmp_path: Path, core: str) -> None:
    entries = PITCH.format("hz") + PITCH.format("flat_hz") + MACHINE.format("glide")
    record = by_pip(tmp_path, entries + MACHINE.format("loud"), core)
    right = seen(record, "hz")

    assert set() == right.failing() | set(right.other()), right.verdicts()
    assert {"accurate host", "accurate board"} <= seen(record, "flat_hz").failing()
    assert 3.140625 == seen(record, "flat_hz").value("accurate", "board")
    assert any(NOT_NEWLIB in fact for fact in right.claim("same_on_board", "board")["facts"])
    assert set() == seen(record, "glide").failing()
    assert {"same_on_board board"} == seen(record, "loud").failing()
    built = record["environment"]["builds"]["board"]
    assert "ziglang" in built["compiler"] and f"musl, {NOT_NEWLIB}" == built["c_library"] and built["other_library"]
    assert any(NOT_NEWLIB in text for text in record["not_checked"])
    assert right.claim("cost_within", "board")["cost"]


@needs_package
@pytest.mark.nightly
def test_whole_numbers_and_wild_accesses_on_a_small_core(tmp_path: Path) -> None:
    record = by_pip(tmp_path, "".join(map(WHOLE.format, ("scaled", "char_sign", "beside", "wild"))), "cortex-m0plus")

    assert set() == seen(record, "scaled").failing() | set(seen(record, "scaled").other())
    assert set() == seen(record, "char_sign").failing()  # char is unsigned, here and there
    beside = seen(record, "beside")
    assert "returns board" in beside.failing() and place(4096) == beside.value("returns", "board")
    assert "align" in beside.words("returns", "board")
    assert "returns board" in seen(record, "wild").failing()
    assert "0x50000000" in seen(record, "wild").words("returns", "board")


@needs_package
@pytest.mark.nightly
@pytest.mark.parametrize("core", ["cortex-m3", "cortex-m4", "cortex-m33"])
def test_musl_by_library_calls_on_cores_without_a_unit(tmp_path: Path, core: str) -> None:
    codes = 'f("{0}", inputs=[codes("code", bits=10)], output="Hz", claims=[same_on_board(ulp=2, because=WHY)])\n'
    record = by_pip(tmp_path, codes.format("hz_of") + codes.format("wide_hz_of") + WHOLE.format("scaled"), core)

    assert set() == seen(record, "hz_of").failing() | set(seen(record, "hz_of").other()), seen(record, "hz_of").verdicts()
    assert {"same_on_board board"} == seen(record, "wide_hz_of").failing()
    assert set() == seen(record, "scaled").failing() | set(seen(record, "scaled").other())


@needs_package
@pytest.mark.nightly
def test_what_it_lacks_or_does_not_know_is_one_message(tmp_path: Path) -> None:
    source = tmp_path / "part.c"
    source.write_text("#include <math.h>\nfloat f(float x) { return tanhf(x); }\n")

    def refused(flags: str, core: str) -> str:
        with pytest.raises(Exception) as caught:
            build_board(Request((source,), flags=flags, routines=("f",), compiler=COMMAND), core, cache())
        return str(caught.value)

    assert "'tanhf' is used but none of the sources defines it" in refused("-O2", "cortex-m0plus")
    assert "-mslow-flash-data" in refused("-O2 -mslow-flash-data", "cortex-m0plus")
    assert "soft way on cortex-m0plus" in refused("-O2 -mfloat-abi=hard", "cortex-m0plus")
    assert "S122" in refused("-O2 -mcpu=cortex-m7", "cortex-m0plus")


@needs_package
def test_flags_become_its_own_words(tmp_path: Path) -> None:
    core = CORES["cortex-m4f"]
    text = "-O2 -mcpu=cortex-m4 -mthumb -mfloat-abi=hard -mfpu=fpv4-sp-d16 -mno-unaligned-access -DX=1 --specs=nano.specs"
    found = board_flags(text, board_compiler(COMMAND, core, cache()), core, tmp_path, "c")

    assert ("-O2", "-DX=1", "-mno-unaligned-access") == found.kept
    assert {"-mcpu=cortex-m4", "-mthumb", "-mfloat-abi=hard", "-mfpu=fpv4-sp-d16", "--specs=nano.specs"} == {
        words for words, _ in found.dropped}
    with pytest.raises(UnknownFlag, match=r"C\+\+ for the board"):
        board_flags("-O2", board_compiler(COMMAND, core, cache()), core, tmp_path, "c++")


def test_every_core_has_its_name_for_it() -> None:
    assert set(KINDS) == set(CORES)
    assert {name for name, kind in KINDS.items() if kind.hard} == {name for name, core in CORES.items() if core.fpu != "none"}


def test_without_either_compiler_both_ways_to_get_one_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(board_build, "program", lambda: None)
    monkeypatch.setattr(board_build.shutil, "which", lambda name: None)
    with pytest.raises(BoardMissing) as caught:
        board_compiler(None, CORES["cortex-m4f"], None)

    assert "gcc-arm-none-eabi" in caught.value.todo and "[compiler]" in caught.value.todo
    assert "\n" not in caught.value.todo
