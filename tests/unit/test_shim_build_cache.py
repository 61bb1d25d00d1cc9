"""The store of finished builds: nothing built twice, nothing stale, nothing half-written."""

import ctypes
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from firmware_shim import build_cache
from firmware_shim.build import Built, Request, build
from firmware_shim.compile_messages import link_failure
from firmware_shim.compiler import Ran
from firmware_shim.engine import compile_own
from firmware_shim.errors import CompileFailed
from firmware_shim.loads import Loads

ROOT = Path(__file__).parents[2]


def write(folder: Path, **texts: str) -> None:
    for name, text in texts.items():
        (folder / name.replace("__", ".")).write_text(text)


def value(built: Built, routine: str, x: float) -> float:
    """One call of a float -> float routine through its loop."""
    given, output, progress = ctypes.c_float(x), ctypes.c_float(), ctypes.c_long()
    inputs = (ctypes.c_void_p * 1)(ctypes.addressof(given))
    loop = getattr(ctypes.CDLL(str(built.library)), built.loops[routine])
    loop.argtypes = [ctypes.c_void_p, ctypes.c_void_p, ctypes.c_long, ctypes.c_void_p]
    loop(inputs, ctypes.addressof(output), 1, ctypes.addressof(progress))
    return output.value


def test_nothing_is_built_twice(tmp_path: Path) -> None:
    write(tmp_path, a__c="float f(float x) { return x; }\n")
    request = Request((tmp_path / "a.c",), routines=("f",))
    first = build(request, tmp_path / "cache")
    again = build(request, tmp_path / "cache")

    assert (False, True) == (first.reused, again.reused)
    assert (first.key, first.library, first.loops) == (again.key, again.library, again.loops)
    assert (first.source_hashes, first.dropped_flags) == (again.source_hashes, again.dropped_flags)
    assert first.info == again.info


def test_a_cache_under_another_name_is_a_cache(tmp_path: Path) -> None:
    write(tmp_path, a__c="float f(float x) { return x; }\n")
    (tmp_path / "real").mkdir()
    (tmp_path / "linked").symlink_to(tmp_path / "real")
    request = Request((tmp_path / "a.c",), routines=("f",))

    assert not build(request, tmp_path / "linked" / ".." / "real").reused
    assert build(request, tmp_path / "linked").reused


def test_an_edited_header_builds_anew_and_an_undone_edit_does_not(tmp_path: Path) -> None:
    write(tmp_path, g__h="#define GAIN 2\n", a__c='#include "g.h"\nfloat f(float x) { return x * GAIN; }\n')
    request = Request((tmp_path / "a.c",), routines=("f",))
    first = build(request, tmp_path / "cache")
    times = os.stat(tmp_path / "g.h")
    write(tmp_path, g__h="#define GAIN 5\n")
    # Same size and same time: only the text tells.
    os.utime(tmp_path / "g.h", ns=(times.st_atime_ns, times.st_mtime_ns))
    second = build(request, tmp_path / "cache")
    write(tmp_path, g__h="#define GAIN 2\n")
    third = build(request, tmp_path / "cache")

    assert (False, False, True) == (first.reused, second.reused, third.reused)
    assert (2.0, 5.0) == (value(first, "f", 1.0), value(second, "f", 1.0))
    assert first.key == third.key != second.key


@pytest.mark.parametrize("how", ["include", "flags"])
def test_a_new_header_that_is_found_earlier_builds_anew(tmp_path: Path, how: str) -> None:
    for name in ("near", "far"):
        (tmp_path / name).mkdir()
    (tmp_path / "far" / "g.h").write_text("#define GAIN 2\n")
    write(tmp_path, a__c="#include <g.h>\nfloat f(float x) { return x * GAIN; }\n")
    request = Request((tmp_path / "a.c",), routines=("f",), flags=f"-I{tmp_path}/near -I {tmp_path}/far")
    if how == "include":
        request = Request((tmp_path / "a.c",), routines=("f",), include=(tmp_path / "near", tmp_path / "far"))
    first = build(request, tmp_path / "cache")
    (tmp_path / "near" / "g.h").write_text("#define GAIN 9\n")
    second = build(request, tmp_path / "cache")

    assert (2.0, 9.0) == (value(first, "f", 1.0), value(second, "f", 1.0))
    assert not second.reused


def test_what_changes_the_code_changes_the_key(tmp_path: Path) -> None:
    write(tmp_path, a__c="float f(float x) { return x; }\nfloat g(float x) { return x; }\n")
    source = (tmp_path / "a.c",)
    requests = [
        Request(source, routines=("f",)),
        Request(source, routines=("g",)),
        Request(source, routines=("f",), flags="-O2"),
        Request(source, routines=("f",), defines=("A",)),
        Request(source, routines=("f",), variant="strict"),
    ]
    keys = [build(r, tmp_path / "cache").key for r in requests]

    assert len(requests) == len(set(keys))


def test_the_same_text_gives_the_same_bytes(tmp_path: Path) -> None:
    write(tmp_path, a__c="static int n; float f(float x) { return x + n++; }\n")
    request = Request((tmp_path / "a.c",), flags="-O2", routines=("f",))
    one, two = build(request, tmp_path / "one"), build(request, tmp_path / "two")

    assert one.key == two.key
    assert one.library.read_bytes() == two.library.read_bytes()


def test_a_failed_build_leaves_nothing_behind(tmp_path: Path) -> None:
    write(tmp_path, a__c="float f(float x) { return ; }}\n")
    with pytest.raises(CompileFailed):
        build(Request((tmp_path / "a.c",)), tmp_path / "cache")

    assert [] == list((tmp_path / "cache" / "making").iterdir())
    assert not (tmp_path / "cache" / "builds").exists()


def test_a_damaged_store_is_built_over(tmp_path: Path) -> None:
    write(tmp_path, a__c="float f(float x) { return x; }\n")
    request = Request((tmp_path / "a.c",), routines=("f",))
    first = build(request, tmp_path / "cache")
    for index in (tmp_path / "cache" / "requests").iterdir():
        index.write_text("{ half a re")
    second = build(request, tmp_path / "cache")
    (second.library.parent / "manifest.json").write_text("")
    third = build(request, tmp_path / "cache")

    assert (False, False) == (second.reused, third.reused)
    assert 1.0 == value(third, "f", 1.0)
    assert build(request, tmp_path / "cache").reused
    assert first.key == third.key


@pytest.mark.parametrize("damage", [lambda held: held[: len(held) // 2], lambda held: bytes(len(held)),
                                    lambda held: bytes([*held[:-9], held[-9] ^ 1, *held[-8:]])])
def test_a_kept_library_that_is_not_as_it_was_written_is_made_again(
    tmp_path: Path, damage: Callable[[bytes], bytes], monkeypatch: pytest.MonkeyPatch,
) -> None:
    write(tmp_path, a__c="float f(float x) { return x; }\n", own__c="int pf_own(void) { return 5; }\n")
    request = Request((tmp_path / "a.c",), routines=("f",), variant="strict")
    made = build(request, tmp_path / "cache").library
    own = compile_own([tmp_path / "own.c"], "own", "gcc", tmp_path / "cache")
    parts = [made, own, *(tmp_path / "cache" / "own").glob("recorder*.o")]
    for part in parts:
        whole = part.read_bytes()
        part.unlink()  # this process may have loaded the old one
        part.write_bytes(damage(whole))
    again = build(request, tmp_path / "cache")

    assert not again.reused
    assert 1.0 == value(again, "f", 1.0)
    assert own == compile_own([tmp_path / "own.c"], "own", "gcc", tmp_path / "cache")
    assert 5 == ctypes.CDLL(str(own)).pf_own()
    assert build(request, tmp_path / "cache").reused


def test_a_cache_that_can_only_be_read_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write(tmp_path, own__c="int pf_own(void) { return 5; }\n")
    own = compile_own([tmp_path / "own.c"], "own", "gcc", tmp_path / "cache")
    before = own.stat()

    def refused(*_: object, **__: object) -> None:
        raise OSError("read-only file system")

    monkeypatch.setattr(os, "utime", refused)
    assert before == compile_own([tmp_path / "own.c"], "own", "gcc", tmp_path / "cache").stat()


def test_a_link_on_a_full_disk_says_so() -> None:
    ran = Ran(1, "", "ld: final link failed: No space left on device\ncollect2: error: ld returned 1 exit status\n")
    assert "the disk is full" in str(link_failure(ran, [Path("a.c")], "mapped"))


def test_a_note_of_loads_that_cannot_be_read_is_none(tmp_path: Path) -> None:
    write(tmp_path, a__c="float f(float x) { return x; }\n")
    loads = Loads(str(build(Request((tmp_path / "a.c",), routines=("f",)), tmp_path / "cache").library))
    Path(loads.note).write_bytes(b"\xe4\xff")

    assert not loads.taken()


def test_folders_left_by_killed_processes_are_cleared(tmp_path: Path) -> None:
    old, young = tmp_path / "making" / "build-old", tmp_path / "making" / "build-young"
    old.mkdir(parents=True)
    young.mkdir()
    os.utime(old, (time.time() - 1e5,) * 2)
    with build_cache.workshop(tmp_path):
        pass

    assert (False, True) == (old.exists(), young.exists())


def test_the_store_follows_the_users_settings(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    assert tmp_path / "preflash" == build_cache.folder(None)
    monkeypatch.delenv("XDG_CACHE_HOME")
    monkeypatch.setenv("HOME", str(tmp_path))
    assert tmp_path / ".cache" / "preflash" == build_cache.folder(None)


def test_two_processes_may_build_the_same_thing_at_once(tmp_path: Path) -> None:
    write(tmp_path, a__c="float f(float x) { return x * 3; }\n")
    text = (
        "import sys; from pathlib import Path; from firmware_shim.build import Request, build\n"
        "built = build(Request((Path(sys.argv[1]),), routines=('f',)), Path(sys.argv[2]))\n"
        "print(built.key, built.library)\n"
    )
    command = [sys.executable, "-c", text, str(tmp_path / "a.c"), str(tmp_path / "cache")]
    running = [subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) for _ in range(3)]
    told = [process.communicate(timeout=120)[0] for process in running]

    assert [0, 0, 0] == [process.returncode for process in running]
    assert 1 == len(set(told))
    assert 1 == len(list((tmp_path / "cache" / "builds").iterdir()))
    assert [] == list((tmp_path / "cache" / "making").iterdir())
    assert build(Request((tmp_path / "a.c",), routines=("f",)), tmp_path / "cache").reused
