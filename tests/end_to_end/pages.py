"""Pages that show commands and what they print, read as a test reads them."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
FENCED_OR_INDENTED = re.compile(r"^```(?P<kind>\w+)\n(?P<body>(?s:.*?))^```$|(?P<plain>(?:^    .*\n|^\n(?=    ))+)", re.M)
SECONDS = re.compile(r", [0-9.]+ s$")


def blocks(text: str) -> list[tuple[str, str]]:
    """(kind, body) of every command and fenced piece, in order."""
    found: list[tuple[str, str]] = []
    for match in FENCED_OR_INDENTED.finditer(text):
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


def run_shown(body: str, folder: Path, cache: Path) -> int:
    """Run the command of a block in a folder; its lines must come in their order. Returns the exit code."""
    words = shlex.split(body.splitlines()[0])
    assert "preflash" == Path(words[0]).name
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "COLUMNS": "80", "XDG_CACHE_HOME": str(cache)}
    ran = subprocess.run([sys.executable, "-m", "verify", *words[1:]], cwd=folder, env=environment,
                         capture_output=True, text=True, timeout=300)  # fmt: skip
    printed = [SECONDS.sub("", line.rstrip()) for line in ran.stdout.splitlines()]
    at = 0
    for line in shown_lines(body):
        assert line in printed[at:], f"{words}: {line!r} is not in\n{ran.stdout}{ran.stderr}"
        at = printed.index(line, at) + 1
    return ran.returncode
