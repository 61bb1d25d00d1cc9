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
    assert 1 == hook(tmp_path).returncode


def test_no_sheet_is_said_and_nothing_passes(tmp_path: Path) -> None:
    done = hook(tmp_path)

    assert 2 == done.returncode
    assert "there is no sheet here" in done.stderr
