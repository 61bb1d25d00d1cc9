"""A worker process: loads built firmware and runs jobs, each in a forked, limited child.

The firmware's code runs in the children only (its constructors in the worker, after a trial load in a
child). The worker (forked by ``worker_starter``) is the subreaper of all that the firmware starts and ends every
descendant after each job.
"""

from __future__ import annotations

import ctypes
import functools
import os
import signal
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from firmware_shim.engine import load_engine
from firmware_shim.frames import Held, read_frame, write_frame
from firmware_shim.job import Job, JobResult
from firmware_shim.loads import Loads
from firmware_shim.running import Library, Runner
from firmware_shim.script_job import ScriptJob, ScriptResult
from firmware_shim.script_running import ScriptRunner

PR_SET_CHILD_SUBREAPER = 36
ARM, X86 = 40, 3
# A constructor that came back before, and does not now, ends its worker.
LOADED_WITHIN_SECONDS = 10


def trial_load(path: str, contain: Callable[[], None]) -> str:
    """Load the library in a child first: a constructor that crashes must not take the worker along. contain: called there."""
    child = os.fork()
    if child == 0:
        try:
            signal.alarm(5)
            contain()
            ctypes.CDLL(path, mode=os.RTLD_NOW | os.RTLD_LOCAL)
            os._exit(0)
        except OSError as problem:
            with open(path + ".load", "w", encoding="utf-8") as note:
                note.write(str(problem))
        finally:
            os._exit(1)
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        number = os.WTERMSIG(status)
        words = {signal.SIGSYS: "a constructor asked for a new process, or signalled another one",
                 signal.SIGALRM: "a constructor did not come back within 5 s"}
        return f"loading the firmware ended with {signal.Signals(number).name}: " + words.get(
            signal.Signals(number), "a constructor crashed")
    if status != 0:
        try:
            with open(path + ".load", encoding="utf-8") as note:
                return note.read()
        except OSError:
            return "loading the firmware failed"
    return ""


@functools.cache
def narrow_machine(path: str) -> int:
    """The machine number of a 32-bit ELF file (40 Arm, 3 the 32-bit side of x86); 0 for any other file."""
    try:
        with open(path, "rb") as stream:
            head = stream.read(20)
    except OSError:
        return 0
    return int.from_bytes(head[18:20], "little") if head[:5] == b"\x7fELF\x01" else 0


class Worker:
    """Holds the loaded libraries and serves jobs."""

    def __init__(self, engine_path: str) -> None:
        self.engine = load_engine(Path(engine_path))
        self.libraries: dict[str, Library] = {}
        self.problems: dict[str, str] = {}
        self.images: dict[tuple[str, str], Any] = {}
        self.areas: dict[tuple[str, str], Any] = {}  # beside each image: memory for states of machines
        self.programs: dict[str, Any] = {}
        self.held: Held | None = None  # memory of the last answer
        self.capture = tempfile.TemporaryFile()  # noqa: SIM115 - kept open for the worker's life

    def library(self, path: str) -> Library | None:
        """The loaded library, or None when it cannot be loaded (see problems)."""
        if path not in self.libraries and path not in self.problems:
            loads = Loads(path)
            problem = "" if loads.taken() else trial_load(path, self.engine.lib.pf_keep_to_itself)
            if problem:
                self.problems[path] = problem
                return None
            try:
                signal.alarm(LOADED_WITHIN_SECONDS)
                self.libraries[path] = Library(self.engine, path)
            except OSError as problem:  # what it needs has gone
                self.problems[path] = str(problem)
            finally:
                signal.alarm(0)
            loads.leave()
        return self.libraries.get(path)

    def let_go(self) -> None:
        """The last answer has been taken."""
        if self.held is not None:
            os.close(self.held.descriptor)
        self.held = None

    def serve(self, job: Job | ScriptJob) -> JobResult | ScriptResult:
        """Run one job."""
        machine = narrow_machine(job.library)
        if machine == ARM:
            return self.serve_board(job)
        if machine == X86:
            return self.serve_narrow(job)
        library = self.library(job.library)
        if isinstance(job, ScriptJob):
            player = ScriptRunner(self.engine, job, self.capture)
            if library is None:
                return player.refused_scripts(self.problems[job.library])
            result = player.run_scripts(library)
            self.held = player.held
            return result
        runner = Runner(self.engine, job, self.capture)
        if library is None:
            return runner.refused(self.problems[job.library], is_its_own=True)
        libraries = self.beside(job)
        return runner.refused(libraries) if isinstance(libraries, str) else runner.run(library, libraries)

    def beside(self, job: Job) -> dict[str, Library] | str:
        """Libraries that the job's tests call besides its own: screens, other builds. A text says what cannot be loaded."""
        libraries = {test.screen[0]: self.screen(test.screen[0]) for test in job.tests if test.screen}
        for path in {test.second_library for test in job.tests if test.second_library}:
            other = self.library(path)
            if other is None:
                return self.problems[path]
            libraries[path] = other
        return libraries

    def serve_board(self, job: Job | ScriptJob) -> JobResult | ScriptResult:
        """Run one job in the emulator."""
        from firmware_shim.board_emulator import LoadProblem
        from firmware_shim.board_running import BoardRunner
        from firmware_shim.board_script_running import Areas, BoardScriptRunner
        from firmware_shim.board_served import ServedRunner, may_serve

        if isinstance(job, ScriptJob):
            player = BoardScriptRunner(self.engine, job, self.capture)
            try:
                way = "interrupting" if job.interruptions is not None else "tracing" if job.keep_costs else ""
                image = self.image(job.library, way)
                if (job.library, way) not in self.areas:
                    self.areas[job.library, way] = Areas(image)
                return player.play_on(image, self.areas[job.library, way])
            except LoadProblem as problem:
                return player.refused_scripts(str(problem))
        runner = BoardRunner(self.engine, job, self.capture)
        try:
            image = self.image(job.library, "tracing" if job.trap_kinds or job.keep_costs else "")
        except LoadProblem as problem:
            return runner.refused(str(problem))
        libraries = self.beside(job)
        if isinstance(libraries, str):
            return runner.refused(libraries)
        if may_serve(job, image):
            return ServedRunner(self.engine, job, self.capture).run_served(image, libraries)
        return runner.run_board(image, libraries)

    def image(self, path: str, way: str = "") -> Any:
        """The board's image, loaded once for each way to run it. Errors: LoadProblem."""
        from firmware_shim.board_emulator import BoardImage

        if (path, way) not in self.images:
            self.images[path, way] = BoardImage(self.engine, path, way)
        return self.images[path, way]

    def serve_narrow(self, job: Job | ScriptJob) -> JobResult | ScriptResult:
        """Run one job in a 32-bit process."""
        from firmware_shim.narrow_running import NarrowProgram, NarrowRunner

        if isinstance(job, ScriptJob):
            return ScriptRunner(self.engine, job, self.capture).refused_scripts("machines do not run in the 32-bit build")
        runner = NarrowRunner(self.engine, job, self.capture)
        libraries = self.beside(job)
        if isinstance(libraries, str):
            return runner.refused(libraries)
        if job.library not in self.programs:
            self.programs[job.library] = NarrowProgram(self.engine, job.library)
        return runner.run_narrow(self.programs[job.library], libraries)

    def screen(self, path: str) -> Library:
        """A library of screens, which is code of our own."""
        if path not in self.libraries:
            self.libraries[path] = Library(self.engine, path)
        return self.libraries[path]


def serve_frames(engine: str, source_file: int, sink_file: int) -> None:
    """Serve frames until the other side is gone. Errors: BrokenPipeError where it is gone before the answer."""
    ctypes.CDLL(None).prctl(PR_SET_CHILD_SUBREAPER, 1, 0, 0, 0)
    source, sink = os.fdopen(source_file, "rb"), os.fdopen(sink_file, "wb")
    worker = Worker(engine)
    while (job := read_frame(source)) is not None:
        worker.let_go()
        try:
            answer: Any = worker.serve(job)
        except Exception as problem:  # a fault of our own travels to the caller; it is never the firmware's
            answer = RuntimeError(f"worker: {type(problem).__name__}: {problem}")
        write_frame(sink, answer, worker.held)
