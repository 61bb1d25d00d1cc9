"""Building for a core: flags, messages, C++, the smaller C library, what the record says."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from firmware_shim.board_build import BoardMissing, build_board
from firmware_shim.board_emulator import BoardImage
from firmware_shim.board_served import user_mode_emulator
from firmware_shim.build import Request
from firmware_shim.cores import CORES, CoreConflict, UnknownCore
from firmware_shim.engine import load_engine
from firmware_shim.errors import CompileFailed
from firmware_shim.memory_map import regions_of
from tests.board.boards import NEEDED, built, cache, engine, run
from tests.fault_injection.planted import run as check
from tests.fault_injection.planted import seen, sheet_text
from verify.command_line import main
from verify.errors import SheetError
from verify.reports.terminal import render
from verify.sheet import load_sheet

pytestmark = NEEDED
C = "float twice(float x) { return 2.0f * x; }\n"
ENTRY = 'f("twice", inputs=[binary32("x", 1, 2, "V")], output="V", claims=[{claim}])\n'


@pytest.mark.parametrize("core", list(CORES))
def test_every_core_of_the_table_builds_and_runs(tmp_path: Path, core: str) -> None:
    image = built(tmp_path, C, ("twice",), core)
    outputs, result = run(image, "twice", np.array([1.5, 2.5], np.float32))
    assert not result.load_problem and not result.stops
    assert outputs.tolist() == [3.0, 5.0]
    assert core in image.compiler.processor


def test_all_flags_of_the_author_are_kept(tmp_path: Path) -> None:
    flags = "-O1 -mcpu=cortex-m4 -mthumb -mfloat-abi=softfp -mfpu=fpv4-sp-d16 -DHALF=1 -fno-inline -Wall -T board.ld"
    image = built(tmp_path, C, ("twice",), "cortex-m4f", flags)
    for word in ("-O1", "-mcpu=cortex-m4", "-mfloat-abi=softfp", "-mfpu=fpv4-sp-d16", "-DHALF=1", "-fno-inline"):
        assert word in image.kept_flags
    assert ("-T board.ld", "for the linker; the host links its own way") in image.dropped_flags
    assert run(image, "twice", np.array([4.0], np.float32))[0][0] == 8


def test_flags_for_another_core_are_a_conflict(tmp_path: Path) -> None:
    with pytest.raises(CoreConflict, match="the flags are for cortex-m7, the sheet's core is cortex-m4f"):
        built(tmp_path, C, ("twice",), "cortex-m4f", "-O2 -mcpu=cortex-m7")
    built(tmp_path, C, ("twice",), "cortex-m7d", "-O2 -mcpu=cortex-m4")  # runs there as well


def test_nothing_changed_is_taken_from_the_cache(tmp_path: Path) -> None:
    first, second = (built(tmp_path, C, ("twice",), "cortex-m3") for _ in range(2))
    assert (first.reused, second.reused) == (False, True)
    assert first.key == second.key
    assert built(tmp_path, C + "\n", ("twice",), "cortex-m3").key != first.key


def test_debug_information_has_the_boards_widths(tmp_path: Path) -> None:
    c = ("static long kept[3]; long *where;\n"
         "unsigned long sum(unsigned long n) { kept[1] += (long)n; where = kept; return n; }\n")
    image = built(tmp_path, c, ("sum",), "cortex-m4f")
    function = image.info.functions["sum"]
    assert (function.result.bytes, function.parameters[0].ctype.bytes) == (4, 4)
    assert not image.info.width_differences
    variables = {variable.name: variable for variable in image.info.globals}
    assert variables["where"].size == 4 and variables["kept"].size == 12
    assert variables["kept"].address >= 0x20000000


def test_static_objects_of_cpp_are_constructed(tmp_path: Path) -> None:
    source = tmp_path / "part.cpp"
    source.write_text("struct gain { float k; gain() : k(3.0f) {} };\nstatic gain g;\n"
                      "float by(float x) { return g.k * x; }\n")
    image = build_board(Request((source,), flags="-O2", routines=("by",)), "cortex-m4f", cache())
    assert run(image, "by", np.array([2.0], np.float32))[0][0] == 6


@pytest.mark.parametrize(("body", "comes_back"), [
    ("*(volatile int *)0x60000000 = 1;", False), ("for (volatile int k = 0; ; k = k + 1) ;", False),
    ("for (volatile int k = 0; k < 300000; k = k + 1) ;", True),
])
def test_constructor_that_never_ends_is_a_load_problem(tmp_path: Path, body: str, comes_back: bool) -> None:
    source = tmp_path / "part.cpp"
    source.write_text(f"struct stuck {{ stuck() {{ {body} }} }};\nstatic stuck s;\nfloat by(float x) {{ return x; }}\n")
    image = build_board(Request((source,), flags="-O2", routines=("by",)), "cortex-m4f", cache())
    _, result = run(image, "by", np.array([2.0], np.float32))
    assert ("a constructor of a static object did not come back" in result.load_problem) == (not comes_back)


def test_the_smaller_library_is_used_when_asked(tmp_path: Path) -> None:
    c = ("#include <stdlib.h>\n#include <string.h>\n"
         "int room(int n) { char *p = malloc((unsigned)n + 8u); memset(p, 1, 8); n += p[3]; free(p); return n; }\n")
    image = built(tmp_path, c, ("room",), "cortex-m4f", "-O2 --specs=nano.specs")
    assert image.compiler.c_library.endswith("nano")
    outputs, result = run(image, "room", np.array([5, 6], np.int32))
    assert not result.stops and outputs.tolist() == [6, 7]


def test_ending_the_program_is_told_from_a_crash(tmp_path: Path) -> None:
    c = "#include <stdlib.h>\nint ends(int n) { if (n == 1) exit(3); if (n == 2) abort(); return n; }\n"
    image = built(tmp_path, c, ("ends",), "cortex-m4f")
    _, result = run(image, "ends", np.array([0, 1, 2, 3], np.int32))
    assert [(stop.kind, stop.ordinal) for stop in result.stops] == [("exit", 1), ("crash", 2)]
    assert "abort()" in result.stops[1].why


def test_messages_when_something_is_missing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "part.c").write_text(C)
    request = Request((tmp_path / "part.c",), routines=("twice",))
    with pytest.raises(UnknownCore, match="cortex-m4f"):
        build_board(request, "cortex-m4g", cache())
    with pytest.raises(BoardMissing, match="apt install gcc-arm-none-eabi"):
        build_board(Request((tmp_path / "part.c",), compiler="no-such-gcc"), "cortex-m4f", cache())
    with pytest.raises(BoardMissing, match="does not compile for Arm"):
        build_board(Request((tmp_path / "part.c",), compiler="gcc"), "cortex-m4f", cache())
    with monkeypatch.context() as patch:
        patch.setattr(importlib.util, "find_spec", lambda name: None)
        with pytest.raises(BoardMissing, match=r"pip install .*\[board\]"):
            build_board(request, "cortex-m4f", cache())
    (tmp_path / "bad.c").write_text("float twice(float x) { return y; }\n")
    with pytest.raises(CompileFailed, match=r"bad.c does not compile for cortex-m4f") as caught:
        build_board(Request((tmp_path / "bad.c",), routines=("twice",)), "cortex-m4f", cache())
    assert caught.value.line == 1


def test_without_a_compiler_the_board_is_blocked_and_the_host_stands(tmp_path: Path) -> None:
    sheet = sheet_text(ENTRY.format(claim=""), more=', core="cortex-m4f", board_compiler="no-such-gcc"')
    record = check(tmp_path, C, sheet)
    verdicts = seen(record, "twice").verdicts()
    assert {word for name, word in verdicts.items() if name.endswith("board")} == {"blocked"}
    assert {word for name, word in verdicts.items() if not name.endswith("board")} == {"holds"}
    assert "checked on this computer only; not your board's code" in record["not_checked"]
    assert "apt install gcc-arm-none-eabi" in render(record)


def test_record_says_what_the_board_build_stands_on(tmp_path: Path) -> None:
    record = check(tmp_path, C, sheet_text(ENTRY.format(claim=""), more=', core="cortex-m4f"'))
    board = record["environment"]["builds"]["board"]
    assert board["c_library"].startswith("newlib") and "arm-none-eabi-gcc" in board["compiler"]
    assert board["processor"].split("; ")[0] == "cortex-m4f, emulated as Cortex-M4"
    swept = f"sweeps by {user_mode_emulator()[1]}"
    assert board["processor"].split("; ")[1:] == ([swept] if user_mode_emulator()[0] else [])
    assert {"unicorn", "capstone"} <= set(record["environment"]["packages"])
    assert not any("this computer only" in text for text in record["not_checked"])
    plain = check(tmp_path / "plain", C, sheet_text(ENTRY.format(claim="")))
    assert "checked on this computer only; not your board's code" in plain["not_checked"]


def test_where_no_build_runs_nothing_is_said_to_be_checked(tmp_path: Path) -> None:
    more = ', core="cortex-m4f", builds=["board"], board_compiler="no-such-gcc"'
    record = check(tmp_path, C, sheet_text(ENTRY.format(claim=""), more=more))
    assert {word for word in seen(record, "twice").verdicts().values()} == {"blocked"}
    assert "nothing was checked: no build could be run\nnot checked: " in render(record)
    assert "checked on this computer" not in render(record)


def test_cores_without_flags_are_not_asked_for_them(tmp_path: Path) -> None:
    record = check(tmp_path, C, sheet_text(ENTRY.format(claim=""), more=', core="cortex-m0plus"'))
    names = set(seen(record, "twice").verdicts())
    assert "no_hidden_events host" in names and "no_hidden_events board" not in names


@pytest.mark.parametrize(("more", "words"), [
    (', core="cortex-m44"', "unknown core 'cortex-m44'"), (', builds=("board",)', "the build 'board' needs a core"),
    (', core="cortex-m4f", clock_hz=0', "clock_hz must be above zero"), (', builds=("bord",)', "unknown build 'bord'"),
])
def test_mistakes_in_the_sheet(tmp_path: Path, more: str, words: str) -> None:
    (tmp_path / "plant.c").write_text(C)
    (tmp_path / "plant_sheet.py").write_text(sheet_text(ENTRY.format(claim=""), more=more))
    with pytest.raises(SheetError, match=words):
        load_sheet(tmp_path / "plant_sheet.py")


def test_cost_needs_a_core(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "plant.c").write_text(C)
    (tmp_path / "plant_sheet.py").write_text(sheet_text(ENTRY.format(claim="")))
    assert main(["cost", str(tmp_path / "plant_sheet.py")]) == 2
    assert "the sheet names no core" in capsys.readouterr().err
    assert main(["cost", str(tmp_path / "plant_sheet.py"), "--core", "cortex-m0plus"]) == 0
    assert "cost on cortex-m0plus" in capsys.readouterr().out


def test_only_memory_that_is_there_is_compared(tmp_path: Path) -> None:
    """A linker calls room up to the next boundary writable, beside constants: reached from the variables it is anybody's."""
    path = built(tmp_path, "int kept; int take(int n) { return kept += n; }\n", ("take",), "cortex-m4f").library
    image = BoardImage(load_engine(engine()), str(path))
    (low, high), regions = image.ram, regions_of(path)

    assert regions
    assert image.in_ram(((image.facts.high, 4), *regions, (high - 2, 4), (low - 4, 8))) == regions
