"""What a command imports before it knows what it is asked for."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


def test_a_command_line_is_read_before_anything_heavy_is_imported() -> None:
    """check has numpy imported with one thread and without a search for garbage, and forks before it grows."""
    told = ("import sys, verify.command_line\n"
            "print([name for name in ('numpy', 'mpmath', 'cffi', 'hypothesis') if name in sys.modules])")
    done = subprocess.run([sys.executable, "-c", told], capture_output=True, text=True, check=True)

    assert done.stdout == "[]\n"


@pytest.mark.nightly
@pytest.mark.usefixtures("gcc")
def test_a_machine_hunted_by_a_new_process_is_kept_for_the_next(tmp_path: Path) -> None:
    """What a judging process reads of our own while it judges says nothing about the machine."""
    for path in (ROOT / "firmware_shim" / "demo" / "good").glob("bell_path*"):
        shutil.copy(path, tmp_path)
    for kept in (False, True):
        words = ["check", "bell_path_sheet.py", "--only", "bell_chime", *(() if kept else ("--fresh",))]
        done = subprocess.run([sys.executable, "-m", "verify", *words], cwd=tmp_path, capture_output=True, text=True,
                              env={**os.environ, "PYTHONPATH": str(ROOT)}, check=False)
        assert done.returncode == 0, done.stdout + done.stderr
        evidence = json.loads((tmp_path / "reports" / "bell_path_only.json").read_text())["evidence"]

        assert kept == (evidence["hunted"] == [])
