"""Profiles, marks and fixtures that every test may count on."""

from __future__ import annotations

import importlib.util
import os
import random
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

from firmware_shim.clang_strict import clang_words
from firmware_shim.installing import how_to_install

# Hypothesis's own example database would make a run depend on the one before it.
settings.register_profile("quick", derandomize=True, deadline=None, database=None, max_examples=60)
settings.register_profile("full", derandomize=False, deadline=None, database=None, max_examples=600)
settings.load_profile("quick")
# Hundreds of short processes start from these sources: compiled ones start sooner.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)


@pytest.hookimpl(tryfirst=True)
def pytest_configure(config: pytest.Config) -> None:
    """Give the full profile a seed of its own before Hypothesis reads its options."""
    if config.getoption("--hypothesis-profile") == "full" and config.getoption("--hypothesis-seed") is None:
        given = getattr(config, "workerinput", {}).get("hypothesis_seed")
        config.option.hypothesis_seed = given or str(random.SystemRandom().getrandbits(32))


def pytest_report_header(config: pytest.Config) -> str:
    """Say how to repeat the run."""
    seed = config.getoption("--hypothesis-seed")
    if seed is None:
        return "hypothesis: fixed draws"
    return f"hypothesis: repeat with --hypothesis-seed={seed}"


@pytest.hookimpl(optionalhook=True)
def pytest_configure_node(node: Any) -> None:  # the type is not importable where xdist is absent
    """Hand the seed to the workers of a distributed run, so that one seed repeats it all."""
    node.workerinput["hypothesis_seed"] = node.config.getoption("--hypothesis-seed")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what is not full as quick; skip the board's tests where there is no emulator."""
    emulator = importlib.util.find_spec("unicorn") is not None
    for item in items:
        if item.get_closest_marker("full") is None:
            item.add_marker(pytest.mark.quick)
        if item.get_closest_marker("cortex_m") is not None and not emulator:
            item.add_marker(pytest.mark.skip(reason="needs the emulator: pip install 'preflash[board]'"))


@pytest.fixture(scope="session", autouse=True)
def private_cache(tmp_path_factory: pytest.TempPathFactory, worker_id_or_none: str | None) -> Iterator[Path]:
    """Folder that stands in for the user's cache, one for the whole run and all its workers."""
    base = tmp_path_factory.getbasetemp()
    folder = (base.parent if worker_id_or_none else base) / "cache"
    folder.mkdir(exist_ok=True)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(folder))
        yield folder


@pytest.fixture(scope="session")
def worker_id_or_none(request: pytest.FixtureRequest) -> str | None:
    """Name of the worker in a distributed run, None otherwise (also where xdist is absent)."""
    worker: str | None = getattr(request.config, "workerinput", {}).get("workerid")
    return worker


@pytest.fixture
def empty_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Cache folder that this test alone sees, empty at its start."""
    folder = tmp_path / "cache"
    folder.mkdir()
    monkeypatch.setenv("XDG_CACHE_HOME", str(folder))
    return folder


def _found_or_skip(program: str, package: str) -> str:
    path = shutil.which(program)
    if path is None:
        pytest.skip(f"needs {program}: install the package {package}")
    return path


@pytest.fixture(scope="session")
def gcc() -> str:
    """Path of the host's C compiler."""
    return _found_or_skip("gcc", "gcc")


@pytest.fixture(scope="session")
def arm_gcc() -> str:
    """Path of the board's C compiler."""
    return _found_or_skip("arm-none-eabi-gcc", "gcc-arm-none-eabi")


@pytest.fixture(scope="session")
def clang() -> str:
    """The compiler of the strict build's second pass."""
    words = clang_words()
    if words is None:
        pytest.skip(f"needs clang or the package ziglang: {how_to_install('compiler')}")
    return words[0]
