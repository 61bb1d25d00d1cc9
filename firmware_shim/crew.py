"""A crew of worker processes that share the jobs of a hunt. Firmware never runs in the caller's process."""

from __future__ import annotations

import contextlib
import os
import queue
import subprocess
import sys
import threading
from collections.abc import Iterable, Iterator
from pathlib import Path

import numpy as np

from firmware_shim.engine import fresh_results
from firmware_shim.job import Job, JobResult, Stop
from firmware_shim.worker import read_frame, write_frame

ROOT = Path(__file__).resolve().parent.parent


class Member:
    """One worker process and the pipes to it."""

    def __init__(self, engine: Path) -> None:
        self.engine = engine
        self.start()

    def start(self) -> None:
        """Start the process, in a session of its own: Ctrl-C reaches only the caller."""
        path = os.pathsep.join(filter(None, [str(ROOT), os.environ.get("PYTHONPATH")]))
        environment = {**os.environ, "PYTHONPATH": path, "OPENBLAS_NUM_THREADS": "1"}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "firmware_shim.worker", str(self.engine)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=environment,
            start_new_session=True,
        )

    def run(self, job: Job) -> JobResult:
        """Run a job; a worker that the firmware took down is replaced, and the job is marked."""
        assert self.process.stdin is not None and self.process.stdout is not None
        try:
            write_frame(self.process.stdin, job)
            answer = read_frame(self.process.stdout)
        except OSError:
            answer = None
        if isinstance(answer, JobResult):
            return answer
        self.stop()
        self.start()
        nothing = np.zeros((0, 3), np.int64)
        result = JobResult(nothing, fresh_results(0), np.zeros((0, 2), np.int64))
        start, count, _ = (int(value) for value in job.segments[0])
        result.stops = [Stop("killed its worker", start, count, 0, "the worker process ended during this run")]
        reason = "the worker process ended during this run"
        result.not_run = [(int(first), int(length), reason) for first, length, _ in job.segments]
        return result

    def stop(self) -> None:
        """End the process; its children end with it."""
        for pipe in (self.process.stdin, self.process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()
        self.process.kill()
        self.process.wait()


class Crew:
    """Workers, as many as the machine has processors unless told otherwise. Use as a context manager."""

    def __init__(self, engine: Path, size: int | None = None) -> None:
        self.members = [Member(engine) for _ in range(size or os.cpu_count() or 1)]
        self.lock = threading.Lock()

    def __enter__(self) -> Crew:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """End all workers."""
        for member in self.members:
            member.stop()

    def run(self, job: Job) -> JobResult:
        """Run one job on the first worker."""
        return self.members[0].run(job)

    def run_all(self, jobs: Iterable[Job]) -> Iterator[tuple[int, JobResult]]:
        """Run jobs on all workers; yields (number of the job, result) as they come.

        Closing the iterator (or an interrupt) hands out no further jobs and waits for those under way.
        """
        source = enumerate(jobs)
        done: queue.Queue[tuple[int, JobResult] | BaseException | None] = queue.Queue()
        closing = threading.Event()

        def work(member: Member) -> None:
            try:
                while not closing.is_set():
                    with self.lock:
                        entry = next(source, None)
                    if entry is None:
                        break
                    done.put((entry[0], member.run(entry[1])))
                done.put(None)
            except BaseException as problem:  # handed to the caller's thread below
                done.put(problem)

        threads = [threading.Thread(target=work, args=(member,), daemon=True) for member in self.members]
        for thread in threads:
            thread.start()
        try:
            left = len(threads)
            while left:
                item = done.get()
                if item is None:
                    left -= 1
                elif isinstance(item, BaseException):
                    raise item
                else:
                    yield item
        finally:
            closing.set()
            for thread in threads:
                thread.join()
