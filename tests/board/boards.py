"""Small C on the emulated board, for the tests of this folder."""

from __future__ import annotations

import atexit
import functools
import importlib.util
import os
import shutil
from pathlib import Path

import numpy as np
import pytest

from firmware_shim.build import Built, Request
from firmware_shim.compiler import find_compiler
from firmware_shim.crew import Crew
from firmware_shim.engine import NUMPY_TYPES, TYPE_NUMBERS, build_engine
from firmware_shim.job import Axis, Job, JobResult
from firmware_shim.loop_source import loop_symbol

NEEDED = [
    pytest.mark.cortex_m,
    pytest.mark.skipif(shutil.which("arm-none-eabi-gcc") is None,
                       reason="needs arm-none-eabi-gcc: install gcc-arm-none-eabi and libnewlib-arm-none-eabi"),
    pytest.mark.skipif(importlib.util.find_spec("unicorn") is None or importlib.util.find_spec("capstone") is None,
                       reason="needs the emulator: pip install 'preflash[board]'"),
]


def cache() -> Path:
    """The cache of this test run."""
    return Path(os.environ["XDG_CACHE_HOME"]) / "preflash"


def engine() -> Path:
    """The engine, compiled for this computer."""
    return build_engine(find_compiler(None, cache()).path, cache())


@functools.cache
def crew() -> Crew:
    """One worker for all tests of this process: its start costs more than most jobs."""
    made = Crew(engine(), 1)
    atexit.register(made.close)
    return made


def built(folder: Path, c: str, routines: tuple[str, ...], core: str, flags: str = "-O2") -> Built:
    """An image of one C text."""
    from firmware_shim.board_build import build_board

    folder.mkdir(parents=True, exist_ok=True)
    source = folder / "part.c"
    source.write_text(c, encoding="utf-8")
    return build_board(Request((source,), flags=flags, routines=routines), core, cache())


def job(image: Built, routine: str, *columns: np.ndarray, **more: object) -> Job:
    """A job over explicit inputs, one array for each parameter."""
    result = image.info.functions[routine].result
    axes = tuple(Axis(NUMPY_TYPES.index(column.dtype), 2, 0, 1, len(column), 1.0, column.tobytes()) for column in columns)
    number = TYPE_NUMBERS[result.kind, result.bytes]
    return Job(str(image.library), loop_symbol(routine), axes, number, np.array([[0, len(columns[0]), 31]], np.int64),
               zip_inputs=True, keep_outputs=True, **more)  # type: ignore[arg-type]


def run(image: Built, routine: str, *columns: np.ndarray, **more: object) -> tuple[np.ndarray, JobResult]:
    """(outputs, whole result) of a routine over explicit inputs."""
    asked = job(image, routine, *columns, **more)
    result = crew().run(asked)
    return np.frombuffer(result.outputs, NUMPY_TYPES[asked.output_type])[: len(columns[0])], result


def floats(bits: list[int]) -> np.ndarray:
    """Binary32 numbers from their bits."""
    return np.array(bits, np.uint32).view(np.float32)
