"""A crew of worker processes that share the jobs of a hunt. Firmware never runs in the caller's process."""

from __future__ import annotations

import contextlib
import os
import queue
import subprocess
import sys
import threading
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from firmware_shim.engine import fresh_results
from firmware_shim.job import Job, JobResult, Stop
from firmware_shim.worker import read_frame, write_frame

ROOT = Path(__file__).resolve().parent.parent


MOST_DEATHS = 60


def lost(segments: np.ndarray, known: bool) -> JobResult:
    """The result of a run that took its worker down."""
    nothing = np.zeros((0, 3), np.int64)
    result = JobResult(nothing, fresh_results(0), np.zeros((0, 2), np.int64))
    start = int(segments[0][0])
    result.stops = [Stop("killed its worker", start, 1, 0, "it ended the process that watched it (kill or the like)")]
    if not known:
        reason = "not run: the worker process ended again and again"
        result.not_run = [(int(first), int(length), reason) for first, length, _ in segments]
    return result


def halves(segments: np.ndarray, first: int) -> tuple[np.ndarray, np.ndarray]:
    """The segments of the first so many inputs, and the rest."""
    ends = np.cumsum(segments[:, 1])
    place = int(np.searchsorted(ends, first, side="left"))
    start, count, mask = (int(value) for value in segments[place])
    taken = first - int(ends[place] - count)
    left = np.array([[start, taken, mask]], np.int64)
    right = np.array([[start + taken, count - taken, mask]], np.int64)
    parts = np.concatenate([segments[:place], left]), np.concatenate([right, segments[place + 1 :]])
    return parts[0][parts[0][:, 1] > 0], parts[1][parts[1][:, 1] > 0]


def joined(first: JobResult, second: JobResult, job: Job) -> JobResult:
    """One result from the two halves of a job."""
    whole = JobResult(np.concatenate([first.segments, second.segments]), np.concatenate([first.results, second.results]),
                      np.concatenate([first.opens, second.opens]))
    whole.stops, whole.not_run = first.stops + second.stops, first.not_run + second.not_run
    whole.events = first.events + second.events
    whole.printed = first.printed or second.printed
    early = first if first.mode_changed_at >= 0 else second
    whole.mode_changed_at, whole.mode_before, whole.mode_after = early.mode_changed_at, early.mode_before, early.mode_after
    early = first if first.written_at >= 0 else second
    whole.written_at, whole.written_offset = early.written_at, early.written_offset
    whole.load_problem = first.load_problem or second.load_problem
    size = max(len(first.outputs), len(second.outputs))
    whole.outputs = first.outputs + second.outputs[len(first.outputs) : size]
    whole.flags = first.flags + second.flags[len(first.flags) :]
    return whole


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
        """Run a job. Where the firmware takes its worker down, the worker is replaced and the job halved,
        until the input that does it is known."""
        self.deaths = 0
        return self.halving(job)

    def halving(self, job: Job) -> JobResult:
        """Run a job, in halves if its worker dies of it."""
        assert self.process.stdin is not None and self.process.stdout is not None
        try:
            write_frame(self.process.stdin, job)
            answer = read_frame(self.process.stdout)
        except (OSError, EOFError):
            answer = None
        if isinstance(answer, JobResult):
            return answer
        if isinstance(answer, BaseException):
            raise answer
        self.stop()
        self.start()
        self.deaths += 1
        segments = np.asarray(job.segments, np.int64)
        total = int(segments[:, 1].sum())
        if total == 1 or self.deaths > MOST_DEATHS:
            return lost(segments, total == 1)
        first, second = halves(segments, total // 2)
        return joined(self.halving(replace(job, segments=first)), self.halving(replace(job, segments=second)), job)

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
