"""Several sheets checked side by side: reading evidence and writing reports is Python, so each has a process of its own."""

from __future__ import annotations

import ctypes
import multiprocessing
import os
import signal
from collections.abc import Callable, Generator, Sequence
from multiprocessing.connection import Connection
from typing import Any

from firmware_shim.errors import ShimError
from verify.errors import PreflashError, own_fault

PR_SET_PDEATHSIG = 1
LOOK_EVERY_SECONDS = 0.2
Task = Callable[[], dict[str, Any]]


class SheetProblem(PreflashError):
    """What stopped the check of one sheet in its own process, told there in full."""

    code = "V140"

    def __init__(self, text: str, exit_code: int) -> None:
        super().__init__(text, where="", why="", todo="")
        self.text, self.exit_code = text, exit_code

    def __str__(self) -> str:
        return self.text


def results(tasks: Sequence[Task], processes: int | None = None,
            meanwhile: Callable[[int], None] = lambda number: None) -> Generator[dict[str, Any], None, None]:
    """The result of each task, in order. The first runs here, up to so many others beside it. meanwhile: called again and
    again with the number of the one that is waited for.

    Errors: whatever the first raises; SheetProblem with the message of another one.
    """
    at_once = max(1, processes or os.cpu_count() or 1)
    waiting = list(range(1, len(tasks))) if at_once > 1 else []
    running: dict[int, tuple[Any, Connection]] = {}

    def start_more(most: int) -> None:
        while waiting and len(running) < most:
            number = waiting.pop(0)
            running[number] = started(tasks[number])

    try:
        start_more(at_once - 1)
        for number, task in enumerate(tasks):
            if number not in running:
                if number in waiting:
                    waiting.remove(number)
                yield task()
                continue
            process, answer = running[number]
            start_more(at_once)  # nothing runs here meanwhile
            while not answer.poll(LOOK_EVERY_SECONDS):
                meanwhile(number)
            try:
                kind, *words = answer.recv()
            except EOFError:
                kind, words = "problem", ["the process of a sheet ended without an answer", 3]
            process.join()
            del running[number]
            start_more(at_once)
            if kind == "problem":
                raise SheetProblem(*words)
            yield words[0]
    finally:
        for process, answer in running.values():
            process.terminate()
            process.join()
            answer.close()


def started(task: Task) -> tuple[Any, Connection]:
    """A forked process that runs the task and sends what comes of it."""
    here, there = multiprocessing.Pipe(duplex=False)
    process = multiprocessing.get_context("fork").Process(target=_run, args=(task, there))
    process.start()
    there.close()
    return process, here


def end_with_caller() -> None:
    """From now on the end of the process that started this one is its own end too."""
    ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)


def _run(task: Task, answer: Connection) -> None:
    # Ctrl-C reaches this process too, and its check keeps what was learned; a caller that is gone takes it along.
    end_with_caller()
    try:
        answer.send(("result", task()))
    except (PreflashError, ShimError) as problem:
        answer.send(("problem", str(problem), problem.exit_code))
    except KeyboardInterrupt:
        answer.send(("problem", "interrupted", 130))
    except Exception as problem:
        fault = own_fault(problem)
        answer.send(("problem", str(fault), fault.exit_code))
