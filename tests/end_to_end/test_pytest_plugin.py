"""Sheets under pytest: items, selection, reports, and a plugin that costs nothing without a sheet."""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest

pytestmark = pytest.mark.usefixtures("gcc", "private_cache")

ROOT = Path(__file__).parents[2]
C = """\
#include <stdint.h>
float half(uint16_t code) { return (float)code * 0.5f; }
int32_t twice(uint16_t code) { return 2 * code; }
"""
SHEET = """\
from verify import Sheet, codes, rising, stays_within
bell = Sheet(sources=["bell.c"])
WHY = "invented"
bell.function("half", inputs=[codes("code", bits=10)], output="V", claims=[stays_within(0, 511.25, because=WHY)])
bell.function("twice", inputs=[codes("code", bits=10)], output="code", claims=[rising(strict=True, because=WHY)])
"""
FAILING = "bell_sheet.py::half::stays_within(0, 511.25)[host]"


def run(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    kept = {name: value for name, value in os.environ.items() if not name.startswith(("PYTEST", "CC", "COLUMNS"))}
    command = [sys.executable, "-m", "pytest", "-p", "no:randomly", "-p", "no:benchmark", *words]
    return subprocess.run(command, cwd=folder, env={**kept, "PYTHONPATH": str(ROOT)}, capture_output=True, text=True,
                          timeout=120)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "pytest.ini").write_text("[pytest]\n")
    (tmp_path / "bell.c").write_text(C)
    (tmp_path / "bell_sheet.py").write_text(SHEET)
    return tmp_path


def test_each_routine_claim_and_build_is_one_item(folder: Path) -> None:
    listed = run(folder, "--collect-only", "-q").stdout.split("\n\n")[0].splitlines()

    assert FAILING in listed
    assert "bell_sheet.py::twice::rising(strict)[host]" in listed
    assert "bell_sheet.py::half::no_undefined_behaviour[strict]" in listed
    assert len(set(listed)) == len(listed) == 14


def test_a_failure_is_the_message_of_the_command_line_without_a_traceback(folder: Path) -> None:
    done = run(folder, "bell_sheet.py", "--junitxml=found.xml")

    assert 1 == done.returncode
    assert "1 failed, 12 passed, 1 skipped" in done.stdout
    for words in ("outside by 0.25 V", "code = 1023 code", "preflash replay bell_sheet.py half code=0x03ff",
                  "bell.c:2 float half(uint16_t code)"):
        assert words in done.stdout
    assert "Traceback" not in done.stdout + done.stderr
    assert "pytest_plugin.py" not in done.stdout
    cases = {(c.get("classname"), c.get("name")): c for c in ElementTree.parse(folder / "found.xml").iter("testcase")}
    broken = cases["bell_sheet.half", "stays_within(0, 511.25)[host]"]
    assert "outside by 0.25 V" in (broken.find("failure").text or "")  # type: ignore[union-attr]
    holding = cases["bell_sheet.half", "deterministic[host]"]
    assert "holds (every value)" in [p.get("value") for p in holding.iter("property") if p.get("name") == "verdict"]
    assert "half | stays_within(0, 511.25) | host | code=0x03ff" in (folder / "bell_witnesses.txt").read_text()


def test_selection_works(folder: Path) -> None:
    assert "6 passed, 8 deselected" in run(folder, "-k", "half and not stays_within").stdout
    assert "1 failed" in run(folder, "-x", "-q").stdout.splitlines()[-1]
    again = run(folder, "--lf").stdout
    assert "rerun previous 1 failure" in again
    assert "1 failed, 13 deselected" in again
    assert "1 failed" in run(folder, FAILING).stdout


@pytest.mark.skipif(importlib.util.find_spec("xdist") is None, reason="needs pytest-xdist")
def test_a_distributed_run_finds_the_same(folder: Path) -> None:
    done = run(folder, "-n", "2", "-q")

    assert "1 failed, 12 passed, 1 skipped" in done.stdout, done.stdout + done.stderr
    assert 1 == (folder / "bell_witnesses.txt").read_text().count("code=0x03ff")


def test_a_mistake_in_the_sheet_is_one_message(folder: Path) -> None:
    (folder / "bell_sheet.py").write_text(SHEET.replace("rising(strict", "risng(strict"))
    done = run(folder)

    assert 2 == done.returncode
    assert "did you mean rising" in done.stdout
    assert "Traceback" not in done.stdout
    assert "pytest_plugin.py" not in done.stdout


def test_c_that_does_not_compile_blocks_each_claim_with_the_compilers_words(folder: Path) -> None:
    (folder / "bell.c").write_text(C.replace("0.5f;", "0.5f"))
    done = run(folder, "-x")

    assert 1 == done.returncode
    assert "does not compile" in done.stdout
    assert "bell.c:2:" in done.stdout


def test_options_are_those_of_the_command_line(folder: Path) -> None:
    done = run(folder, "--preflash-cases", "0")

    assert "--preflash-cases must be at least 1" in done.stdout
    helped = run(folder, "--help").stdout
    for name in ("thorough", "fresh", "cases", "seed", "workers"):
        assert f"--preflash-{name}" in helped


def test_only_sheets_are_taken_and_only_where_wanted(folder: Path) -> None:
    (folder / "paper_sheet.py").write_text("SIZE = 'A4'\n")
    assert "paper_sheet" not in run(folder, "--collect-only", "-q").stdout

    (folder / "pytest.ini").write_text("[pytest]\npreflash_sheets =\n")
    assert "bell_sheet" not in run(folder, "--collect-only", "-q").stdout
    assert FAILING in run(folder, "--collect-only", "-q", "bell_sheet.py").stdout


def test_nothing_heavy_is_loaded_without_a_sheet(tmp_path: Path) -> None:
    (tmp_path / "pytest.ini").write_text("[pytest]\n")
    (tmp_path / "conftest.py").write_text(
        "import sys\ndef pytest_sessionfinish():\n"
        "    print('LOADED', sorted({'numpy', 'cffi', 'mpmath', 'elftools', 'verify.sheet'} & set(sys.modules)),\n"
        "          'verify.pytest_plugin' in sys.modules)\n")
    (tmp_path / "test_plain.py").write_text("def test_plain():\n    assert True\n")

    assert "LOADED [] True" in run(tmp_path, "-s").stdout
