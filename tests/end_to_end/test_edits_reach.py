"""After an edit, routines that it does not reach are not hunted again; and all verdicts are those of a clean run."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from verify.binding import make_benches
from verify.evidence_keys import build_keys
from verify.hunt import Hunt
from verify.hunting.plan import Plan
from verify.session import Check
from verify.sheet import load_sheet

pytestmark = pytest.mark.usefixtures("gcc")

FILES = {
    "part.h": """\
#include <stdint.h>
#define SCALE 3
static inline int32_t doubled(int32_t x) { return x * 2; }
extern int32_t bias;
int32_t helper(int32_t x);
""",
    "helper.c": """\
#include "part.h"
static const int32_t weights[3] = {1, 2, 4};
int32_t bias;
__attribute__((constructor)) static void begin(void) { bias = 1; }
int32_t helper(int32_t x) { return x * weights[x % 3]; }
""",
    "part.c": """\
#include "part.h"
static const int16_t curve[9] = {0, 1, 3, 6, 10, 15, 21, 28, 36};
static int32_t offset = 5;
typedef int32_t (*turn_t)(int32_t);
__attribute__((noinline)) static int32_t up(int32_t x) { return x + 1; }
__attribute__((noinline)) static int32_t down(int32_t x) { return x - 1; }
static const turn_t turns[2] = {up, down};
static float shade(float x) { return x * x; }
int32_t by_helper(uint8_t code) { return helper(code); }
int32_t by_table(uint8_t code) { int at = code >> 5; return curve[at] * 32 + (curve[at + 1] - curve[at]) * (code & 31); }
int32_t by_pointer(uint8_t code) { return turns[code & 1](code); }
float by_constant(uint8_t code) { return code * 0.375f + (float)offset; }
float same_constant(uint8_t code) { return shade(code * 0.375f); }
int32_t by_macro(uint8_t code) { return doubled(code) * SCALE; }
int32_t by_switch(uint8_t code)
{
	switch (code & 7) {
	case 0: return bias; case 1: return 11; case 2: return code * 3; case 3: return 5 - code;
	case 4: return 17 ^ code; case 5: return code << 2; default: return 8;
	}
}
int32_t too_far(uint8_t code) { return code * 9000000; }
int32_t there(int32_t code) { return code * 4 + 1; }
int32_t back(int32_t more) { return (more - 1) / 4; }
""",
    "part_sheet.py": """\
from verify import Sheet, codes, integers, inverse_of, stays_within
part = Sheet(sources=["part.c", "helper.c"], flags="-O2", builds=BUILDS, **MORE)
for name in PLAIN:
    part.function(name, inputs=[codes("code", bits=8)], output="",
                  claims=[stays_within(-1200, 1200, because="invented")])
part.function("there", inputs=[integers("code", 0, 255, "")], output="",
              claims=[inverse_of("back", lsb=0, because="invented")])
part.function("back", inputs=[integers("more", 1, 1021, "")], output="", claims=[])
# FOLDER
""",
}
PLAIN = ["by_helper", "by_table", "by_pointer", "by_constant", "same_constant", "by_macro", "by_switch", "too_far"]
NAMES = [*PLAIN, "there", "back"]
EVERY = set(NAMES)
# What is edited: file, old text, new text, and the routines that reach it.
EDITS: dict[str, tuple[str, str, str, set[str]]] = {
    "a shared helper": ("helper.c", "x * weights", "x + weights", {"by_helper"}),
    "a table of a helper": ("helper.c", "{1, 2, 4}", "{1, 2, 5}", {"by_helper"}),
    "a table": ("part.c", "28, 36", "28, 38", {"by_table"}),
    "static data": ("part.c", "offset = 5", "offset = 6", {"by_constant"}),
    "a constant, merged with another's": ("part.c", "shade(code * 0.375f)", "shade(code * 0.25f)", {"same_constant"}),
    "a constant that becomes another's": ("part.c", "code * 0.375f +", "code * 32.0f +", {"by_constant"}),
    "an inlined helper": ("part.c", "return x * x;", "return x * x * 0.5f;", {"same_constant"}),
    "a macro": ("part.h", "SCALE 3", "SCALE 2", {"by_macro"}),
    "an inline function of a header": ("part.h", "x * 2", "x * 4", {"by_macro"}),
    "a constructor": ("helper.c", "bias = 1", "bias = 2", EVERY),
    "a table of functions": ("part.c", "{up, down}", "{down, up}", {"by_pointer"}),
    "a function in a table": ("part.c", "x - 1", "x - 2", {"by_pointer"}),
    "a table of jumps": ("part.c", "case 3: return 5", "case 6: return 5", {"by_switch"}),
    "an overflow": ("part.c", "9000000", "9000001", {"too_far"}),
    "what undoes another": ("part.c", "(more - 1) / 4", "(more + 1) / 4", {"there", "back"}),
    "what another undoes": ("part.c", "code * 4 + 1", "code * 4 + 2", {"there"}),
    "lines only": ("part.c", "static const int16_t", "/* one\n * two\n */\n\nstatic const int16_t", set()),
    "a function before": ("part.c", "int32_t by_helper", "int32_t more(int x) { return x * 77 + (int)(x * 0.7f); }\n"
                                                         "int32_t by_helper", set()),
    "variables before": ("part.c", "static int32_t offset", "int32_t shift[7] = {1}; double room = 0.1;\n"
                                                            "static int32_t offset", set()),
    "flags": ("part_sheet.py", '"-O2"', '"-O1"', EVERY),
}  # fmt: skip
QUICK = "a constant, merged with another's"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    written(tmp_path, ["host", "strict"])
    return tmp_path


def written(folder: Path, builds: list[str], more: str = "{}") -> None:
    for name, text in FILES.items():
        text = text.replace("BUILDS", repr(builds)).replace("MORE", more).replace("PLAIN", repr(PLAIN))
        text = text.replace("FOLDER", str(folder))  # whatever other tests have stored is about other sheets
        (folder / name).write_text(text)


def edit(folder: Path, name: str) -> set[str]:
    file, old, new, reached = EDITS[name]
    text = (folder / file).read_text()
    assert old in text
    (folder / file).write_text(text.replace(old, new))
    return reached


def entries(folder: Path, *, fresh: bool) -> list[dict[str, Any]]:
    """The record's routines, hunted anew or from what is stored."""
    (folder / "part_witnesses.txt").unlink(missing_ok=True)
    record = Check(load_sheet(folder / "part_sheet.py"), Plan(fresh=fresh), lambda *_: None, workers=1).run()
    found: list[dict[str, Any]] = record["routines"]
    return found


def keys(folder: Path) -> dict[str, dict[str, str]]:
    """What the evidence of each routine is about, by build."""
    benches = make_benches(load_sheet(folder / "part_sheet.py"))
    builts = {bench.build: bench.built for bench in benches if bench.built is not None}
    return {name: build_keys(builts, name)[0] for name in NAMES}


@pytest.fixture
def hunted(monkeypatch: pytest.MonkeyPatch) -> Callable[[], set[tuple[str, str]]]:
    """(routine, build) of everything that was hunted since the last call."""
    found: set[tuple[str, str]] = set()
    phase = Hunt.phase

    def noted(self: Hunt, name: str, wanted: Any) -> None:
        before = self.evidence.total().count()
        phase(self, name, wanted)
        if self.evidence.total().count() != before:
            found.add((self.bound.routine.name, self.bound.build))

    def taken() -> set[tuple[str, str]]:
        now = set(found)
        found.clear()
        return now

    monkeypatch.setattr(Hunt, "phase", noted)
    return taken


def of_builds(names: set[str], builds: tuple[str, ...] = ("host", "strict")) -> set[tuple[str, str]]:
    return {(name, build) for name in names for build in builds}


@pytest.mark.parametrize("name", [pytest.param(n, marks=() if n == QUICK else pytest.mark.nightly) for n in EDITS])
def test_an_edit_hunts_again_what_reaches_it(folder: Path, hunted: Callable[[], set[tuple[str, str]]], name: str) -> None:
    entries(folder, fresh=False)
    assert of_builds(EVERY) == hunted()

    reached = edit(folder, name)
    kept = entries(folder, fresh=False)
    assert of_builds(reached) == hunted()
    assert entries(folder, fresh=True) == kept


@pytest.mark.nightly
def test_a_result_of_another_type_counts_where_the_code_is_the_same(folder: Path) -> None:
    code = folder / "part.c"
    code.write_text(code.read_text().replace("{ return code * 9000000; }", "{ return -(int32_t)code; }"))
    before = entries(folder, fresh=False)
    code.write_text(code.read_text().replace("int32_t too_far", "uint32_t too_far"))
    after = entries(folder, fresh=False)

    words = [{claim["verdict"] for entry in found if entry["name"] == "too_far" for claim in entry["claims"]
              if claim["claim"] == "stays_within"} for found in (before, after)]
    assert [{"holds"}, {"fails"}] == words


def test_keys_change_where_an_edit_reaches(folder: Path) -> None:
    before = keys(folder)
    for name in ("variables before", "a table"):
        reached = edit(folder, name)
        after = keys(folder)
        assert reached == {routine for routine in NAMES if before[routine] != after[routine]}, name
        before = after


@pytest.mark.nightly
@pytest.mark.parametrize("flags", ["-O0", "-O3", "-Os", "-O2 -fno-inline -fPIE", "-O2 -fcommon -masm=intel"])
def test_keys_under_other_flags(folder: Path, flags: str) -> None:
    sheet = (folder / "part_sheet.py").read_text().replace('"-O2"', repr(flags))
    for name in EDITS.keys() - {"flags"}:
        written(folder, ["host", "strict"])
        (folder / "part_sheet.py").write_text(sheet)
        before = keys(folder)
        reached = edit(folder, name)
        after = keys(folder)
        changed = {routine for routine in NAMES if before[routine]["host"] != after[routine]["host"]}
        assert reached == changed, name
        assert reached <= {routine for routine in NAMES if before[routine]["strict"] != after[routine]["strict"]}, name


@pytest.mark.nightly
@pytest.mark.usefixtures("arm_gcc")
def test_keys_on_the_board(tmp_path: Path) -> None:
    """Variables and tables of a unit stay together there, as its code reaches them by their distances."""
    together = {"a table", "static data", "a table of functions", "variables before", "a function in a table"}
    for name in EDITS:
        written(tmp_path, ["board"], '{"core": "cortex-m4f"}')
        before = keys(tmp_path)
        reached = edit(tmp_path, name)
        after = keys(tmp_path)
        changed = {routine for routine in NAMES if before[routine] != after[routine]}
        assert reached <= changed, name
        if name not in together:
            assert reached == changed, name


def always_the_same(folder: Path, hunted: Callable[[], set[tuple[str, str]]], edits: int, seed: int) -> None:
    """Edits one after another, some of them taken back: what is stored gives what a clean run gives, and is used."""
    draw, spared = random.Random(seed), 0
    seen: set[tuple[str, str, str]] = set()
    for number in range(edits):
        if draw.random() < 0.3:
            written(folder, ["host", "strict"])
        possible = [name for name, (file, old, _, _) in EDITS.items() if old in (folder / file).read_text()]
        if possible:
            edit(folder, draw.choice(possible))
        kept, again = entries(folder, fresh=False), hunted()
        clean = entries(folder, fresh=True)
        hunted()
        assert clean == kept, f"seed {seed}, edit {number}"
        sheet = (folder / "part_sheet.py").read_text()
        now = {(name, build, key + sheet) for name, built in keys(folder).items() for build, key in built.items()}
        assert {(name, build) for name, build, key in now - seen} == again, f"seed {seed}, edit {number}"
        seen |= now
        spared += len(of_builds(EVERY)) - len(again)
    assert spared > edits * len(EVERY), f"seed {seed}: too little is used again"


@pytest.mark.nightly
def test_a_hundred_random_edits(folder: Path, hunted: Callable[[], set[tuple[str, str]]]) -> None:
    always_the_same(folder, hunted, 100, random.SystemRandom().getrandbits(32))
