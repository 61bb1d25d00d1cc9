"""preflash stub makes sources build, marks every guess, overwrites nothing, and says what is left."""

from __future__ import annotations

from pathlib import Path

import pytest

from firmware_shim.build import Request
from firmware_shim.errors import SourceMissing
from verify.stub import Stubs, make_stubs, stub_lines
from verify.stub_guesses import Guesses

pytestmark = pytest.mark.usefixtures("gcc")


def stubbed(folder: Path, files: dict[str, str], *sources: str) -> Stubs:
    for name, text in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")
    names = sources or tuple(name for name in files if name.endswith((".c", ".cpp")))
    return make_stubs(Request(tuple(Path(n) for n in names), flags="-O1", folder=folder), folder, folder / "cache")


DEVICE = """
#include "device.h"
#include <parts/timer.h>
static Timer_TypeDef timer;
uint32_t ticks(void) { timer.Period = 7; start(&timer); TIM2->CNT = LIMIT; return TIM2->CNT + TIM2->ARR; }
"""


@pytest.mark.parametrize("suffix", [".c", ".cpp"])
def test_headers_types_registers_functions_and_constants(tmp_path: Path, suffix: str) -> None:
    stubs = stubbed(tmp_path, {"a" + suffix: DEVICE})

    assert stubs.builds, stubs.left
    assert {"device.h", "timer.h"} <= {path.name for path in stubs.written}
    assert (tmp_path / "stubs" / "parts" / "timer.h").exists()
    text = "\n".join(p.read_text() for p in (tmp_path / "stubs").glob("*.*"))
    assert "volatile uint32_t Period;" in text
    assert "#define LIMIT 0 /* guess" in text
    assert "volatile uint32_t CNT;\n\tvolatile uint32_t ARR;" in text
    printed = "\n".join(stub_lines(stubs, tmp_path))
    assert "value 0: LIMIT: give the real values" in printed
    assert 'include=["stubs"]' in printed


def test_all_missing_headers_come_at_once(tmp_path: Path) -> None:
    files = {f"{n}.c": f'#include "one{n}.h"\n#include "two{n}.h"\nint f{n}(int x) {{ return x; }}\n' for n in "ab"}
    stubs = stubbed(tmp_path, files)

    assert {"onea.h", "twoa.h", "oneb.h", "twob.h", "preflash_guesses.h"} == {path.name for path in stubs.written}


def test_usual_number_types_have_their_usual_widths(tmp_path: Path) -> None:
    text = '#include "dsp.h"\nfloat32_t f(q15_t a, u8 b) { return (float32_t)a + b; }\n'
    text += "_Static_assert(sizeof(q15_t) == 2 && sizeof(u8) == 1 && (q15_t)-1 < 0 && (u8)-1 > 0, \"widths\");\n"

    assert stubbed(tmp_path, {"a.c": text}).builds


def test_a_class_of_a_board_library_with_members_of_members(tmp_path: Path) -> None:
    text = ('#include "board.h"\nstatic Board hw;\nvoid set() { hw.Init(); hw.adc.Start(3); hw.SetRate(48000); }\n'
            "float rate() { return hw.Rate(); }\n")
    stubs = stubbed(tmp_path, {"a.cpp": text})

    assert stubs.builds, stubs.left


def test_what_is_declared_but_nowhere_defined_gives_zero(tmp_path: Path) -> None:
    text = "float far_away(float);\nextern int counter;\nfloat f(float x) { return far_away(x) + (float)counter; }\n"
    stubs = stubbed(tmp_path, {"a.c": text})

    assert stubs.builds, stubs.left
    assert {"far_away": True, "counter": True} == {name: name in stubs.undefined for name in ("far_away", "counter")}
    assert '"stubs/preflash_undefined.c" among the sources' in "\n".join(stub_lines(stubs, tmp_path))


def test_a_source_that_defines_what_is_missing_is_named_in_its_place(tmp_path: Path) -> None:
    files = {"a.c": "float far(float);\nfloat f(float x) { return far(x); }\n",
             "other/b.c": "float far(float x)\n{ return x; }\n"}
    stubs = stubbed(tmp_path, files, "a.c")

    assert not stubs.builds
    assert any("other/b.c defines far" in line for line in stub_lines(stubs, tmp_path))


def test_nothing_is_overwritten_and_changed_guesses_stay(tmp_path: Path) -> None:
    text = '#include "device.h"\nint f(int x) { return x + LIMIT; }\n'
    stubbed(tmp_path, {"a.c": text})
    guesses = tmp_path / "stubs" / "preflash_guesses.h"
    mine = guesses.read_text().replace("#define LIMIT 0", "#define LIMIT 4095")
    guesses.write_text(mine)
    device = tmp_path / "stubs" / "device.h"
    device.write_text(device.read_text() + "/* mine */\n")
    stubs = stubbed(tmp_path, {"a.c": text + "int g(int x) { return x + OTHER; }\n"})

    assert stubs.builds
    assert mine.rstrip() in guesses.read_text()
    assert "#define OTHER 0" in guesses.read_text()
    assert "/* mine */" in device.read_text()


def test_a_header_that_leads_out_of_the_folder_is_left_to_the_author(tmp_path: Path) -> None:
    stubs = stubbed(tmp_path, {"src/a.c": '#include "../../lib/x.h"\nint f(int x) { return x; }\n'})

    assert not stubs.builds
    assert "leads out of the folder" in "\n".join(stub_lines(stubs, tmp_path))
    assert not (tmp_path.parent / "lib").exists()


def test_a_namespace_is_not_guessed_but_named(tmp_path: Path) -> None:
    stubs = stubbed(tmp_path, {"a.cpp": '#include "hal.h"\nint f(int x) { return hal::Clock::now(x); }\n'})

    assert not stubs.builds
    assert "hal" in stubs.left[0] and "a.cpp:2" in stubs.left[0]


def test_what_builds_gets_no_file(tmp_path: Path) -> None:
    stubs = stubbed(tmp_path, {"a.c": "int f(int x) { return x; }\n"})

    assert ["nothing is missing: the sources build"] == stub_lines(stubs, tmp_path)
    assert not (tmp_path / "stubs").exists()


def test_a_plain_mistake_stays_a_mistake(tmp_path: Path) -> None:
    stubs = stubbed(tmp_path, {"a.c": "int f(int x) { return x +; }\n"})

    assert not stubs.builds and not (tmp_path / "stubs").exists()
    assert "a.c:1" in stubs.left[0]


def test_a_source_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(SourceMissing):
        stubbed(tmp_path, {}, "none.c")


def test_follow_up_errors_are_not_guessed_while_a_type_is_unknown() -> None:
    guesses = Guesses()
    log = "a.cpp:1:1: error: 'Thing' does not name a type\na.cpp:2:1: error: 'thing' was not declared in this scope\n"
    guesses.learn(log, "Thing thing;\nint f() { return thing.value; }\n", frozenset())

    assert {"Thing"} == set(guesses.structs)
    assert [] == guesses.constants
