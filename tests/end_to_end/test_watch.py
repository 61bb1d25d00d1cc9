"""preflash watch beside an editor: saves, broken C, a broken sheet, a helper module, Ctrl-C."""

from __future__ import annotations

import contextlib
import os
import queue
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from verify.watching import counts, folders_of, forget_modules

pytestmark = pytest.mark.usefixtures("gcc", "private_cache")

ROOT = Path(__file__).parents[2]
C = "#include <stdint.h>\nfloat half(uint16_t code) { return (float)code * 0.5f; }\n"
SHEET = """\
from bell_sizes import TOP
from verify import Sheet, codes, stays_within
bell = Sheet(sources=["bell.c"])
bell.function("half", inputs=[codes("code", bits=8)], output="V", claims=[stays_within(0, TOP, because="invented")])
"""


class Screen:
    """A running watch and what it has printed."""

    def __init__(self, folder: Path) -> None:
        kept = {name: value for name, value in os.environ.items() if name not in ("CC", "COLUMNS")}
        self.run = subprocess.Popen(
            [sys.executable, "-m", "verify", "watch", "--workers", "1"], cwd=folder, env={**kept, "PYTHONPATH": str(ROOT)},
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip
        self.lines: queue.Queue[str] = queue.Queue()
        threading.Thread(target=self.read, daemon=True).start()
        self.text = ""

    def read(self) -> None:
        assert self.run.stdout is not None
        for line in self.run.stdout:
            self.lines.put(line)

    def until(self, *words: str, seconds: float = 60) -> str:
        """What was printed up to the line that completes these words."""
        self.text = ""
        end = time.monotonic() + seconds
        while not all(word in self.text for word in words):
            try:
                self.text += self.lines.get(timeout=max(0.01, end - time.monotonic()))
            except queue.Empty:
                pytest.fail(f"waited for {words}, got:\n{self.text}")
        return self.text


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "bell.c").write_text(C)
    (tmp_path / "bell_sizes.py").write_text("TOP = 127.5\n")
    (tmp_path / "bell_sheet.py").write_text(SHEET)
    return tmp_path


@pytest.fixture
def screen(folder: Path) -> Iterator[Screen]:
    found = Screen(folder)
    yield found
    found.run.kill()
    found.run.wait()
    with contextlib.suppress(OSError, AttributeError):
        found.run.stdout.close()  # type: ignore[union-attr]


def test_a_day_at_the_editor(folder: Path, screen: Screen) -> None:
    screen.until("1 routine (1 holds)")
    time.sleep(1)

    (folder / "bell.c").write_text(C.replace("0.5f", "0.75f"))
    text = screen.until("saved: bell.c", "1 routine (1 fails)")
    assert "WORSE half stays_within(0, 127.5), host: holds (every value) before, fails now" in " ".join(text.split())
    assert "outside by 63.75 V" in text

    (folder / "bell.c").write_text(C.replace("0.5f", "0.5f *"))
    assert "does not compile" in screen.until("saved: bell.c", "BLOCKED", "do ")

    (folder / "bell.c").write_text(C)
    assert "better" in screen.until("saved: bell.c", "1 routine (1 holds)")

    (folder / "bell_sheet.py").write_text(SHEET.replace("codes(", "cods("))
    screen.until("saved: bell_sheet.py", "did you mean codes")
    (folder / "bell_sheet.py").write_text(SHEET)
    assert "since the last save: the same" in screen.until("1 routine (1 holds)")

    (folder / "bell_sizes.py").write_text("TOP = 100\n")
    assert "1 routine (1 fails)" in screen.until("saved: bell_sizes.py", "1 routine")

    screen.run.send_signal(signal.SIGINT)
    assert 130 == screen.run.wait(30)
    text = ""
    while not screen.lines.empty():
        text += screen.lines.get()
    assert "Traceback" not in text


def test_saves_in_one_go_are_one_look_and_own_files_are_none(folder: Path, screen: Screen) -> None:
    screen.until("1 routine (1 holds)")
    time.sleep(1)
    for n in range(5):
        (folder / "bell.c").write_text(C + f"// {n}\n")
        (folder / "notes.txt").write_text("nothing")
        time.sleep(0.02)
    screen.until("saved: bell.c\n", "1 routine (1 holds)")
    time.sleep(2)

    assert screen.lines.empty()


@pytest.mark.parametrize(
    ("name", "wanted"),
    [("a/bell.c", True), ("a/bell_sheet.py", True), ("a/reports/bell.json", False), ("a/bell_accepted.json", False),
     ("a/.bell.c.swp", False), ("a/.#bell.c", False), ("a/__pycache__/b.py", False), ("a/notes.txt", False)],
)  # fmt: skip
def test_what_counts(name: str, wanted: bool) -> None:
    assert wanted is counts(Path(name))


def test_folders_of_sources_and_headers_are_watched(tmp_path: Path) -> None:
    from verify import Sheet

    for name in ("voice", "inc", "voice/part", "src"):
        (tmp_path / name).mkdir()
    sheet = Sheet(sources=["../src/a.c", "part/b.c"], include=["../inc", "../absent"])
    found = folders_of(tmp_path / "voice" / "bell_sheet.py", sheet)

    assert {tmp_path / name for name in ("voice", "src", "inc")} == set(found)


def test_modules_beside_the_sheet_are_read_anew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "beside_the_sheet.py").write_text("x = 1\n")
    monkeypatch.syspath_prepend(str(tmp_path))
    import beside_the_sheet  # type: ignore[import-not-found]

    assert 1 == beside_the_sheet.x
    forget_modules(tmp_path)
    assert "beside_the_sheet" not in sys.modules
    assert "verify.watching" in sys.modules
