"""Which of the author's flags reach the host compiler."""

import shlex
from pathlib import Path

import pytest

from firmware_shim.compiler import Compiler, find_compiler
from firmware_shim.errors import UnknownFlag
from firmware_shim.flags import host_flags

pytestmark = pytest.mark.quick

BOARD_LINE = (
    "arm-none-eabi-gcc -mcpu=cortex-m7 -mthumb -mfpu=fpv5-d16 -mfloat-abi=hard -O2 -std=gnu11 -Wall -g3 "
    "-ffast-math -fwrapv --specs=nano.specs -specs nosys.specs -T board.ld -Wl,--gc-sections -lm -L lib "
    "-nostartfiles --sysroot=/opt/x -c voice.c -o voice.o -MMD -MP -MF voice.d -flto "
    "-DRATE=48000 -D KNOBS=3 -UX"
)


@pytest.fixture(scope="module")
def compiler() -> Compiler:
    return find_compiler()


def test_a_whole_board_command_line_is_sorted(compiler: Compiler, tmp_path: Path) -> None:
    flags = host_flags(BOARD_LINE, compiler, folder=tmp_path)

    kept = ("-O2", "-std=gnu11", "-ffast-math", "-fwrapv", "-DRATE=48000", "-D", "KNOBS=3", "-UX")
    assert kept == flags.kept
    assert ("-funsigned-char", "-fshort-enums") == flags.added
    dropped = dict(flags.dropped)
    assert {"-mcpu=cortex-m7", "-T board.ld", "-specs nosys.specs", "-MF voice.d", "-L lib"} <= set(dropped)
    assert all(reason for reason in dropped.values())


def test_every_word_is_either_kept_or_dropped(compiler: Compiler, tmp_path: Path) -> None:
    flags = host_flags(BOARD_LINE, compiler, folder=tmp_path)

    said = [*flags.kept, *(w for flag, _ in flags.dropped for w in flag.split())]
    assert sorted(BOARD_LINE.split()) == sorted(said)


@pytest.mark.parametrize(
    ("flag", "added"),
    [
        ("-fsigned-char", ("-fshort-enums",)),
        ("-funsigned-char", ("-fshort-enums",)),
        ("-fno-short-enums", ("-funsigned-char",)),
        ("-fno-short-enums -fsigned-char", ()),
    ],
)
def test_the_authors_word_on_the_abi_wins(compiler: Compiler, flag: str, added: tuple[str, ...]) -> None:
    flags = host_flags(flag, compiler)

    assert added == flags.added
    assert tuple(flag.split()) == flags.kept


@pytest.mark.parametrize("flag", ["-fno-such-thing-exists", "-std=c1234", "--strange", "word", "-D"])
def test_what_nobody_knows_is_an_error_that_names_it(compiler: Compiler, flag: str) -> None:
    with pytest.raises(UnknownFlag) as caught:
        host_flags(f"-O2 {flag}", compiler)

    assert flag == caught.value.flag
    assert flag in str(caught.value)


def test_one_bad_flag_among_good_ones_is_the_one_named(compiler: Compiler) -> None:
    with pytest.raises(UnknownFlag) as caught:
        host_flags(["-fwrapv", "-fno-such-thing-exists", "-fno-math-errno"], compiler)

    assert "-fno-such-thing-exists" == caught.value.flag


def test_flags_of_the_other_language_go_with_a_reason(compiler: Compiler) -> None:
    flags = host_flags("-O1 -std=c++17", compiler)

    assert ("-O1",) == flags.kept
    assert (("-std=c++17", "belongs to another language"),) == flags.dropped


def test_relative_paths_do_not_depend_on_where_the_compiler_runs(compiler: Compiler, tmp_path: Path) -> None:
    (tmp_path / "first.h").write_text("")

    flags = host_flags("-Iinc -I ../x -isystem sys -include first.h", compiler, folder=tmp_path)

    expected = (f"-I{tmp_path}/inc", "-I", f"{tmp_path}/../x", "-isystem", f"{tmp_path}/sys",
                "-include", f"{tmp_path}/first.h")
    assert expected == flags.kept


def test_a_file_of_flags_is_read(compiler: Compiler, tmp_path: Path) -> None:
    (tmp_path / "flags.txt").write_text("-O3\n-DNAME='two words' @more.txt")
    (tmp_path / "more.txt").write_text("-mthumb")

    flags = host_flags("@flags.txt", compiler, folder=tmp_path)

    assert ("-O3", "-DNAME=two words") == flags.kept
    assert ("-mthumb",) == tuple(flag for flag, _ in flags.dropped)


def test_a_flag_the_compiler_only_warns_about_is_never_ignored(tmp_path: Path, compiler: Compiler) -> None:
    wrapper = tmp_path / "cc"
    wrapper.write_text(
        f'#!/bin/sh\ncase "$*" in *-fsingle-precision-constant*) echo "warning: flag is ignored" >&2;; esac\n'
        f'exec {shlex.join(compiler.command)} "$@"\n'
    )
    wrapper.chmod(0o755)
    warning_only = find_compiler(str(wrapper))

    with pytest.raises(UnknownFlag) as caught:
        host_flags("-O2 -fsingle-precision-constant", warning_only)

    assert "-fsingle-precision-constant" == caught.value.flag
    assert "ignored" in caught.value.why
