"""accept, compare and check --against-accepted, each run in a process of its own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.usefixtures("gcc", "private_cache")

ROOT = Path(__file__).parents[2]
C = """\
#include <math.h>
#include <stdint.h>
float hz(float volts) { return 55.0f * exp2f(volts); }
float half(uint16_t code) { return (float)code * 0.5f; }
"""
SHEET = """\
from reference import pitch
from verify import Sheet, accurate, codes, stays_within, values
bell = Sheet(sources=["bell.c"])
WHY = "invented"
bell.function("hz", inputs=[values("volts", [n / 64 for n in range(257)], "V")], output="Hz",
              reference=pitch.hz_from_volts, constants={"zero_volt_hz": 55}, claims=[accurate(cents=0.1, because=WHY)])
bell.function("half", inputs=[codes("code", bits=10)], output="V", claims=[stays_within(0, 511.5, because=WHY)])
"""


def preflash(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    kept = {name: value for name, value in os.environ.items() if name not in ("CC", "COLUMNS")}
    return subprocess.run([sys.executable, "-m", "verify", *words], cwd=folder, env={**kept, "PYTHONPATH": str(ROOT)},
                          capture_output=True, text=True, timeout=120)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "bell.c").write_text(C)
    (tmp_path / "bell_sheet.py").write_text(SHEET)
    return tmp_path


def test_an_edit_that_lets_a_claim_fail_is_a_regression_with_line_and_annotation(folder: Path) -> None:
    assert 2 == preflash(folder, "compare").returncode
    accepted = preflash(folder, "accept")
    text = (folder / "bell_accepted.json").read_text()

    assert 0 == accepted.returncode, accepted.stderr
    assert text == json.dumps(json.loads(text), indent=1, sort_keys=True) + "\n"
    assert not any(word in text for word in ("seconds", "started", "profile", str(folder)))
    assert 0 == preflash(folder, "compare", "bell_sheet.py").returncode

    (folder / "bell.c").write_text(C.replace("55.0f", "55.01f"))
    done = preflash(folder, "check", "bell_sheet.py", "--quiet", "--against-accepted", "--annotations")
    assert 1 == done.returncode
    assert "WORSE   hz  accurate(cents=0.1), host: holds (every value) before, fails now" in done.stdout
    assert "::error file=bell.c,line=3,title=hz accurate(cents=0.1)::build host; volts = 0 V; got 55.01 Hz" in done.stdout
    assert 1 == preflash(folder, "compare", "reports/bell.json").returncode


@pytest.mark.nightly
def test_a_larger_error_within_the_limit_is_a_regression_unless_allowed(folder: Path) -> None:
    preflash(folder, "accept")
    (folder / "bell.c").write_text(C.replace("55.0f", "55.001f"))

    done = preflash(folder, "check", "bell_sheet.py", "--quiet", "--against-accepted")
    assert 1 == done.returncode
    assert "worst" in done.stdout.partition("against the accepted record")[2]
    assert 0 == preflash(folder, "compare", "--allow-error", "100000").returncode


def test_a_record_of_a_part_is_not_accepted(folder: Path) -> None:
    preflash(folder, "check", "bell_sheet.py", "--only", "half")
    done = preflash(folder, "accept", "reports/bell_only.json")

    assert 2 == done.returncode
    assert "only half was checked" in done.stderr


def test_a_check_of_a_part_leaves_the_whole_record(folder: Path) -> None:
    preflash(folder, "check", "bell_sheet.py")
    whole = (folder / "reports" / "bell.json").read_bytes()
    done = preflash(folder, "check", "bell_sheet.py", "--only", "half")

    assert whole == (folder / "reports" / "bell.json").read_bytes()
    assert "record: " in done.stdout and "bell_only.json" in done.stdout
    names = [r["name"] for r in json.loads((folder / "reports" / "bell_only.json").read_text())["routines"]]
    assert ["half"] == names


def test_c_that_does_not_compile_is_told_once_with_its_line_and_compared_with_nothing(folder: Path) -> None:
    assert 0 == preflash(folder, "accept").returncode
    (folder / "bell.c").write_text(C.replace("55.0f *", "55.0f"))
    done = preflash(folder, "check", "bell_sheet.py", "--quiet", "--annotations", "--against-accepted")

    assert 3 == done.returncode
    assert "::error file=bell.c,line=3,title=build host::" in done.stdout
    assert 1 == done.stdout.count("BLOCKED  build host and strict: bell.c does not compile")
    assert "WORSE" not in done.stdout
    for command, words in (("compare", "nothing was compared"), ("accept", "nothing was accepted")):
        done = preflash(folder, command)
        assert (3, "") == (done.returncode, done.stdout)
        assert "bell.c:3:" in done.stderr and done.stderr.endswith(f"{words}: nothing could be run\n")


@pytest.mark.parametrize("target", [["none_sheet.py"], []])
def test_what_is_meant_must_be_there(tmp_path: Path, target: list[str]) -> None:
    done = preflash(tmp_path, "compare", *target)

    assert 2 == done.returncode
    assert "Traceback" not in done.stderr


@pytest.mark.nightly
@pytest.mark.cortex_m
@pytest.mark.usefixtures("arm_gcc")
def test_costs_on_the_board_are_kept_and_compared_where_wanted(folder: Path) -> None:
    (folder / "bell_sheet.py").write_text(SHEET.replace('["bell.c"]', '["bell.c"], core="cortex-m4f"'))
    done = preflash(folder, "accept", "--cost")
    assert 0 == done.returncode, done.stdout + done.stderr
    kept = json.loads((folder / "bell_accepted.json").read_text())["routines"]["half"]["measures"]
    assert {"cost.most instructions", "cost.cycles, pessimistic", "cost.stack_bytes", "cost.code_bytes"} <= set(kept)
    same = preflash(folder, "compare")
    assert 0 == same.returncode, same.stdout

    (folder / "bell.c").write_text(C.replace("(float)code * 0.5f", "(float)((double)code * 0.5)"))
    done = preflash(folder, "compare")
    assert 1 == done.returncode
    assert f"WORSE   half: cost.most instructions: {kept['cost.most instructions']:g} before" in done.stdout


def test_without_a_compiler_every_command_gives_3_and_nothing_is_accepted(
    folder: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    empty = tmp_path / "nothing"
    empty.mkdir()
    monkeypatch.setenv("PATH", str(empty))
    for words in (("check", "bell_sheet.py"), ("accept", "bell_sheet.py"), ("look", "bell.c:hz"), ("notes", "bell_sheet.py"),
                  ("replay", "bell_sheet.py", "hz", "volts=0x00000000")):
        done = preflash(folder, *words)

        assert 3 == done.returncode, (words, done.stdout, done.stderr)
        assert "no C compiler" in done.stdout + done.stderr
    assert not (folder / "bell_accepted.json").exists()
