"""The command line from sheet to exit code, each run in a process of its own."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

pytestmark = pytest.mark.usefixtures("gcc", "private_cache")

ROOT = Path(__file__).parents[2]
FAULTS = ROOT / "firmware_shim" / "demo" / "first_draft" / "FAULTS.md"

C = """\
#include <math.h>
#include <stdint.h>
float hz(float volts) { return 55.0f * exp2f(volts); }
float half(uint16_t code) { return (float)code * 0.5f; }
float twice(uint16_t code) { return (float)code * 2.0f; }
"""
SHEET = """\
from reference import pitch
from verify import Sheet, accurate, binary32, codes, octave_doubles, rising, stays_within, values
bell = Sheet(sources=["bell.c"], flags="-O2")
WHY = "invented"
VOLTS = values("volts", [n / 64 for n in range(257)], "V")
bell.function("hz", inputs=[VOLTS], output="Hz", reference=pitch.hz_from_volts, constants={"zero_volt_hz": 55},
              claims=[accurate(cents=0.01, because=WHY), rising(because=WHY)])
bell.function("half", inputs=[codes("code", bits=10)], output="V", claims=[stays_within(0, 512, because=WHY)])
"""


def environment(**more: str) -> dict[str, str]:
    kept = {name: value for name, value in os.environ.items() if name not in ("CC", "PYTHONPATH", "COLUMNS")}
    return {**kept, "PYTHONPATH": str(ROOT), **more}


def preflash(folder: Path, *words: str, **more: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "verify", *words]
    return subprocess.run(command, cwd=folder, env=environment(**more), capture_output=True, text=True, timeout=120)


def write(folder: Path, sheet: str = SHEET, c: str = C) -> None:
    (folder / "bell.c").write_text(c, encoding="utf-8")
    (folder / "bell_sheet.py").write_text(sheet, encoding="utf-8")


def changed(old: str, new: str) -> str:
    assert old in SHEET
    return SHEET.replace(old, new)


def test_all_hold_gives_0_and_a_record(tmp_path: Path) -> None:
    write(tmp_path)
    done = preflash(tmp_path, "check", "bell_sheet.py")

    assert 0 == done.returncode, done.stdout + done.stderr
    assert "" == done.stderr
    record = json.loads((tmp_path / "reports" / "bell.json").read_text())
    assert ["hz", "half"] == [routine["name"] for routine in record["routines"]]
    assert "\nchecked on this computer only; not your board's code\nnot checked: " in done.stdout


def test_without_a_name_the_sheets_of_the_folder_are_checked_and_not_the_demo(tmp_path: Path) -> None:
    write(tmp_path)
    done = preflash(tmp_path, "check")

    assert 0 == done.returncode, done.stdout + done.stderr
    assert ["bell.json"] == sorted(path.name for path in (tmp_path / "reports").glob("*.json"))
    record = json.loads((tmp_path / "reports" / "bell.json").read_text())
    assert ["hz", "half"] == [routine["name"] for routine in record["routines"]]


def test_a_failure_gives_1_and_names_the_input(tmp_path: Path) -> None:
    write(tmp_path, changed("stays_within(0, 512,", "stays_within(0, 511.25,"))
    done = preflash(tmp_path, "check", "bell_sheet.py")

    assert 1 == done.returncode
    assert "FAILS  half  stays_within(0, 511.25)" in done.stdout
    assert "code = 1023 code" in done.stdout
    assert "outside by 0.25 V" in done.stdout
    assert "preflash replay bell_sheet.py half code=0x03ff" in done.stdout


def test_nothing_judged_gives_3(tmp_path: Path) -> None:
    short = changed("n in range(257)", "n in range(32)")
    write(tmp_path, short.replace("rising(because=WHY)", "octave_doubles(cents=1, because=WHY)"))
    done = preflash(tmp_path, "check", "bell_sheet.py")

    assert 3 == done.returncode
    assert "VACUOUS  hz  octave_doubles(cents=1)" in done.stdout


def test_failing_outweighs_blocked_and_only_chooses(tmp_path: Path) -> None:
    write(tmp_path, changed("stays_within(0, 512,", "stays_within(0, 511.25,"))

    assert 0 == preflash(tmp_path, "check", "bell_sheet.py", "--only", "hz").returncode
    wrong = preflash(tmp_path, "check", "bell_sheet.py", "--only", "half_")

    assert 2 == wrong.returncode
    assert "did you mean half" in wrong.stderr


def test_a_folder_is_no_sheet_and_those_in_it_are_named(tmp_path: Path) -> None:
    write(tmp_path, SHEET)
    done = preflash(tmp_path, "check", ".")

    assert 2 == done.returncode
    assert "it is a folder" in done.stderr and "name the sheets in it: bell_sheet.py" in done.stderr


def test_a_folder_that_was_removed_is_told(tmp_path: Path) -> None:
    line = 'mkdir gone && cd gone && rmdir ../gone && exec "$0" -m verify look a.c:f'
    done = subprocess.run(["sh", "-c", line, sys.executable], cwd=tmp_path, capture_output=True, text=True, timeout=60,
                          env={**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parents[2])})

    assert 2 == done.returncode
    assert "the current folder is gone  [V120]" in done.stderr


WRONG_SHEETS = {
    "empty sheet": ("", ["bell_sheet.py is empty"]),
    "no sheet in it": ("x = 1\n", ["makes 0 sheets"]),
    "no routine": ('from verify import Sheet\ns = Sheet(sources=["bell.c"])\n', ["describes no routine"]),
    "syntax error": (changed('WHY = "invented"', "WHY = ("), ["bell_sheet.py is not Python", "bell_sheet.py:4"]),
    "unknown word": (changed("accurate(", "acurate("), ["acurate", "did you mean accurate", "bell_sheet.py:"]),
    "unknown import": (changed("rising,", "risen,"), ["did you mean rising"]),
    "unknown metric": (changed("cents=0.01", "cent=0.01"), ["unknown unit 'cent'", "did you mean cents"]),
    "unknown symbol": (changed('function("half"', 'function("halve"'), ["halve", "half"]),
    "too many inputs": (changed('[codes("code", bits=10)]', '[codes("code", bits=10), codes("d", bits=2)]'),
                        ["wrong number of inputs", "bell.c:4"]),
    "no unit": (changed("range(257)], \"V\")", "range(257)], \"volt\")"), ["unknown unit 'volt'", "bell_sheet.py:"]),
    "unit left out": (changed(', "V")', ")"), ["unit", "add the unit at the end"]),
    "unit in capitals": (changed(', "V")', ', "v")'), ["unknown unit 'v'", "did you mean V?"]),
    "unknown function of a reference": (
        changed("reference=pitch.hz_from_volts", "reference=lambda ctx, v, *, zero_volt_hz: ctx.exp3(v)"),
        ["ctx.exp3", "did you mean exp or exp2", "bell_sheet.py:"]),
    "infinite limit": (changed("cents=0.01", 'cents=float("inf")'), ["inf is not finite"]),
    "negative limit": (changed("cents=0.01", "cents=-0.01"), ["the limit is negative"]),
    "reversed range": (changed('[codes("code", bits=10)]', '[binary32("code", 5, 0, "V")]'),
                       ["the range is reversed", "5 to 0"]),
    "reversed limits": (changed("stays_within(0, 512,", "stays_within(512, 0,"), ["the range is reversed"]),
    "no reason": (changed("accurate(cents=0.01, because=WHY)", "accurate(cents=0.01)"), ["has no reason"]),
    "empty reason": (changed("0.01, because=WHY", "0.01, because=' '"), ["has no reason"]),
    "misspelt input function": (changed('codes("code"', 'code("code"'), ["did you mean codes"]),
    "wrong constant": (changed('"zero_volt_hz"', '"zero_hz"'), ["no constant 'zero_hz'", "did you mean zero_volt_hz"]),
    "constant left out": (changed('constants={"zero_volt_hz": 55}', "constants={}"), ["zero_volt_hz"]),
    "misspelt reference": (changed("pitch.hz_from_volts", "pitch.hz_from_volt"), ["did you mean", "hz_from_volts"]),
    "integer for float": (changed("inputs=[VOLTS]", 'inputs=[codes("volts", bits=4)]'), ["the parameter is a float"]),
    "source missing": (changed('"bell.c"', '"bel.c"'), ["bel.c"]),
    "sheet leaves": (changed('WHY = "invented"', "raise SystemExit(0)"), ["bell_sheet.py stopped with an error"]),
    "volts on hertz": (changed("cents=0.01", "volts=0.01"), ["volts= does not fit this result", "use cents= or hz="]),
    "limit without its unit": (changed("cents=0.01", "0.01"), ["name what is given, with its unit: accurate(cents=0.1"]),
    "claim not called": (changed("claims=[accurate(cents=0.01, because=WHY), rising(because=WHY)]", "claims=[rising]"),
                         ["rising is not a claim"]),
}  # fmt: skip


@pytest.mark.parametrize("name", WRONG_SHEETS)
def test_a_wrong_sheet_gives_2_and_one_message_in_four_parts(tmp_path: Path, name: str) -> None:
    sheet, words = WRONG_SHEETS[name]
    write(tmp_path, sheet)
    done = preflash(tmp_path, "check", "bell_sheet.py")

    assert 2 == done.returncode, done.stdout + done.stderr
    assert "Traceback" not in done.stdout + done.stderr
    assert [] == [word for word in words if word not in done.stderr], done.stderr
    assert re.match(r".+  \[[A-Z]\d{3}\]\n  where   .+\n(.*\n)*  why     .+\n(.*\n)*  do      .+", done.stderr)


def test_a_missing_sheet_gives_2_and_the_nearest_name(tmp_path: Path) -> None:
    write(tmp_path)
    done = preflash(tmp_path, "check", "bel_sheet.py")

    assert 2 == done.returncode
    assert "did you mean bell_sheet.py" in done.stderr
    assert "Traceback" not in done.stderr


BLOCKED = {
    "missing header": (C.replace("<math.h>", '"board_pins.h"'), {}, ["board_pins.h"]),
    "does not compile": (C.replace("* 2.0f;", "* 2.0f"), {}, ["bell.c:5:"]),
    "no compiler": (C, {"CC": "/nonexistent"}, ["/nonexistent"]),
}


@pytest.mark.parametrize("name", BLOCKED)
def test_what_cannot_be_built_gives_3_and_says_why(tmp_path: Path, name: str) -> None:
    c, more, words = BLOCKED[name]
    write(tmp_path, SHEET, c)
    done = preflash(tmp_path, "check", "bell_sheet.py", **more)
    text = done.stdout + done.stderr

    assert 3 == done.returncode, text
    assert "Traceback" not in text
    assert [] == [word for word in words if word not in text], text
    assert "BLOCKED" in text
    record = json.loads((tmp_path / "reports" / "bell.json").read_text())
    assert {"blocked"} == {claim["verdict"] for routine in record["routines"] for claim in routine["claims"]}


def workers_with(mark: str) -> list[int]:
    """Processes of workers whose environment holds a mark: each is in a session of its own."""
    found = []
    for entry in Path("/proc").iterdir():
        try:
            if entry.name.isdigit() and mark.encode() in (entry / "environ").read_bytes():
                found += [int(entry.name)] if os.getsid(int(entry.name)) != os.getsid(0) else []
        except OSError:
            continue
    return found


def started(folder: Path, mark: str) -> subprocess.Popen[str]:
    """A thorough run over 2^30 floats, once its workers are at work."""
    write(folder, changed("VOLTS = values", 'VOLTS = binary32("volts", 0, 5, "V")\nFEW = values'))
    run = subprocess.Popen(
        [sys.executable, "-m", "verify", "check", "bell_sheet.py", "--thorough"], cwd=folder,
        env=environment(PLANTED_MARK=mark), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    waited = time.monotonic()
    # One process that starts workers is there from the beginning.
    while len(workers_with(mark)) < 2 and time.monotonic() - waited < 60:
        time.sleep(0.05)
    time.sleep(0.7)
    return run


def test_ctrl_c_writes_the_record_and_gives_130(tmp_path: Path) -> None:
    (tmp_path / "reports").mkdir()
    (tmp_path / "reports" / "bell.json").write_text("the whole record of before")
    run = started(tmp_path, f"mark-{os.getpid()}-interrupt")
    run.send_signal(signal.SIGINT)
    text, problem = run.communicate(timeout=30)

    assert 130 == run.returncode, text + problem
    assert "Traceback" not in text + problem
    assert json.loads((tmp_path / "reports" / "bell_interrupted.json").read_text())["interrupted"] is True
    assert "Interrupted." in (tmp_path / "reports" / "bell_interrupted.html").read_text()
    assert "the whole record of before" == (tmp_path / "reports" / "bell.json").read_text()
    assert [] == workers_with(f"mark-{os.getpid()}-interrupt")


def test_a_killed_run_leaves_no_worker_behind(tmp_path: Path) -> None:
    mark = f"mark-{os.getpid()}-killed"
    run = started(tmp_path, mark)

    assert [] != workers_with(mark)
    run.kill()
    run.communicate()
    waited = time.monotonic()
    while workers_with(mark) and time.monotonic() - waited < 10:
        time.sleep(0.05)
    assert [] == workers_with(mark)


@pytest.mark.nightly
def test_each_part_of_the_passing_demo_fits_a_screen(tmp_path: Path) -> None:
    done = preflash(tmp_path, "check", "--cases", "1000000")
    lines = done.stdout.splitlines()

    assert 0 == done.returncode, done.stdout
    # Four parts, together within what four small terminals show at once.
    assert 4 * 24 >= len(lines)
    assert [] == [line for line in lines if len(line) > 80]
    assert "\x1b" not in done.stdout + done.stderr


@pytest.mark.parametrize(("part", "count"), [
    ("bell_pitch", 13), pytest.param("bell_time", 11, marks=pytest.mark.nightly),
    pytest.param("bell_voice", 14, marks=pytest.mark.nightly), pytest.param("bell_path", 3, marks=pytest.mark.nightly)])
def test_every_fault_of_the_first_draft_is_reported(tmp_path: Path, part: str, count: int) -> None:
    names = {"bell_pitch": "FAULTS.md", "bell_time": "FAULTS_IN_TIME.md", "bell_path": "FAULTS_IN_PATH.md"}
    listed = FAULTS.with_name(names.get(part, "FAULTS_IN_VOICE.md"))
    shutil.copytree(FAULTS.parent, tmp_path / "draft")
    done = preflash(tmp_path, "check", f"draft/{part}_sheet.py", "--cases", "1000000", "--reports", "reports")
    record = json.loads((tmp_path / "reports" / f"{part}.json").read_text())
    failing = {
        (routine["name"], claim["claim"])
        for routine in record["routines"]
        for claim in routine["claims"]
        if claim["verdict"] == "fails"
    }

    assert 1 == done.returncode
    assert [] == [line for line in done.stdout.splitlines() if len(line) > 80 and "preflash replay" not in line]
    assert "\x1b" not in done.stdout
    rows = [row.split(" | ") for row in listed.read_text(encoding="utf-8").splitlines() if re.match(r"\| \d+ \|", row)]
    assert count == len(rows)
    missed = []
    for row in rows:
        routine, named = row[1].strip(), set(re.findall(r"[a-z_]+", row[-1]))
        if not any((routine, claim) in failing for claim in named):
            missed.append((row[0], routine, row[-1]))
    assert [] == missed
