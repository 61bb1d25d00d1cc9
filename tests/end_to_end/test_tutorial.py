"""The tutorial: every command in it is run, in its order, and prints the lines it shows."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
TUTORIAL = ROOT / "firmware_shim" / "demo" / "tutorial"
SECONDS = re.compile(r", [0-9.]+ s$")
# The exit code after each command, in order.
CODES = (0, 1, 1, 1, 0, 0, 0, 0, 0)

pytestmark = pytest.mark.full


def blocks(text: str) -> list[tuple[str, str]]:
    """(kind, body) of every command, fenced sheet and pair of C pieces, in order."""
    found: list[tuple[str, str]] = []
    pattern = re.compile(r"^```(?P<kind>\w+)\n(?P<body>(?s:.*?))^```$|(?P<plain>(?:^    .*\n|^\n(?=    ))+)", re.M)
    for match in pattern.finditer(text):
        if match["kind"]:
            found.append((match["kind"], match["body"]))
            continue
        for part in re.split(r"^    \$ ", match["plain"], flags=re.M)[1:]:
            found.append(("command", part))
    return found


def shown_lines(text: str) -> list[str]:
    """Lines that must come, without the indent of the page and without times."""
    lines = [line.removeprefix("    ").rstrip() for line in text.splitlines()[1:]]
    return [line.removesuffix(", ...") for line in lines if line and line != "..."]


@pytest.fixture
def folder(tmp_path: Path, gcc: str) -> Path:
    for name in ("voice.c", "voice.h"):
        shutil.copy(TUTORIAL / name, tmp_path)
    return tmp_path


def test_the_tutorial_is_true(folder: Path, private_cache: Path) -> None:
    parts = blocks((TUTORIAL / "TUTORIAL.md").read_text(encoding="utf-8"))
    codes, pieces = [], []
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "COLUMNS": "80", "XDG_CACHE_HOME": str(private_cache)}
    for kind, body in parts:
        if kind == "python":
            (folder / "voice_sheet.py").write_text(body, encoding="utf-8")
            continue
        if kind == "c":
            pieces.append(body)
            if len(pieces) % 2 == 0:
                source = (folder / "voice.c").read_text(encoding="utf-8")
                assert 1 == source.count(pieces[-2]), pieces[-2]
                (folder / "voice.c").write_text(source.replace(*pieces[-2:]), encoding="utf-8")
            continue
        words = shlex.split(body.splitlines()[0])
        assert "preflash" == words[0]
        ran = subprocess.run([sys.executable, "-m", "verify", *words[1:]], cwd=folder, env=environment,
                             capture_output=True, text=True, timeout=300)  # fmt: skip
        codes.append(ran.returncode)
        printed = [SECONDS.sub("", line.rstrip()) for line in ran.stdout.splitlines()]
        at = 0
        for line in shown_lines(body):
            assert line in printed[at:], f"{words}: {line!r} is not in\n{ran.stdout}{ran.stderr}"
            at = printed.index(line, at) + 1

    assert list(CODES) == codes
    assert 6 == len(pieces)
