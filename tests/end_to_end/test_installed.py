"""The installed package, away from the checkout: everything the demo needs travels with it."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PARTS = ("verify", "reference", "firmware_shim", "pyproject.toml", "README.md", "LICENSE")


@pytest.mark.full
def test_the_demo_runs_from_an_empty_folder(gcc: str, tmp_path: Path) -> None:
    source, site, empty = tmp_path / "source", tmp_path / "site", tmp_path / "empty"
    source.mkdir()
    empty.mkdir()
    for part in PARTS:
        copy = shutil.copytree if (ROOT / part).is_dir() else shutil.copy
        copy(ROOT / part, source / part)
    install = [sys.executable, "-m", "pip", "install", "-q", "--no-deps", "--target", str(site), str(source)]
    installed = subprocess.run(install, capture_output=True, text=True, check=False)
    assert 0 == installed.returncode, installed.stderr

    environment = {**os.environ, "PYTHONPATH": str(site)}
    where = subprocess.run([sys.executable, "-c", "import verify; print(verify.__file__)"], capture_output=True,
                           text=True, cwd=empty, env=environment, check=True)
    run = subprocess.run([sys.executable, "-m", "verify", "check", "--only", "bell_volts_from_code"],
                         capture_output=True, text=True, cwd=empty, env=environment, check=False)

    assert where.stdout.startswith(str(site))
    assert 0 == run.returncode, run.stdout + run.stderr
    assert "bell_volts_from_code" in run.stdout
    assert (empty / "reports" / "bell_pitch_only.json").exists()
