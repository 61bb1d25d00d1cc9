"""What the stored evidence is keyed by, what survives an edit, and the size of the cache."""

from __future__ import annotations

import fcntl
import multiprocessing
import os
import time
from pathlib import Path

import numpy as np
import pytest

from firmware_shim.build import Built, Request, build
from firmware_shim.job import Event
from firmware_shim.loaded_sections import Place, loaded
from verify.errors import UsageError
from verify.evidence import Evidence
from verify.evidence_keys import build_keys
from verify.evidence_store import (
    IN_USE_SECONDS,
    LOCK,
    bound_size,
    forget,
    in_use,
    look_up_again,
    system_libraries,
)

C = """\
static const float table[4] = {1, 2, 3, 4};
struct who { const char *file; int line, column; };
int where(int x) { static struct who list[2] = {{__FILE__, 5, 7}, {__FILE__, 8, 9}}; return list[x & 1].line + x; }
float look(int i) { return table[i]; }
int add(int a, int b) { return a + b; }
"""


def keys(folder: Path, text: str, variants: tuple[str, ...] = ("host", "strict")) -> dict[str, str]:
    return build_keys(builts(folder, text, variants))[0]


def builts(folder: Path, text: str, variants: tuple[str, ...] = ("host", "strict")) -> dict[str, Built]:
    source = folder / "plant.c"
    source.write_text(text)
    names = ("where", "look", "add")
    return {v: build(Request((source,), routines=names, flags="-O2", variant=v), folder / "cache") for v in variants}


@pytest.mark.usefixtures("gcc")
def test_comments_keep_the_keys_and_everything_else_changes_them(tmp_path: Path) -> None:
    before = keys(tmp_path, C)

    assert before == keys(tmp_path, "/* two\n lines */\n" + C.replace("a + b", "a /* plus */ + b"))
    changes = [("a + b", "a - b"), ("{1, 2,", "{1, 2.5f,"), ("{__FILE__, 5,", "{__FILE__, 6,"), ("float look", "double look")]
    for old, new in changes:
        after = keys(tmp_path, C.replace(old, new))
        assert [] == [name for name in before if before[name] == after[name]], (old, new)


@pytest.mark.usefixtures("gcc")
def test_a_line_number_that_the_code_uses_counts(tmp_path: Path) -> None:
    text = C.replace("a + b", "a + b + __LINE__")
    before, after = keys(tmp_path, text), keys(tmp_path, "\n" + text)

    assert [] == [name for name in before if before[name] == after[name]]


@pytest.mark.usefixtures("gcc")
def test_a_strict_build_alone_keeps_its_lines_in_the_key(tmp_path: Path) -> None:
    assert keys(tmp_path, C, ("strict",)) != keys(tmp_path, "\n" + C, ("strict",))


@pytest.mark.usefixtures("gcc")
def test_places_of_the_strict_build_move_with_the_text(tmp_path: Path) -> None:
    before = build_keys(builts(tmp_path, C))[1]["strict"]
    after = build_keys(builts(tmp_path, "\n\n" + C))[1]["strict"]

    assert len(before) > 3
    moved = [(new.line - old.line, new.column - old.column) for old, new in zip(before, after, strict=True)]
    own = {place.address for place in before if place.line in (5, 8) and place.column in (7, 9)}
    assert {(2, 0)} == {step for step, place in zip(moved, before, strict=True) if place.address not in own}


def test_what_is_no_library_has_no_key(tmp_path: Path) -> None:
    (tmp_path / "x.so").write_bytes(b"\x7fELF nonsense")

    assert loaded(tmp_path / "x.so") is None
    assert loaded(tmp_path / "absent.so") is None


def stored(*events: Event) -> Evidence:
    evidence = Evidence("id", (), np.array([0, 10]))
    evidence.events = list(events)
    return evidence


def test_events_get_their_present_lines() -> None:
    evidence = stored(Event("overflow", "a.c", 3, 9, 5, 17))

    assert look_up_again(evidence, [Place(64, "a.c", 3, 9)], [Place(64, "a.c", 7, 2)])
    assert [(7, 2, 5, 17)] == [(e.line, e.column, e.count, e.ordinal) for e in evidence.events]


@pytest.mark.parametrize(
    "now",
    [[Place(72, "a.c", 7, 2)], [], [Place(64, "b.c", 7, 2)], [Place(64, "a.c", 7, 2), Place(96, "a.c", 8, 2)]],
)
def test_events_that_cannot_be_placed_for_sure_are_hunted_again(now: list[Place]) -> None:
    assert not look_up_again(stored(Event("overflow", "a.c", 3, 9, 5, 17)), [Place(64, "a.c", 3, 9)], now)


def test_one_place_that_became_two_is_hunted_again() -> None:
    before = [Place(64, "a.c", 3, 9), Place(96, "a.c", 3, 9)]
    now = [Place(64, "a.c", 3, 9), Place(96, "a.c", 4, 9)]

    assert not look_up_again(stored(Event("overflow", "a.c", 3, 9, 5, 17)), before, now)


def part(path: Path, size: int, age_seconds: float) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(bytes(size))
    os.utime(path, (time.time() - age_seconds,) * 2)
    return path


def test_the_oldest_use_is_dropped_first_and_what_may_be_in_use_stays(tmp_path: Path) -> None:
    old = part(tmp_path / "evidence" / "old.evidence", 400, 9000)
    young = part(tmp_path / "evidence" / "young.evidence", 400, 100)
    library = part(tmp_path / "builds" / "kept" / "library.so", 400, IN_USE_SECONDS / 2)
    dropped = part(tmp_path / "builds" / "dropped" / "library.so", 400, IN_USE_SECONDS * 2)

    bound_size(tmp_path, 1600)
    assert all(p.exists() for p in (old, young, library, dropped))
    bound_size(tmp_path, 800)
    assert [False, True, True, False] == [p.exists() for p in (old, young, library, dropped)]
    assert not dropped.parent.exists()
    bound_size(tmp_path, 0)
    assert [False, True] == [p.exists() for p in (young, library)]


def trim(folder: str) -> None:
    for _ in range(50):
        bound_size(Path(folder), 0)


def test_two_runs_may_bound_the_cache_at_once(tmp_path: Path) -> None:
    for n in range(200):
        part(tmp_path / "evidence" / f"{n}.evidence", 10, 9000 + n)
        part(tmp_path / "builds" / str(n) / "library.so", 10, 9000 + n)
    runs = [multiprocessing.get_context("spawn").Process(target=trim, args=(str(tmp_path),)) for _ in range(2)]
    for run in runs:
        run.start()
    for run in runs:
        run.join()

    assert [0, 0] == [run.exitcode for run in runs]
    assert [] == [*(tmp_path / "evidence").iterdir(), *(tmp_path / "builds").iterdir()]


def test_forget_empties_the_cache_unless_another_run_works_with_it(tmp_path: Path) -> None:
    part(tmp_path / "evidence" / "a.evidence", 400, 0)
    with in_use(tmp_path), pytest.raises(UsageError, match="in use"):
        forget(tmp_path)
    assert (tmp_path / "evidence" / "a.evidence").exists()

    assert 400 == forget(tmp_path)
    assert [LOCK] == [path.name for path in tmp_path.iterdir()]
    with open(tmp_path / LOCK) as lock:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    assert 0 == forget(tmp_path / "absent")


def test_libraries_put_before_the_systems_own_count(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen = [system_libraries()]
    assert seen[0] == system_libraries()
    (tmp_path / "own.so").write_bytes(b"1")
    monkeypatch.setenv("LD_PRELOAD", str(tmp_path / "own.so"))
    seen.append(system_libraries())
    (tmp_path / "own.so").write_bytes(b"2")
    seen.append(system_libraries())
    monkeypatch.delenv("LD_PRELOAD")
    monkeypatch.setenv("LD_LIBRARY_PATH", str(tmp_path))
    seen.append(system_libraries())
    (tmp_path / "libm.so.6").write_bytes(b"3")
    seen.append(system_libraries())
    monkeypatch.setenv("GLIBC_TUNABLES", "glibc.cpu.hwcaps=-FMA")
    seen.append(system_libraries())

    assert len(seen) == len({repr(libraries) for libraries in seen})
