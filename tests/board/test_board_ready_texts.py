"""Calls and machines on a finished image: the texts are compiled here, what they call is the image's own code."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.board.boards import NEEDED
from tests.board.test_board_faults import checked
from tests.board.test_board_ready import SAME, C, N, made, noted
from tests.fault_injection.planted import C_START, seen

pytestmark = [*NEEDED, pytest.mark.nightly]

HEADER = """
#pragma once
#include <stdint.h>
typedef struct { float level, step; int32_t left; } glide_t;
void glide_init(glide_t *g);
float glide_step(glide_t *g);
static inline void glide_gate(glide_t *g, int32_t on) { g->step = on ? 0.25f : -0.125f; }
"""
TEXT = '#include "glide.h"\n' + C + """
void glide_init(glide_t *g) { g->level = 0; g->step = 0; g->left = offset; }
float glide_step(glide_t *g)
{
    g->level += g->step;
    if (g->level > 1) g->level = 1;
    if (g->level < 0) g->level = 0;
    return g->level * 0.5f;
}
int32_t count;
void counter_init(void) { count = 3; }
int32_t counter(void) { return count = (count + 1) % 10; }
void pair(int32_t n, int32_t out[2]) { out[0] = n + offset; out[1] = n * 2; }
__attribute__((used)) static int32_t kept_in(int32_t n) { return n + 1; }
"""
# Each change is in the image only: whoever runs the sources would not see it.
OTHER = TEXT.replace("offset = 7", "offset = 8").replace("* 0.5f;\n}", "* 0.51f;\n}").replace("count + 1", "count + 2")


def call(name: str, text: str, local: str = "") -> str:
    return f'f("{name}", call="{text}", local="{local}", {N}, output_type="int32_t", {SAME})\n'


def machine(name: str, texts: str, claims: str = SAME, ctype: str = "float") -> str:
    return (f's.machine("{name}", {texts}, outputs=[signal("y", "", ctype="{ctype}")], longest_seconds=0.01, scripts=8, '
            f"{claims})\n")


GLIDE = ('state="glide_t", init="glide_init(state)", step="y = glide_step(state)", '
         'events=[event("gate", "glide_gate(state, on)", integers("on", 0, 1, ""))]')
ENTRIES = (call("called", "result = looked(n) + 1")
           + call("paired", "pair(n, out); result = out[0] + out[1]", "int32_t out[2]") + machine("glides", GLIDE)
           + machine("counts", 'state=None, init="counter_init()", step="y = counter() + count"', ctype="int32_t"))
NAMES = ("called", "paired", "glides", "counts")


def record_of(folder: Path, image_text: str, entries: str, whole: bool = True, flags: str = "-O2") -> dict[str, Any]:
    """The sources are right; the image is made of another text."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "glide.h").write_text(HEADER)
    name = made(folder, image_text, whole=whole)
    return checked(folder, TEXT, entries, "cortex-m4f", flags=flags, more=f', image="{name}"')


@pytest.mark.parametrize("whole", [True, False], ids=["elf", "object"])
def test_calls_and_machines_run_the_images_code(tmp_path: Path, whole: bool) -> None:
    record = record_of(tmp_path / "right", TEXT, ENTRIES, whole)
    assert {n: seen(record, n).verdicts()["same_on_board board"] for n in NAMES} == dict.fromkeys(NAMES, "holds")
    record = record_of(tmp_path / "other", OTHER, ENTRIES, whole)
    assert {n: seen(record, n).failing() for n in NAMES} == {n: {"same_on_board board"} for n in NAMES}


def test_the_record_says_what_runs_and_what_is_compiled_here(tmp_path: Path) -> None:
    record = record_of(tmp_path / "same", TEXT, ENTRIES, flags="-Os")
    assert "the same code" in noted(record, "paired") and "the same code" in noted(record, "glides")
    assert noted(record, "glides").endswith("; glide_gate, inline in a header, compiled here as in any caller")
    record = record_of(tmp_path / "other", OTHER, ENTRIES, flags="-Os")
    assert "differs" in noted(record, "glides") and "in glide_step;" in noted(record, "glides")


def test_what_the_image_has_no_code_of_blocks_only_itself(tmp_path: Path) -> None:
    entries = ENTRIES + call("inside", "result = kept_in(n)") + machine("still", 'state=None, init="", step="y = kept_in(3)"')
    entries += call("away", "result = left_out(n)")
    (tmp_path / "glide.h").write_text(HEADER)
    name = made(tmp_path, TEXT, whole=True)
    more = "\nint32_t left_out(int32_t n) { return n; }\n"
    record = checked(tmp_path, TEXT + more, entries, "cortex-m4f", more=f', image="{name}"')
    reasons = {"inside": "kept_in is static", "still": "kept_in is static", "away": "left_out is not in the image"}
    for one, words in reasons.items():
        found = seen(record, one)
        assert found.verdicts()["same_on_board board"] == "blocked"
        assert found.verdicts()["returns host"] == "holds"
        assert words in found.claim("same_on_board", "board")["verdict_text"], one
    assert {n: seen(record, n).verdicts()["same_on_board board"] for n in NAMES} == dict.fromkeys(NAMES, "holds")


def test_a_state_of_another_size_is_refused(tmp_path: Path) -> None:
    (tmp_path / "glide.h").write_text(HEADER.replace("int32_t left;", "int32_t left;\n#ifdef WIDE\nfloat more;\n#endif\n"))
    name = made(tmp_path, "#define WIDE 1\n" + TEXT, whole=True)
    record = checked(tmp_path, TEXT, ENTRIES, "cortex-m4f", more=f', image="{name}"')
    words = seen(record, "glides").claim("same_on_board", "board")["verdict_text"]
    assert "glide_t has 16 bytes in the image and 12 with the sheet's flags" in words
    assert seen(record, "counts").verdicts()["same_on_board board"] == "holds"


def test_costs_and_interruptions_of_a_machine_in_an_image(tmp_path: Path) -> None:
    waiting = 'for (int i = 0; i < 200; i++) __asm__ volatile("nop"); return g->level;'
    slow = TEXT.replace("return g->level * 0.5f;", waiting)
    claims = ('claims=[cost_within(instructions=100, because="planted"), '
              'safe_when_interrupted_by("gate", because="planted")]')
    right = seen(record_of(tmp_path / "right", TEXT, machine("glides", GLIDE, claims)), "glides")
    assert right.claim("cost_within", "board")["verdict"] == "holds", right.claim("cost_within", "board")["verdict_text"]
    wrong = seen(record_of(tmp_path / "slow", slow, machine("glides", GLIDE, claims)), "glides")
    assert wrong.claim("cost_within", "board")["verdict"] == "fails"
    assert right.claim("safe_when_interrupted_by", "board")["verdict"] == "holds"
    torn = TEXT.replace("g->level += g->step;", "volatile float *p = &g->step; g->level += *p; g->level += *p;")
    found = seen(record_of(tmp_path / "torn", torn, machine("glides", GLIDE, claims)), "glides")
    assert found.claim("safe_when_interrupted_by", "board")["verdict"] == "fails"


def test_a_path_over_a_call(tmp_path: Path) -> None:
    path = ('def sevens(ctx, n): return (int(n) + 7) % 100\n'
            'def looks(ctx, n): return [17, 27, 37, 47][int(n) & 3]\n'
            'mid = integers("mid", 0, 99, "code")\n'
            + 'first = f("first", call="result = counter_like(n)", inputs=[integers("n", 0, 99, "code")], output="code", '
              'output_type="int32_t", reference=sevens, claims=[])\n'
            + 'second = f("looked", inputs=[mid], output="code", reference=looks, claims=[])\n'
            + f's.path("both", stages=[first, second], {SAME})\n')
    more = "\nint32_t counter_like(int32_t n) { return (n + offset) % 100; }\n"
    for folder, text, verdict in (("right", TEXT, "holds"), ("other", OTHER, "fails")):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "glide.h").write_text(HEADER)
        name = made(tmp_path / folder, text + more, whole=True)
        record = checked(tmp_path / folder, TEXT + more, path, "cortex-m4f", more=f', image="{name}"')
        found = seen(record, "both")
        assert found.verdicts()["same_on_board board"] == verdict, found.verdicts()


def test_a_class_is_refused(tmp_path: Path) -> None:
    import subprocess

    from tests.board.test_board_ready import LINKER, OPTIONS
    from tests.fault_injection.planted import run, sheet_text

    text = C_START + "struct Ramp { float y = 0; float step() { return y += 0.25f; } };\n"
    text += 'extern "C" int32_t looked(int32_t n) { return n; }\n'
    (tmp_path / "own.cpp").write_text(text)
    (tmp_path / "own.ld").write_text(LINKER)
    subprocess.run(["arm-none-eabi-g++", *OPTIONS, "-Os", "-g", "own.cpp", "-o", "firmware.elf", "-nostdlib", "-T", "own.ld",
                    "-Wl,--no-warn-rwx-segments", "-Wl,-e,0"], cwd=tmp_path, check=True, capture_output=True)
    entry = f'f("looked", {N}, {SAME})\n'
    entry += machine("ramps", 'state="Ramp", init="new (state) Ramp()", step="y = state->step()"')
    sheet = sheet_text(entry, flags="-O2", more=', core="cortex-m4f", image="firmware.elf"').replace("plant.c", "plant.cpp")
    record = run(tmp_path, text, sheet)
    assert "C++ class" in seen(record, "ramps").claim("same_on_board", "board")["verdict_text"]
