"""The process that forks workers: it may die, its workers may die, the environment may change."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

import pytest

from firmware_shim import worker_starter
from firmware_shim.compiler import find_compiler
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
