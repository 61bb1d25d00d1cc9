"""Finished images and object files: what runs is the author's own code, at its own addresses."""

from __future__ import annotations

import subprocess
from pathlib import Path
from typing import Any

import pytest

from firmware_shim.board_ready import Finished
from firmware_shim.cores import CORES, CoreConflict
from tests.board.boards import NEEDED
from tests.board.test_board_faults import checked
from tests.fault_injection.planted import C_START, seen

pytestmark = [*NEEDED, pytest.mark.nightly]
OPTIONS = ["-mcpu=cortex-m4", "-mthumb", "-mfloat-abi=hard", "-mfpu=fpv4-sp-d16"]
C = """
static volatile int32_t offset = 7, cleared;
const int32_t table[4] = {10, 20, 30, 40};
int32_t looked(int32_t n) { return table[n & 3] + offset + cleared; }
static inline __attribute__((always_inline)) int32_t gone(int32_t n) { return n + 1; }
float scaled(float x) { return x * 0.5f; }
__attribute__((used)) static int32_t hidden(int32_t n) { return gone(n) * 2; }
"""
WRONG = C.replace("offset = 7", "offset = 8")
LINKER = """
MEMORY { F (rx) : ORIGIN = 0x08000000, LENGTH = 64K
         R (rw) : ORIGIN = 0x20000100, LENGTH = 16K }
SECTIONS { .isr_vector : { LONG(0x20004000) LONG(0) } > F
           .text : { *(.text*) *(.rodata*) } > F
           .init_array : { __init_array_start = .; KEEP(*(.init_array*)) __init_array_end = .; } > F
           .data : { *(.data*) } > R AT > F
           .bss : { *(.bss*) *(COMMON) } > R }
"""
N = 'inputs=[integers("n", 0, 99, "code")], output="code"'
TABLE = "def wanted(ctx, n): return [17, 27, 37, 47][int(n) & 3]\n"
SAME = 'claims=[same_on_board(bits=True, because="planted")]'
ENTRY = f'f("looked", {N}, {SAME})\n'


def made(folder: Path, c: str, *, whole: bool, debug: str = "-g") -> str:
    """Name of a file that a build system of the author's own might leave."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "own.c").write_text(C_START + c)
    (folder / "own.ld").write_text(LINKER)
    name = "firmware.elf" if whole else "own.o"
    how = ["-nostdlib", "-T", "own.ld", "-Wl,--no-warn-rwx-segments", "-Wl,-e,0"] if whole else ["-c"]
    command = ["arm-none-eabi-gcc", *OPTIONS, "-Os", debug, "own.c", "-o", name, *how]
    subprocess.run(command, cwd=folder, check=True, capture_output=True)
    return name


def record_of(folder: Path, image_text: str, entries: str, *, whole: bool, **more: Any) -> dict[str, Any]:
    """The sources are right; the image is made of another text."""
    name = made(folder, image_text, whole=whole, **more)
    return checked(folder, C, entries, "cortex-m4f", more=f', image="{name}"')


@pytest.mark.parametrize("whole", [True, False], ids=["elf", "object"])
def test_the_image_runs_and_not_the_sources(tmp_path: Path, whole: bool) -> None:
    entries = ENTRY + f'f("hidden", {N}, {SAME})\n' + f'f("scaled", inputs=[binary32("x", 1, 5, "V")], output="V", {SAME})\n'
    record = record_of(tmp_path / "right", C, entries, whole=whole)
    for name in ("looked", "hidden", "scaled"):
        assert seen(record, name).verdicts()["same_on_board board"] == "holds", (name, seen(record, name).verdicts())
    record = record_of(tmp_path / "wrong", WRONG, ENTRY, whole=whole)
    assert seen(record, "looked").failing() == {"same_on_board board"}


def blocked(record: dict[str, Any]) -> str:
    """What blocks the board build, in words; the host's verdicts stand."""
    assert [build["build"] for build in record["blocked_builds"]] == ["board"]
    return " ".join(str(record["blocked_builds"][0][word]) for word in ("what", "where", "why", "do"))


@pytest.mark.parametrize("whole", [True, False])
def test_an_inlined_routine_blocks_only_itself(tmp_path: Path, whole: bool) -> None:
    record = record_of(tmp_path, C, ENTRY + f'f("gone", {N}, {SAME})\n', whole=whole)

    assert record["blocked_builds"] == []
    assert seen(record, "looked").verdicts()["same_on_board board"] == "holds"
    found = seen(record, "gone")
    assert found.verdicts()["same_on_board board"] == "blocked"
    assert found.verdicts()["returns host"] == "holds"
    assert "inlined" in found.claim("same_on_board", "board")["verdict_text"]


def test_what_cannot_run_is_blocked_with_the_remedy(tmp_path: Path) -> None:
    entries = f'f("gone", {N}, claims=[])\n'
    words = blocked(record_of(tmp_path / "inlined", C, entries, whole=True))
    assert "gone" in words and "inlined" in words and "noinline" in words
    words = blocked(record_of(tmp_path / "bare", C, ENTRY, whole=True, debug="-g0"))
    assert "-g" in words
    words = blocked(checked(tmp_path / "none", C, ENTRY, "cortex-m4f", more=', image="no.elf"'))
    assert "no.elf" in words and "image=" in words
    name = made(tmp_path / "core", C, whole=True)
    record = checked(tmp_path / "core", C, ENTRY, "cortex-m0plus", more=f', image="{name}"')
    assert "another architecture" in blocked(record)
    assert "fails" not in seen(record, "looked").verdicts().values()


CONSTRUCTED = C + "static void early(void) { cleared = 1; }\n" + (
    '__attribute__((section(".init_array"), used)) static void (*const first)(void) = early;\n')


def test_constructors_run_when_asked(tmp_path: Path) -> None:
    record = record_of(tmp_path / "no", CONSTRUCTED, ENTRY, whole=True)
    assert seen(record, "looked").verdicts()["same_on_board board"] == "holds"
    name = made(tmp_path / "yes", CONSTRUCTED, whole=True)
    record = checked(tmp_path / "yes", C, ENTRY, "cortex-m4f", more=f', image="{name}", init_array=True')
    assert seen(record, "looked").failing() == {"same_on_board board"}


def test_a_peripheral_that_is_not_declared_is_a_finding(tmp_path: Path) -> None:
    reads = C.replace("cleared; }", "cleared + (n == 77 ? (int32_t)*(volatile uint32_t *)0x40020010 : 0); }")
    record = record_of(tmp_path, reads, ENTRY, whole=True)
    words = seen(record, "looked").words("returns", "board")
    assert "0x40020010, which is not declared" in words and "looked at own.c" in words


CALLS = C + """
__attribute__((noinline)) int32_t inner(int32_t n) { return n * 3 + offset; }
int32_t outer(int32_t n) { return inner(n + 1) + table[n & 3]; }
__attribute__((noinline)) int32_t first(const char *text) { return *(const volatile char *)text; }
int32_t told(int32_t n) { return first("tide") + n; }
"""
OUTER = (f'f("outer", {N}, claims=[])\nf("told", {N}, claims=[])\n'
         'f("scaled", inputs=[binary32("x", 1, 5, "V")], output="V", claims=[])\n')


def noted(record: dict[str, Any], name: str) -> str:
    """The note of a routine on the image's code."""
    entry = next(one for one in record["routines"] if one["name"] == name)
    return next(note for note in entry["notes"] if note.startswith("runs from firmware.elf"))


def test_the_record_says_whether_the_code_is_the_same(tmp_path: Path) -> None:
    other = CALLS.replace("n * 3", "n * 5").replace('"tide"', '"tied"')
    for folder, text, same in (("same", CALLS, True), ("other", other, False)):
        name = made(tmp_path / folder, text, whole=True)
        record = checked(tmp_path / folder, CALLS, OUTER, "cortex-m4f", flags="-Os", more=f', image="{name}"')
        words = noted(record, "outer")
        assert ("the same code" in words) == same, words
        assert same or words.endswith("in inner"), words
        assert noted(record, "told").endswith("in told") != same, noted(record, "told")
        assert "the same code" in noted(record, "scaled")


def test_variables_in_a_second_memory_are_loaded(tmp_path: Path) -> None:
    text = CALLS.replace("offset = 7", 'offset __attribute__((section(".fast"))) = 7')
    made(tmp_path, text, whole=True)
    script = tmp_path / "own.ld"
    script.write_text(LINKER.replace("SECTIONS { ", "SECTIONS { .fast 0x10000000 : { *(.fast) } "))
    subprocess.run(["arm-none-eabi-gcc", *OPTIONS, "-Os", "-g", "own.c", "-o", "firmware.elf", "-nostdlib", "-T", "own.ld",
                    "-Wl,--no-warn-rwx-segments", "-Wl,-e,0"], cwd=tmp_path, check=True, capture_output=True)
    record = checked(tmp_path, CALLS, ENTRY, "cortex-m4f", more=', image="firmware.elf"')
    assert seen(record, "looked").verdicts()["same_on_board board"] == "holds"
    assert not seen(record, "looked").failing()


def test_a_file_that_is_missing_or_for_another_core_is_told_in_words(tmp_path: Path) -> None:
    (tmp_path / "part.c").write_text("int f(int x) { return x; }\n")
    subprocess.run(["arm-none-eabi-gcc", "-mcpu=cortex-m33", "-mthumb", "-g", "-c", "part.c"], cwd=tmp_path, check=True)

    for name, words in (("gone.elf", "there is no such file"), ("part.o", "(Armv8-M Mainline, Tag_CPU_arch 17)")):
        with pytest.raises(CoreConflict) as caught:
            Finished(tmp_path / name, CORES["cortex-m4f"])
        assert words in str(caught.value) and "Errno" not in str(caught.value)
