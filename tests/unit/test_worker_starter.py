"""The process that forks workers: it may die, its workers may die, the environment may change."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from firmware_shim import worker_starter
from firmware_shim.allocators import STEMS, WATCHERS
from firmware_shim.compiler import find_compiler
from firmware_shim.declared import declared
from firmware_shim.engine import build_engine

pytestmark = pytest.mark.usefixtures("gcc")


def test_workers_are_started_and_ended_whatever_dies(private_cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    engine = build_engine(find_compiler(None, private_cache).path, private_cache)
    first = worker_starter.start_worker(engine)
    again = worker_starter.start_worker(engine)
    assert first.starter is again.starter
    os.kill(again.pid, signal.SIGKILL)
    again.stop()
    assert not os.path.exists(f"/proc/{again.pid}")

    os.kill(first.starter.process.pid, signal.SIGKILL)
    first.starter.process.wait()
    first.stop()  # ends without its starter
    second = worker_starter.start_worker(engine)
    assert second.starter is not first.starter

    monkeypatch.setenv("LD_BIND_NOW", "1")  # read by the loader, at the start of a process only
    third = worker_starter.start_worker(engine)
    assert third.starter is not second.starter
    for worker in (second, third):
        worker.stop()
        assert not os.path.exists(f"/proc/{worker.pid}")


def test_a_worker_works_in_the_present_folder(private_cache: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    engine = build_engine(find_compiler(None, private_cache).path, private_cache)
    worker_starter.ready_starter()
    monkeypatch.chdir(tmp_path)
    worker = worker_starter.start_worker(engine)
    began = time.monotonic()
    while os.path.realpath(f"/proc/{worker.pid}/cwd") != str(tmp_path) and time.monotonic() - began < 10:
        time.sleep(0.01)

    assert os.path.realpath(f"/proc/{worker.pid}/cwd") == str(tmp_path)
    worker.stop()


COPIED = """
import os, sys, tempfile
from pathlib import Path
from firmware_shim import worker_starter

held = tempfile.TemporaryFile()
worker_starter.copied_starter()
worker = worker_starter.start_worker(Path(sys.argv[1]))
folder = f"/proc/{worker.starter.process.pid}/fd"
files = {os.readlink(f"{folder}/{file}") for file in os.listdir(folder)}
print(type(worker.starter.process).__name__, os.getsid(worker.starter.process.pid) == worker.starter.process.pid,
      sorted({file.split(":")[0] for file in files}))
worker.stop()
print(os.path.exists(f"/proc/{worker.pid}"))
os.kill(worker.starter.process.pid, 9)
again = worker_starter.start_worker(Path(sys.argv[1]))
print(type(again.starter.process).__name__)
"""


def test_a_command_that_has_just_begun_is_copied(private_cache: Path, tmp_path: Path) -> None:
    engine = build_engine(find_compiler(None, private_cache).path, private_cache)
    root = Path(worker_starter.__file__).parents[1]
    done = subprocess.run([sys.executable, "-c", COPIED, str(engine)], cwd=tmp_path, capture_output=True, text=True,
                          env={**os.environ, "PYTHONPATH": str(root), "OPENBLAS_NUM_THREADS": "1"}, timeout=60, check=False)

    assert done.stderr == ""
    # It keeps no file of the caller's but the way back; where it dies, a new process takes its place.
    assert done.stdout.splitlines() == ["ForkProcess True ['/dev/null', 'pipe', 'socket']", "False", "Popen"]


def test_declarations_that_were_not_kept_whole_are_read_again(tmp_path: Path) -> None:
    header = tmp_path / "point.h"
    header.write_text("struct point { int x; double y[3]; };\ntypedef double (*turn)(struct point *, long);\n")
    known = declared((header,), tmp_path)
    kept, = tmp_path.glob("declared_*.py")
    for text in (kept.read_text()[:60], "", "x = 1\n"):
        kept.write_text(text)
        declared.cache_clear()
        again = declared((header,), tmp_path)

        assert again is not known
        assert (again.sizeof("struct point"), again.typeof("turn").kind) == (32, "function")
        assert kept.read_text() != text
    header.write_text("struct point { int x; double y[4]; };\n")
    declared.cache_clear()

    assert declared((header,), tmp_path).sizeof("struct point") == 40


def test_every_allocator_is_met_by_what_is_looked_for_first() -> None:
    assert all(any(stem in name.encode() + b"\0" for stem in STEMS) for name in WATCHERS)
