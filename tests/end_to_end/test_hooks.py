"""The hook before a commit, and all sheets of a project at once."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.usefixtures("gcc", "private_cache")

ROOT = Path(__file__).parents[2]
SHEET = """\
from verify import Sheet, codes, stays_within
bell = Sheet(sources=["bell.c"])
bell.function("half", inputs=[codes("code", bits=4)], output="V", claims=[stays_within(0, 7.5, because="invented")])
"""


def entry() -> list[str]:
    """The words that the hook runs, after the name of the program."""
    text = (ROOT / ".pre-commit-hooks.yaml").read_text(encoding="utf-8")
    found = re.search(r"^  entry: preflash (.+)$", text, re.MULTILINE)
    assert found is not None
    assert "pass_filenames: false" in text
    return found[1].split()


def hook(folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", "verify", *entry()], cwd=folder,
                          env={**os.environ, "PYTHONPATH": str(ROOT)}, capture_output=True, text=True, timeout=120)


def write(folder: Path, factor: str) -> None:
    folder.mkdir(parents=True)
    (folder / "bell.c").write_text(f"float half(unsigned char code) {{ return code * {factor}; }}\n")
    (folder / "bell_sheet.py").write_text(SHEET)


def test_every_sheet_below_counts_but_those_of_environments(tmp_path: Path) -> None:
    write(tmp_path / "one", "0.5f")
    write(tmp_path / "deep" / "two", "0.25f")
    write(tmp_path / "environment" / "site", "9.0f")
    (tmp_path / "environment" / "pyvenv.cfg").write_text("")
    (tmp_path / "one" / "paper_sheet.py").write_text("SIZE = 4\n")
    done = hook(tmp_path)

    assert 0 == done.returncode, done.stdout + done.stderr
    assert 2 == done.stdout.count("record: ")

    write(tmp_path / "three", "0.75f")
    failed = hook(tmp_path)
    assert 1 == failed.returncode
    assert 1 == failed.stdout.count("  FAILS   half"), failed.stdout
    assert "1 of 7 claims: stays_within" in failed.stdout and "\n  where" not in failed.stdout


def test_a_run_leaves_nothing_for_git_but_what_is_kept(tmp_path: Path) -> None:
    write(tmp_path / "one", "0.75f")
    subprocess.run(["git", "init", "-q"], cwd=tmp_path, check=True)
    hook(tmp_path)
    hook(tmp_path)
    seen = subprocess.run(["git", "status", "--porcelain", "-uall"], cwd=tmp_path, capture_output=True, text=True, check=True)
    names = sorted(line[3:] for line in seen.stdout.splitlines())
    assert names == ["one/bell.c", "one/bell_sheet.py", "one/bell_witnesses.txt"]
    assert not (tmp_path / ".hypothesis").exists()


def test_no_kind_of_file_passes_by() -> None:
    """An included table, a file of numbers that a sheet reads and a list of flags have no type in common with C."""
    text = (ROOT / ".pre-commit-hooks.yaml").read_text(encoding="utf-8")

    assert not re.search(r"^  (types|types_or|exclude_types|files|exclude):", text, re.MULTILINE)


def test_no_sheet_is_said_and_nothing_passes(tmp_path: Path) -> None:
    done = hook(tmp_path)

    assert 2 == done.returncode
    assert "there is no sheet here" in done.stderr
