"""The tutorial: every command in it is run, in its order, and prints the lines it shows."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.end_to_end.pages import ROOT, blocks, run_shown

TUTORIAL = ROOT / "firmware_shim" / "demo" / "tutorial"
# The exit code after each command, in order.
CODES = (0, 1, 1, 1, 0, 0, 0, 0, 0)

pytestmark = pytest.mark.full


@pytest.fixture
def folder(tmp_path: Path, gcc: str) -> Path:
    for name in ("voice.c", "voice.h"):
        shutil.copy(TUTORIAL / name, tmp_path)
    return tmp_path


def test_the_tutorial_is_true(folder: Path, private_cache: Path) -> None:
    codes, pieces = [], []
    for kind, body in blocks((TUTORIAL / "TUTORIAL.md").read_text(encoding="utf-8")):
        if kind == "python":
            (folder / "voice_sheet.py").write_text(body, encoding="utf-8")
        elif kind == "c":
            pieces.append(body)
            if len(pieces) % 2 == 0:
                source = (folder / "voice.c").read_text(encoding="utf-8")
                assert 1 == source.count(pieces[-2]), pieces[-2]
                (folder / "voice.c").write_text(source.replace(*pieces[-2:]), encoding="utf-8")
        else:
            codes.append(run_shown(body, folder, private_cache))

    assert list(CODES) == codes
    assert 6 == len(pieces)
