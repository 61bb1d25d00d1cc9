"""A crew of worker processes that share the jobs of a hunt. Firmware never runs in the caller's process."""

from __future__ import annotations

import os
import queue
import threading
import time
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, overload

import numpy as np

from firmware_shim.engine import NUMPY_TYPES, fresh_results
from firmware_shim.frames import read_frame, write_frame
from firmware_shim.job import Job, JobResult, Stop
from firmware_shim.processes import processor_seconds
from firmware_shim.script_job import ScriptJob, ScriptResult, ScriptRun
from firmware_shim.worker_starter import Started, ready_starter, start_worker

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
    whole.heap = min((part.heap for part in (first, second) if part.heap[0]), key=lambda heap: heap[1], default=(0, 0, 0))
    whole.load_problem = first.load_problem or second.load_problem
    size = max(len(first.outputs), len(second.outputs))
    whole.outputs = first.outputs + second.outputs[len(first.outputs) : size]
    whole.flags = first.flags + second.flags[len(first.flags) :]
    return whole


def lost_scripts(job: ScriptJob) -> ScriptResult:
    """The result of a script that took its worker down."""
    nothing = [np.zeros(0, NUMPY_TYPES[number]) for number in job.output_types]
    stop = Stop("killed its worker", 0, 1, 0, "it ended the process that watched it (kill or the like)")
    return ScriptResult([ScriptRun(nothing, 0, stop=stop) for _ in job.scripts])


def joined_scripts(first: ScriptResult, second: ScriptResult, before: int) -> ScriptResult:
    """One result from the two halves of a job."""
    moved = [(place + before, sample, event) for place, sample, event in second.recorded]
    return ScriptResult(first.runs + second.runs, first.recorded + moved, first.printed or second.printed,
                        first.load_problem or second.load_problem)


class Member:
    """One worker process and the pipes to it. It starts when it is first needed."""

    def __init__(self, engine: Path) -> None:
        self.engine = engine
        self.started: Started | None = None
        self.lock = threading.Lock()

    @overload
    def run(self, job: Job) -> JobResult: ...

    @overload
    def run(self, job: ScriptJob) -> ScriptResult: ...

    def run(self, job: Job | ScriptJob) -> JobResult | ScriptResult:
        """Run a job. Where the firmware takes its worker down, the worker is replaced and the job halved,
        until the input (or script) that does it is known. One job at a time: others wait."""
        with self.lock:
            self.deaths = 0
            return self.halving_scripts(job) if isinstance(job, ScriptJob) else self.halving(job)

    def halving_scripts(self, job: ScriptJob) -> ScriptResult:
        """Run scripts, in halves if the worker dies of them."""
        answer = self.asked(job)
        if isinstance(answer, ScriptResult):
            return answer
        count = len(job.scripts)
        if count == 1 or self.deaths > MOST_DEATHS:
            return lost_scripts(job)
        first, second = replace(job, scripts=job.scripts[: count // 2]), replace(job, scripts=job.scripts[count // 2 :])
        return joined_scripts(self.halving_scripts(first), self.halving_scripts(second), count // 2)

    def asked(self, job: Job | ScriptJob) -> object:
        """The worker's answer; None, and a new worker, when it died."""
        self.started = self.started or start_worker(self.engine)
        try:
            write_frame(self.started.stdin, job)
            answer = read_frame(self.started.stdout)
        except (OSError, EOFError):
            answer = None
        if isinstance(answer, BaseException):
            raise answer
        if answer is None:
            self.stop()
            self.deaths += 1
        return answer

    def halving(self, job: Job) -> JobResult:
        """Run a job, in halves if its worker dies of it."""
        answer = self.asked(job)
        if isinstance(answer, JobResult):
            return answer
        segments = np.asarray(job.segments, np.int64)
        total = int(segments[:, 1].sum())
        if total == 1 or self.deaths > MOST_DEATHS:
            return lost(segments, total == 1)
        first, second = halves(segments, total // 2)
        return joined(self.halving(replace(job, segments=first)), self.halving(replace(job, segments=second)), job)

    def stop(self) -> None:
        """End the process, if there is one; its children end with it."""
        if self.started is not None:
            self.started.stop()
        self.started = None


class Ahead:
    """A job that runs while its caller does something else."""

    def __init__(self, member: Member, job: Job) -> None:
        self.member, self.job = member, job
        self.found: JobResult | BaseException | None = None
        self.thread = threading.Thread(target=self._work, daemon=True)
        self.thread.start()

    def _work(self) -> None:
        try:
            self.found = self.member.run(self.job)
        except BaseException as problem:  # handed to whoever asks for the result
            self.found = problem

    def result(self) -> JobResult:
        """What the job found, as soon as it has. Errors: what went wrong."""
        self.thread.join()
        if isinstance(self.found, BaseException):
            raise self.found
        assert self.found is not None
        return self.found


class Crew:
    """Workers, as many as the machine has processors unless told otherwise. Use as a context manager."""

    def __init__(self, engine: Path, size: int | None = None) -> None:
        self.engine = engine
        ready_starter()
        self.members = [Member(engine) for _ in range(size or os.cpu_count() or 1)]
        self.lock = threading.Lock()
        self.under_way: list[Ahead] = []

    def __enter__(self) -> Crew:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def processor_seconds(self) -> float:
        """Processor time of the workers so far, and of this process: what a run takes on a computer that is not busy."""
        pids = [member.started.pid for member in self.members if member.started is not None]
        return time.process_time() + sum(processor_seconds(pid, with_ended=True) for pid in pids)

    def close(self) -> None:
        """End all workers, when what runs ahead is done."""
        for ahead in self.under_way:
            ahead.thread.join()
        for member in self.members:
            member.stop()

    def ahead(self, job: Job) -> Ahead:
        """Run one job on the last worker while the caller goes on."""
        self.under_way = [one for one in self.under_way if one.thread.is_alive()]
        self.under_way.append(started := Ahead(self.members[-1], job))
        return started

    @overload
    def run(self, job: Job) -> JobResult: ...

    @overload
    def run(self, job: ScriptJob) -> ScriptResult: ...

    def run(self, job: Job | ScriptJob) -> JobResult | ScriptResult:
        """Run one job on the first worker."""
        return self.members[0].run(job)

    @overload
    def run_all(self, jobs: Iterable[Job]) -> Iterator[tuple[int, JobResult]]: ...

    @overload
    def run_all(self, jobs: Iterable[ScriptJob]) -> Iterator[tuple[int, ScriptResult]]: ...

    def run_all(self, jobs: Iterable[Any]) -> Iterator[tuple[int, Any]]:
        """Run jobs on all workers; yields (number of the job, result) as they come.

        Closing the iterator (or an interrupt) hands out no further jobs and waits for those under way.
        """
        source = enumerate(jobs)
        done: queue.Queue[tuple[int, Any] | BaseException | None] = queue.Queue()
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
