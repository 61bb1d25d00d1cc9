"""Attacks on stored evidence: each changes something that it rests on, and no old verdict of holds may come back."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from verify.errors import ToolFault
from verify.hunting.plan import Plan
from verify.probing import Prober
from verify.session import Check
from verify.sheet import load_sheet

pytestmark = pytest.mark.usefixtures("gcc", "private_cache")

C = """\
#include "outer.h"
typedef struct { float y; } lag_t;
void lag_init(lag_t *s) { s->y = 0.0f; }
float lag_step(lag_t *s, float x)
{
    s->y += GAIN * (x - s->y);
    if (s->y < 1e-15f && s->y > -1e-15f) s->y = 0.0f;
    return s->y;
}
float half(unsigned short code) { return table[code & 1] * (float)code; }
"""
FILES = {
    "src/lag.c": C,
    "src/table.c": "const float table[2] = {0.5f, 0.5f};\n",
    "src/outer.h": '#include "inner.h"\nextern const float table[2];\n',
    "src/inner.h": "#define GAIN 0.25f\n",
    "parts/__init__.py": "",
    "parts/numbers.py": "GAIN = '1/4'\nHALF = '1/2'\n",
    "gain.txt": "1/4",
    "half.txt": "1/2",
}
SHEET = """\
import os
from pathlib import Path
from parts import numbers
from reference import smoothing
from verify import Sheet, accurate, binary32, codes, signal
WHY = "invented"
HERE = Path(FOLDER)
def lag(ctx, script): return smoothing.one_pole(ctx, script, target="x", coefficient=MACHINE)
def half(ctx, code): return code * ctx.number(FUNCTION)
s = Sheet(sources=["src/lag.c", "src/table.c"], builds=["host"])
s.machine("lag", state="lag_t", init="lag_init(state)", step="y = lag_step(state, x)", inputs=[binary32("x", -1, 1, "V")],
          outputs=[signal("y", "V")], reference=lag, longest_seconds=0.01, scripts=4,
          claims=[accurate(absolute=1e-4, because=WHY)])
s.function("half", inputs=[codes("code", bits=8)], output="V", reference=half, claims=[accurate(absolute=1e-6, because=WHY)])
"""
FROM_MODULE = ("numbers.GAIN", "numbers.HALF")
FROM_FILE = ('(HERE / "gain.txt").read_text()', '(HERE / "half.txt").read_text()')
READ_AT_START = "TEXTS = [{}, {}]\ndef lag(".format(*FROM_FILE)


def written(folder: Path, machine: str, function: str) -> None:
    for name, text in FILES.items():
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_text(text)
    text = SHEET.replace("FOLDER", repr(str(folder))).replace("MACHINE", machine).replace("FUNCTION", function)
    if "TEXTS" in machine:
        text = text.replace("def lag(", READ_AT_START)
    (folder / "lag_sheet.py").write_text(text)


def verdicts(folder: Path) -> dict[str, str]:
    (folder / "lag_witnesses.txt").unlink(missing_ok=True)
    record = Check(load_sheet(folder / "lag_sheet.py"), Plan(), lambda *_: None, workers=1).run()
    return {routine["name"]: claim["verdict"] for routine in record["routines"] for claim in routine["claims"]
            if claim["claim"] == "accurate"}


def replaced(path: Path, old: str, new: str, *, times_kept: bool = True) -> None:
    """An edit that keeps size, inode and time of the file: a clock that stands still, a copy with its times."""
    before, text = path.stat(), path.read_text()
    assert old in text
    with open(path, "r+") as stream:
        stream.write(text.replace(old, new))
        stream.truncate()
    if times_kept:
        os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


HOLDS = {"half": "holds", "lag": "holds"}
ATTACKS: dict[str, tuple[tuple[str, str], Callable[[Path], None], set[str]]] = {
    "header included by a header": (FROM_MODULE, lambda f: replaced(f / "src/inner.h", "0.25f", "0.75f"), {"lag"}),
    "table in a second source": (FROM_MODULE, lambda f: replaced(f / "src/table.c", "0.5f}", "0.7f}"), {"half"}),
    "source, time kept": (FROM_MODULE, lambda f: replaced(f / "src/lag.c", "(x - s->y)", "(x + s->y)"), {"lag"}),
    "header that now hides another": (
        FROM_MODULE, lambda f: replaced(f / "src/outer.h", '"inner.h"', '"nearer.h"', times_kept=False) or
        ((f / "src/nearer.h").write_text("#define GAIN 0.5f\n") and None), {"lag"}),
    "module in a folder, time kept": (FROM_MODULE, lambda f: replaced(f / "parts/numbers.py", "'1/4'", "'3/4'"), {"lag"}),
    "module, the other number": (FROM_MODULE, lambda f: replaced(f / "parts/numbers.py", "'1/2'", "'1/3'"), {"half"}),
    "file read at the start": (
        ("TEXTS[0]", "TEXTS[1]"), lambda f: replaced(f / "gain.txt", "1/4", "3/4"), {"lag"}),
    "file read by the reference": (FROM_FILE, lambda f: replaced(f / "gain.txt", "1/4", "3/4"), {"lag"}),
    "file read by a function's reference": (FROM_FILE, lambda f: replaced(f / "half.txt", "1/2", "1/3"), {"half"}),
}  # fmt: skip


@pytest.mark.parametrize("attack", ATTACKS)
def test_what_evidence_rests_on_was_changed(tmp_path: Path, attack: str) -> None:
    (machine, function), change, failing = ATTACKS[attack]
    written(tmp_path, machine, function)
    assert HOLDS == verdicts(tmp_path)

    change(tmp_path)
    assert {name: "fails" if name in failing else "holds" for name in HOLDS} == verdicts(tmp_path)


def test_a_file_that_was_missing_at_the_start_counts(tmp_path: Path) -> None:
    written(tmp_path, "NUMBER", "'1/2'")
    sheet = tmp_path / "lag_sheet.py"
    sheet.write_text(sheet.read_text().replace("def lag(", """\
try:
    NUMBER = (HERE / "other.txt").read_text()
except OSError:
    NUMBER = "1/4"
def lag(""", 1))
    assert HOLDS == verdicts(tmp_path)

    (tmp_path / "other.txt").write_text("3/4")
    assert {**HOLDS, "lag": "fails"} == verdicts(tmp_path)


def test_a_number_from_the_environment_counts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    written(tmp_path, "NUMBER", "FACTOR")
    sheet = tmp_path / "lag_sheet.py"
    numbers = 'NUMBER, FACTOR = os.environ.get("LAG", "1/4"), os.environ.get("HALF", "1/2")\ndef lag('
    sheet.write_text(sheet.read_text().replace("def lag(", numbers, 1))
    assert HOLDS == verdicts(tmp_path)

    monkeypatch.setenv("LAG", "3/4")
    assert {**HOLDS, "lag": "fails"} == verdicts(tmp_path)
    monkeypatch.setenv("HALF", "1/3")
    assert {"lag": "fails", "half": "fails"} == verdicts(tmp_path)


def test_two_sheets_with_modules_of_one_name_get_their_own(tmp_path: Path) -> None:
    for name in ("right", "wrong"):
        (tmp_path / name).mkdir()
        written(tmp_path / name, *FROM_MODULE)
    replaced(tmp_path / "wrong/parts/numbers.py", "'1/4'", "'3/4'")

    assert HOLDS == verdicts(tmp_path / "right")
    assert {**HOLDS, "lag": "fails"} == verdicts(tmp_path / "wrong")


@pytest.mark.nightly
def test_another_compiler_behind_the_same_name(tmp_path: Path, gcc: str, monkeypatch: pytest.MonkeyPatch) -> None:
    written(tmp_path, *FROM_MODULE)
    wrapper = tmp_path / "cc"

    def compiler(options: str) -> None:
        wrapper.write_text(f'#!/bin/sh\nexec {gcc} {options} "$@"\n')
        wrapper.chmod(0o755)
        os.utime(wrapper, (1_000_000_000, 1_000_000_000))

    monkeypatch.setenv("CC", str(wrapper))
    compiler("-DSAME=25")
    assert HOLDS == verdicts(tmp_path)
    (tmp_path / "src/inner.h").write_text("#if SAME == 25\n#define GAIN 0.25f\n#else\n#define GAIN 0.75f\n#endif\n")
    assert HOLDS == verdicts(tmp_path)
    compiler("-DSAME=75")
    assert {**HOLDS, "lag": "fails"} == verdicts(tmp_path)


def test_headers_found_by_a_variable(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    written(tmp_path, *FROM_MODULE)
    replaced(tmp_path / "src/outer.h", '"inner.h"', "<gain.h> ", times_kept=False)
    for name, gain in (("one", "0.25f"), ("two", "0.75f")):
        (tmp_path / name).mkdir()
        (tmp_path / name / "gain.h").write_text(f"#define GAIN {gain}\n")
    monkeypatch.setenv("CPATH", str(tmp_path / "one"))
    assert HOLDS == verdicts(tmp_path)
    monkeypatch.setenv("CPATH", str(tmp_path / "two"))
    assert {**HOLDS, "lag": "fails"} == verdicts(tmp_path)


def test_two_runs_at_once_share_one_cache(tmp_path: Path) -> None:
    written(tmp_path, *FROM_MODULE)
    command = [sys.executable, "-m", "verify", "check", str(tmp_path / "lag_sheet.py"), "--workers", "1", "--quiet"]
    runs = [subprocess.Popen([*command, "--reports", str(tmp_path / name)], stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
                             text=True) for name in ("one", "two")]
    said = [run.communicate()[0] for run in runs]

    assert [0, 0] == [run.returncode for run in runs], said
    assert HOLDS == verdicts(tmp_path)


def test_nothing_changed_is_reused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The twin of the attacks: without one, what is kept is used."""
    from verify.machines.hunt import MachineHunt

    written(tmp_path, *FROM_MODULE)
    assert HOLDS == verdicts(tmp_path)
    hunted: list[Any] = []
    monkeypatch.setattr(MachineHunt, "run", lambda self, stored: hunted.append(stored))
    assert HOLDS == verdicts(tmp_path)
    assert [] == hunted


CONSTRUCTOR = """
#include <stdlib.h>
#include <unistd.h>
__attribute__((constructor)) static void first(void) { if (access("%s", F_OK) == 0) BODY; }
"""


@pytest.mark.parametrize("body", ["abort()", pytest.param("for (;;) pause()", marks=pytest.mark.nightly)])
def test_a_library_that_loaded_once_and_does_not_now_is_met(tmp_path: Path, body: str) -> None:
    written(tmp_path, "'1/4'", "'1/2'")
    source = tmp_path / "src/lag.c"
    source.write_text(source.read_text() + CONSTRUCTOR.replace("BODY", body) % (tmp_path / "now"))
    assert HOLDS == verdicts(tmp_path)
    assert HOLDS == verdicts(tmp_path)

    (tmp_path / "now").write_text("")
    # What is kept was seen without it; the part that is hunted again meets it.
    with pytest.raises(ToolFault, match="stored evidence and a repeat differ"):
        verdicts(tmp_path)


def test_what_claims_asked_for_is_asked_again_by_chance(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    written(tmp_path, "'1/4'", "'1/2'")
    assert HOLDS == verdicts(tmp_path)
    asked: list[int] = []
    once = Prober.run_now
    monkeypatch.setattr(Prober, "run_now", lambda *given: asked.append(given[3]) or once(*given))
    monkeypatch.setattr("random.randrange", lambda each: 1)
    assert HOLDS == verdicts(tmp_path) and [] == asked
    monkeypatch.setattr("random.randrange", lambda each: 0)
    assert HOLDS == verdicts(tmp_path) and [] != asked

    monkeypatch.setattr(Prober, "run_now", lambda *given: (bytes(255 - byte for byte in once(*given)[0]), *once(*given)[1:]))
    record = Check(load_sheet(tmp_path / "lag_sheet.py"), Plan(), lambda *_: None, workers=1).run()
    told = [claim["verdict_text"] for routine in record["routines"] for claim in routine["claims"]
            if routine["name"] == "half" and claim["claim"] == "accurate"]
    assert ["blocked"] == [word.split()[0] for word in told] and "a repeat differ" in told[0]
    monkeypatch.undo()
    assert HOLDS == verdicts(tmp_path)


def test_an_edit_asks_again_what_claims_asked_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    written(tmp_path, "'1/4'", "'1/2'")
    assert HOLDS == verdicts(tmp_path)
    # Within the limit: the worst lies elsewhere now, and is told from results of this code.
    replaced(tmp_path / "src/lag.c", "(float)code;", "(float)code + (code == 1) * 7e-7f;", times_kept=False)
    record = Check(load_sheet(tmp_path / "lag_sheet.py"), Plan(), lambda *_: None, workers=1).run()
    (worst,) = (claim["worst"] for routine in record["routines"] for claim in routine["claims"]
                if routine["name"] == "half" and claim["claim"] == "accurate")
    assert "1" == worst["at"][0]["value"]
