"""A routine's library of an earlier build is taken again only where a link of the present objects would load the same."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from firmware_shim import parts_again
from firmware_shim.board_build import build_board
from firmware_shim.build import Built, build
from firmware_shim.build_cache import cached_info
from firmware_shim.engine import OwnPartFailed
from firmware_shim.loads import Loads
from firmware_shim.memory_map import functions_of
from firmware_shim.object_files import ObjectFile
from tests.end_to_end.test_edits_reach import EDITS, edit, written
from verify.binding import cache_folder, request_for
from verify.sheet import load_sheet

pytestmark = pytest.mark.usefixtures("gcc")
NEVER = ("flags",)
QUICK = ("lines only",)
# (edit, build): a part of at least one routine is taken again.
TAKEN = {("static data", "host"), ("static data", "strict"), ("lines only", "host"), ("an overflow", "host"),
         ("a table of a helper", "host"), ("a function in a table", "host"), ("a macro", "strict")}


def built(folder: Path, builds: list[str], cache: Path) -> list[Built]:
    """All builds of the sheet, in a cache of their own but for what the tool compiles of itself."""
    sheet = load_sheet(folder / "part_sheet.py")
    cache.mkdir(exist_ok=True)
    for name in ("own", "compilers"):
        (cache_folder() / name).mkdir(parents=True, exist_ok=True)
        if not (cache / name).exists():
            (cache / name).symlink_to(cache_folder() / name)
    return [build_board(request_for(sheet, name), sheet.core or "", cache) if name == "board" else
            build(request_for(sheet, name), cache) for name in builds]


def loaded(one: Built) -> dict[str, str]:
    return {name: ObjectFile(one.library_of(name).read_bytes()).loaded() for name in one.parts}


def taken(one: Built) -> list[Path]:
    return [path for name in one.parts if parts_again.with_lines(path := one.library_of(name)) != path]


def all_lines(path: Path) -> dict[str, set[tuple[str, int]]]:
    """Function -> (function, line) of its code, by the debug information of a library."""
    info = cached_info(path)
    found = {}
    for name, low, size in functions_of(path):
        places = {info.line_at(address) for address in range(low, low + size)}
        found[name] = {(place[0], place[2]) for place in places if place is not None}
    return found


def same_as_clean(folder: Path, name: str, builds: list[str]) -> None:
    edit(folder, name)
    shutil.rmtree(folder / "clean" / "requests", ignore_errors=True)  # where earlier builds are looked for
    clean, now = built(folder, builds, folder / "clean"), built(folder, builds, folder / "used")
    for one, other in zip(clean, now, strict=True):
        assert loaded(one) == loaded(other), (name, one.variant)
        found = taken(other)
        assert not taken(one) and ((name, other.variant) not in TAKEN or found), (name, other.variant)
        for path in found:
            assert all_lines(one.library.with_name(path.name)) == all_lines(path), (name, other.variant)


def test_some_edits(tmp_path: Path) -> None:
    builds = ["host", "strict"]
    written(tmp_path, builds)
    built(tmp_path, builds, tmp_path / "used")
    for name in QUICK:
        same_as_clean(tmp_path, name, builds)


def test_one_that_has_been_loaded_is_known_to_load(tmp_path: Path) -> None:
    written(tmp_path, ["host"])
    (before,) = built(tmp_path, ["host"], tmp_path / "used")
    for name in before.parts:
        Loads(str(before.library_of(name))).leave()
    edit(tmp_path, "static data")
    (after,) = built(tmp_path, ["host"], tmp_path / "used")
    known = {name: Loads(str(after.library_of(name))).taken() for name in after.parts}
    again = taken(after)
    assert known == {name: after.library_of(name) in again for name in after.parts} and again


@pytest.mark.nightly
@pytest.mark.parametrize("builds", [["host", "strict"], ["board"]])
def test_every_edit(tmp_path: Path, builds: list[str], arm_gcc: str) -> None:
    for name in EDITS:
        written(tmp_path, builds, '{"core": "cortex-m4f"}' if "board" in builds else "{}")
        built(tmp_path, builds, tmp_path / "used")
        same_as_clean(tmp_path, name, builds)


def test_a_rule_that_overlooks_something_is_met(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ObjectFile, "without", lambda *_: "the same")
    written(tmp_path, ["host"])
    built(tmp_path, ["host"], tmp_path / "used")
    edit(tmp_path, "a constructor")  # which every library holds

    with pytest.raises(OwnPartFailed, match="differ"):
        built(tmp_path, ["host"], tmp_path / "used")
