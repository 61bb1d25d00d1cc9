"""Several sheets at once: a process each, printed in their order, and none of them takes another along."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from verify.sheets_side_by_side import results

ROOT = Path(__file__).resolve().parents[2]
C = "float same(float x) { return x; }\nfloat slow(float x) { if (x == 1.5f) for (;;) ; return x; }\n"
SHEET = """\
from verify import *
s = Sheet(sources=["same.c"], flags="-O2", builds=["host"], title="sheet {name}")
s.function("{routine}", inputs=[codes_or_floats], output="", claims=[], call_limit_seconds=30)
""".replace("codes_or_floats", 'binary32("x", 1, 2, "")')


def sheets(folder: Path, routines: list[str]) -> list[str]:
    """One sheet for each routine."""
    (folder / "same.c").write_text(C, encoding="utf-8")
    names = []
    for number, routine in enumerate(routines):
        names.append(f"part{number}_sheet.py")
        (folder / names[-1]).write_text(SHEET.format(name=number, routine=routine), encoding="utf-8")
    return names


def command(names: list[str]) -> list[str]:
    return [sys.executable, "-m", "verify", "check", "--cases", "10000", *names]


@pytest.fixture
def environment(private_cache: Path, gcc: str) -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT), "XDG_CACHE_HOME": str(private_cache)}


def test_records_come_in_the_order_of_the_sheets(tmp_path: Path, environment: dict[str, str]) -> None:
    names = sheets(tmp_path, ["same"] * 5)
    ran = subprocess.run(command(names), cwd=tmp_path, env=environment, capture_output=True, text=True, timeout=120)

    assert (0, "") == (ran.returncode, ran.stderr)
    places = [ran.stdout.index(f"sheet {number}") for number in range(5)]
    assert places == sorted(places)
    assert 1 == ran.stdout.count("not checked:")
    assert all((tmp_path / "reports" / f"part{number}.{kind}").exists() for number in range(5) for kind in ("json", "html"))


def test_one_page_leads_to_all_reports_the_worst_first(tmp_path: Path, environment: dict[str, str]) -> None:
    names = sheets(tmp_path, ["same", "same"])
    for name, limit in zip(names, (2, 1), strict=True):
        text = (tmp_path / name).read_text(encoding="utf-8")
        claim = f'claims=[stays_within(0, {limit}, because="test")]'
        (tmp_path / name).write_text(text.replace("claims=[]", claim).replace("sheet 1", "<b>x</b>"), encoding="utf-8")
    ran = subprocess.run(command(names), cwd=tmp_path, env=environment, capture_output=True, text=True, timeout=120)

    assert 1 == ran.returncode, ran.stdout + ran.stderr
    assert "all reports: reports/all_sheets.html" in ran.stdout.replace(f"{tmp_path}/", "")
    text = (tmp_path / "reports" / "all_sheets.html").read_text(encoding="utf-8")
    assert text.index('href="part1.html"') < text.index('href="part0.html"')
    assert 'href="part1.html#r0"><code>same</code>' in text
    assert "&lt;b&gt;x&lt;/b&gt;" in text and "<b>x</b>" not in text
    assert 'id="r0"' in (tmp_path / "reports" / "part1.html").read_text(encoding="utf-8")


def test_one_that_cannot_be_checked_says_so_and_the_others_are_kept(tmp_path: Path, environment: dict[str, str]) -> None:
    names = sheets(tmp_path, ["same", "sane", "same"])
    ran = subprocess.run(command(names), cwd=tmp_path, env=environment, capture_output=True, text=True, timeout=120)

    assert 2 == ran.returncode
    assert "sheet 0" in ran.stdout
    assert "'sane'" in ran.stderr
    assert "did you mean" in ran.stderr
    assert "Traceback" not in ran.stderr
    assert (tmp_path / "reports" / "part0.json").exists()


@pytest.mark.nightly
def test_an_interrupt_keeps_what_each_has_learned(tmp_path: Path, environment: dict[str, str]) -> None:
    names = sheets(tmp_path, ["slow", "slow"])
    running = subprocess.Popen(command(names), cwd=tmp_path, env=environment, start_new_session=True,
                               stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)  # fmt: skip
    time.sleep(6)
    os.killpg(running.pid, signal.SIGINT)
    out, error = running.communicate(timeout=60)

    assert 130 == running.returncode, out + error
    assert "Traceback" not in error
    for number in range(2):
        record = json.loads((tmp_path / "reports" / f"part{number}_interrupted.json").read_text(encoding="utf-8"))
        assert record["interrupted"]


def test_while_one_is_waited_for_two_others_run(tmp_path: Path) -> None:
    def task(number: int) -> dict[str, Any]:
        began = time.monotonic()
        time.sleep(0.8 if number > 1 else 0.0)
        return {"began": began, "ended": time.monotonic()}

    found = list(results([partial(task, number) for number in range(4)], processes=2))
    assert found[3]["began"] < found[2]["ended"] and found[2]["began"] < found[3]["ended"]
