"""The command of the compiler that comes by pip, and what is left out of its messages."""

from __future__ import annotations

import sys

import pytest

from firmware_shim import pip_compiler
from firmware_shim.errors import CompilerMissing
from firmware_shim.pip_compiler import direct, names_it, without_own_warning


def test_a_command_through_python_becomes_the_compilers_own(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pip_compiler, "_program_of", lambda python: "/somewhere/zig")
    words = direct((sys.executable, "-m", "ziglang", "cc", "-target", "x86_64-linux-gnu"), "CC")

    assert ("/somewhere/zig", "cc", "-mcpu=baseline", "-UNDEBUG", "-target", "x86_64-linux-gnu") == words
    assert words == direct(words, "CC")


def test_other_commands_stay_as_they_are() -> None:
    assert ("ccache", "gcc") == direct(("ccache", "gcc"), "CC")
    assert names_it(("/opt/zig", "cc")) and not names_it(("gcc",)) and not names_it(())


def test_a_python_without_the_package_and_a_program_that_is_no_compiler_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pip_compiler, "_program_of", lambda python: None)
    with pytest.raises(CompilerMissing, match="ziglang is not there"):
        direct((sys.executable, "-m", "ziglang", "cc"), "CC")
    with pytest.raises(CompilerMissing, match="write python -m ziglang cc"):
        direct(("/opt/zig", "build-exe"), "CC")


def test_its_own_warning_is_no_complaint_and_others_stay() -> None:
    own = "zig: warning: argument unused during compilation: '-c' [-Wunused-command-line-argument]\n"
    assert "a.c:1:2: warning: unused\n" == without_own_warning("a.c:1:2: warning: unused\n" + own)
    assert "" == without_own_warning(own)
