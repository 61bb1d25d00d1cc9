"""Starts worker processes: one process imports once what every worker needs, and forks a worker when asked for one.

The process that forks never loads firmware, has one thread, and is the parent of all workers: they are ended through
it, so that no number of a process is used after another one may have got it. A request is one message on a socket
(kind, then a pickle) with the worker's pipes and a socket for the answer, so that several processes may ask at once.
It is a new Python, or, where a command has just begun and has imported the same, a copy of its process.
"""

from __future__ import annotations

import atexit
import contextlib
import gc
import os
import pickle
import signal
import socket
import subprocess
import sys
import threading
from pathlib import Path
from typing import IO, Any

ROOT = Path(__file__).resolve().parent.parent
# Variables that a program and its libraries read while they start; all others are set anew in each worker.
READ_AT_START = ("LD_", "PYTHON", "GLIBC_", "MALLOC_", "OPENBLAS_", "OMP_", "MKL_", "NPY_", "NUMPY_", "GOTO_", "LC_", "LANG")
LONGEST_MESSAGE = 1 << 18
START, END = b"s", b"e"


class Started:
    """A worker process and the pipes to it."""

    def __init__(self, starter: Starter, pid: int, stdin: IO[bytes], stdout: IO[bytes]) -> None:
        self.starter, self.pid, self.stdin, self.stdout = starter, pid, stdin, stdout

    def stop(self) -> None:
        """End the process; its children end with it."""
        for pipe in (self.stdin, self.stdout):
            with contextlib.suppress(OSError):
                pipe.close()
        # Where the starter is gone its workers end by themselves: nobody writes to them any more.
        with contextlib.suppress(OSError, EOFError):
            self.starter.asked(END, self.pid)


class Starter:
    """The caller's side of the process that forks workers. copied: it is a copy of this process."""

    def __init__(self, copied: bool = False) -> None:
        self.key = key_now()
        self.caller, self.environment = os.getpid(), dict(os.environ)
        self.line, there = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self.process: Any = copy_of_this(there) if copied else self.new_process(there)
        there.close()
        atexit.register(self.close)

    @staticmethod
    def new_process(there: socket.socket) -> subprocess.Popen[bytes]:
        """A new Python, told which file the socket is."""
        path = os.pathsep.join(filter(None, [str(ROOT), os.environ.get("PYTHONPATH")]))
        environment = {**os.environ, "PYTHONPATH": path, "OPENBLAS_NUM_THREADS": "1"}
        # A session of its own: Ctrl-C reaches only the caller.
        return subprocess.Popen(
            [sys.executable, "-P", "-m", "firmware_shim.worker_starter", str(there.fileno())], stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL, env=environment, start_new_session=True, pass_fds=[there.fileno()])

    def asked(self, kind: bytes, what: Any, files: tuple[int, ...] = ()) -> Any:
        """The answer to one request. Errors: OSError or EOFError when the process is gone; what went wrong there."""
        here, there = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        with here:
            with there:
                socket.send_fds(self.line, [kind + pickle.dumps(what)], [there.fileno(), *files])
            answer = here.recv(LONGEST_MESSAGE)
        if not answer:
            raise EOFError("the process that starts workers is gone")
        found = pickle.loads(answer)
        if isinstance(found, BaseException):
            raise found
        return found

    def start(self, engine: Path) -> Started:
        """A worker of its own for an engine. Errors: OSError, EOFError."""
        now = dict(os.environ)
        changes = {name: now.get(name) for name in {*now, *self.environment} if now.get(name) != self.environment.get(name)}
        errors = standard_error()
        source, stdin = os.pipe()
        stdout, sink = os.pipe()
        try:
            pid = self.asked(START, (str(engine), current_folder(), changes), (source, sink, errors))
        except BaseException:
            os.close(stdin)
            os.close(stdout)
            raise
        finally:
            for file in (source, sink, errors):
                os.close(file)
        return Started(self, pid, os.fdopen(stdin, "wb"), os.fdopen(stdout, "rb"))

    def close(self) -> None:
        """End the process, by the one that began it."""
        atexit.unregister(self.close)
        self.line.close()
        if os.getpid() == self.caller:
            self.process.kill()
            (self.process.wait if isinstance(self.process, subprocess.Popen) else self.process.join)()


def current_folder() -> str:
    """The folder of the caller; the root where it was removed."""
    try:
        return os.getcwd()
    except OSError:
        return "/"


def standard_error() -> int:
    """Where a worker's complaints go."""
    try:
        return os.dup(2)
    except OSError:
        return os.open(os.devnull, os.O_WRONLY)


_starter: Starter | None = None
_lock = threading.Lock()


def _afresh() -> None:
    global _lock
    _lock = threading.Lock()


os.register_at_fork(after_in_child=_afresh)


def key_now() -> tuple[tuple[str, str], ...]:
    """What a process that starts now would find otherwise than one that started before."""
    return tuple(sorted((name, value) for name, value in os.environ.items() if name.startswith(READ_AT_START)))


def ready_starter(renew: bool = False) -> Starter:
    """The process that forks workers, started when there is none yet (or none that fits the environment)."""
    global _starter
    with _lock:
        if _starter is None or renew or _starter.key != key_now():
            _starter = Starter()  # workers of an older one hold on to it until they end
        return _starter


def copied_starter() -> None:
    """The same as a copy of this process, which has one thread and has loaded nothing of anybody's: what both need is
    imported once. For the beginning of a command; elsewhere a new process is started when it is asked for."""
    global _starter
    import firmware_shim.worker  # noqa: F401 - all that a worker needs

    with _lock:
        if _starter is None and threading.active_count() == 1 and os.environ.get("OPENBLAS_NUM_THREADS") == "1":
            _starter = Starter(copied=True)
    ready_starter()


def copy_of_this(line: socket.socket) -> Any:
    """A forked process that starts workers."""
    import multiprocessing

    process = multiprocessing.get_context("fork").Process(target=_be_starter, args=(line,), daemon=True)
    process.start()
    return process


def _be_starter(line: socket.socket) -> None:
    """Keep nothing of the caller's but its modules."""
    os.setsid()  # Ctrl-C reaches only the caller
    gc.enable()
    nothing = os.open(os.devnull, os.O_RDWR)
    for file in (0, 1):
        os.dup2(nothing, file)
    for file in map(int, os.listdir("/proc/self/fd")):
        if file > 2 and file != line.fileno():
            with contextlib.suppress(OSError):  # that of the folder itself
                os.close(file)
    # As python -P: what is imported later must not be found in the folder that the caller works in.
    sys.path[:] = [str(ROOT), *(place for place in sys.path if place and os.path.realpath(place) != os.path.realpath("."))]
    serve(line)


def start_worker(engine: Path) -> Started:
    """A new worker. Errors: OSError, EOFError."""
    try:
        return ready_starter().start(engine)
    except (OSError, EOFError):
        return ready_starter(renew=True).start(engine)


def _worker(engine: str, folder: str, changes: dict[str, str | None], source: int, sink: int, errors: int) -> None:
    """Be a worker; never returns."""
    code = 1
    try:
        os.setsid()
        with contextlib.suppress(OSError):
            os.chdir(folder)
        for name, value in changes.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
        os.dup2(errors, 2)
        os.dup2(errors, 1)
        os.close(errors)
        from firmware_shim.worker import serve_frames

        serve_frames(engine, source, sink)
        code = 0
    except BrokenPipeError:
        pass  # the caller is gone
    except BaseException:
        sys.excepthook(*sys.exc_info())
    finally:
        os._exit(code)


def serve(line: socket.socket) -> None:
    """Fork and end workers until the last caller is gone."""
    from firmware_shim import engine, events

    children: set[int] = set()
    while True:
        message, files, _, _ = socket.recv_fds(line, LONGEST_MESSAGE, 8)
        if not message:
            return
        answer, *pipes = files
        kind, what = message[:1], pickle.loads(message[1:])
        found: Any = None
        try:
            if kind == START:
                kept = Path(what[0]).parent
                engine.read_ahead(kept)
                events.read_ahead(kept)
                gc.freeze()
                found = os.fork()
                if not found:
                    line.close()
                    os.close(answer)
                    _worker(*what, *pipes)
                children.add(found)
            elif what in children:
                # It was not reaped before: the number still means this worker, whatever became of it.
                os.kill(what, signal.SIGKILL)
                os.waitpid(what, 0)
                children.discard(what)
        except OSError as problem:
            found = problem
        for file in pipes:
            os.close(file)
        with socket.socket(fileno=answer) as reply, contextlib.suppress(OSError):
            reply.send(pickle.dumps(found))


if __name__ == "__main__":
    import firmware_shim.worker  # noqa: F401 - all that a worker needs, imported once

    serve(socket.socket(fileno=int(sys.argv[1])))
