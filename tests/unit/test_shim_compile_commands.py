"""Flags from a compilation database reach each source as the build system meant them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from firmware_shim.build import Request, build
from firmware_shim.compile_commands import flags_for, read
from firmware_shim.errors import SourceMissing, UnknownFlag

pytestmark = pytest.mark.quick


def database(folder: Path, *entries: dict[str, object]) -> Path:
    path = folder / "build" / "compile_commands.json"
    path.parent.mkdir(exist_ok=True)
    path.write_text(json.dumps(list(entries)), encoding="utf-8")
    return path


def entry(folder: Path, file: str, command: str | list[str]) -> dict[str, object]:
    key = "command" if isinstance(command, str) else "arguments"
    return {"directory": str(folder / "build"), "file": file, key: command}


def test_both_forms_give_the_same_flags(tmp_path: Path) -> None:
    text = r'arm-none-eabi-gcc -DNAME=\"bell\" -D"WIDE=1 + 1" -I../inc -isystem ../sys -include ../all.h -O2 -o a.o -c ../a.c'
    words = ["arm-none-eabi-gcc", '-DNAME="bell"', "-DWIDE=1 + 1", "-I../inc", "-isystem", "../sys", "-include",
             "../all.h", "-O2", "-o", "a.o", "-c", "../a.c"]
    (tmp_path / "all.h").write_text("")
    found = [read(database(tmp_path, entry(tmp_path, "../a.c", given)))[0] for given in (text, words)]

    assert found[0] == found[1]
    assert (str(tmp_path / "build/../inc"), str(tmp_path / "build/../sys")) == found[0].include
    assert ('NAME="bell"', "WIDE=1 + 1") == found[0].defines
    assert (str(tmp_path / "build/../all.h"),) == found[0].forced
    assert tmp_path / "a.c" == found[0].source
    assert not {"-c", "-o", "a.o", "../a.c", "arm-none-eabi-gcc"} & set(found[0].flags)


def test_a_file_of_flags_is_read_where_the_compiler_ran(tmp_path: Path) -> None:
    (tmp_path / "build").mkdir()
    (tmp_path / "build" / "more.rsp").write_text("-DRATE=48000 -Iinner\n")
    found = read(database(tmp_path, entry(tmp_path, "../a.c", "gcc @more.rsp -c ../a.c")))

    assert ("-DRATE=48000", f"-I{tmp_path / 'build' / 'inner'}") == found[0].flags


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("{", "not JSON"), ("{}", "not a list"), ('[{"command": "gcc"}]', "entry 1 names no file"),
        ('[{"file": "a.c"}]', "neither 'arguments' nor 'command'"), ('[{"file": "a.c", "arguments": [1]}]', "neither"),
    ],
)
def test_what_is_no_database_is_said(tmp_path: Path, text: str, why: str) -> None:
    (tmp_path / "db.json").write_text(text)
    with pytest.raises(SourceMissing, match=why):
        read(tmp_path / "db.json")


def test_a_database_that_is_not_there_says_how_to_get_one(tmp_path: Path) -> None:
    with pytest.raises(SourceMissing) as caught:
        read(tmp_path / "compile_commands.json")

    assert "CMAKE_EXPORT_COMPILE_COMMANDS" in caught.value.todo


def test_quotes_that_do_not_close_are_named(tmp_path: Path) -> None:
    with pytest.raises(UnknownFlag, match="quotes do not close"):
        read(database(tmp_path, entry(tmp_path, "../a.c", "gcc -D'X -c ../a.c")))


def test_a_source_without_an_entry_is_named_with_its_likely_name(tmp_path: Path) -> None:
    path = database(tmp_path, entry(tmp_path, "../src/voice.c", "gcc -c ../src/voice.c"))
    with pytest.raises(SourceMissing, match=r"no entry for voices\.c") as caught:
        flags_for(path, [tmp_path / "voices.c"])

    assert f"did you mean {tmp_path / 'src/voice.c'}" in caught.value.todo


def test_two_ways_of_compiling_one_source_are_not_guessed_between(tmp_path: Path) -> None:
    path = database(tmp_path, entry(tmp_path, "../a.c", "gcc -DFAST -c ../a.c"), entry(tmp_path, "../a.c", "gcc -c ../a.c"))
    with pytest.raises(SourceMissing, match="2 ways") as caught:
        flags_for(path, [tmp_path / "a.c"])

    assert "-DFAST" in caught.value.why


def test_a_header_takes_the_flags_of_the_source_beside_it(tmp_path: Path) -> None:
    path = database(tmp_path, entry(tmp_path, "../x/far.c", "gcc -DFAR -c ../x/far.c"),
                    entry(tmp_path, "../near.c", "gcc -DNEAR -c ../near.c"),
                    entry(tmp_path, "../p.cpp", "g++ -DCPP -c ../p.cpp"))
    found = flags_for(path, [tmp_path / "h.h", tmp_path / "q.hpp"])

    assert [("-DNEAR",), ("-DCPP",)] == list(found.values())


def test_each_source_is_built_its_own_way(tmp_path: Path) -> None:
    for name in ("a", "b"):
        text = f"#ifndef ONLY_{name}\n#error wrong\n#endif\nint {name}_of(int x) {{ return x; }}\n"
        (tmp_path / f"{name}.c").write_text(text)
    built = build(Request((Path("a.c"), Path("b.c")), routines=("a_of", "b_of"), folder=tmp_path, flags="-O2",
                          own_flags=((Path("a.c"), "-DONLY_a"), (Path("b.c"), "-DONLY_b -O1"))), tmp_path / "cache")

    assert {"a_of", "b_of"} == set(built.loops)
    assert {"-DONLY_a", "-DONLY_b", "-O2"} <= set(built.kept_flags)
