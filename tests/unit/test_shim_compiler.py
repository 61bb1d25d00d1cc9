"""Finding the host compiler, and saying clearly when there is none."""

import json
import pickle
import shlex
import stat
from pathlib import Path

import pytest

from firmware_shim import compiler as compiler_module
from firmware_shim.compiler import c_library, find_compiler, processor_features, run
from firmware_shim.errors import CompilerMissing, PlatformUnsupported, ShimError

pytestmark = pytest.mark.quick


def script(path: Path, text: str) -> Path:
    path.write_text("#!/bin/sh\n" + text)
    path.chmod(path.stat().st_mode | stat.S_IXUSR)
    return path


def test_the_compiler_found_is_described() -> None:
    found = find_compiler()

    assert found.family in ("gcc", "clang")
    assert Path(found.path).is_absolute()
    assert found.version and found.target
    assert found.c_library == c_library()
    assert len(found.processor_features) == 64


def test_a_compiler_that_does_not_exist_is_named_with_the_remedy(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CC", "no-such-compiler-anywhere")

    with pytest.raises(CompilerMissing) as caught:
        find_compiler()

    assert "no-such-compiler-anywhere" in caught.value.what
    assert "CC" in caught.value.where
    assert "install" in caught.value.todo
    assert len(str(caught.value).splitlines()) == 4


def test_a_compiler_that_cannot_compile_an_empty_file_is_refused(tmp_path: Path) -> None:
    broken = script(tmp_path / "broken-gcc", "echo 'ran out of luck' >&2\nexit 3\n")

    with pytest.raises(CompilerMissing) as caught:
        find_compiler(str(broken))

    assert "empty file" in caught.value.what
    assert "ran out of luck" in caught.value.why


def test_a_program_that_succeeds_without_compiling_is_refused() -> None:
    with pytest.raises(CompilerMissing):
        find_compiler("/bin/true")


def test_the_explicit_compiler_wins_over_the_environment(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    real = find_compiler()
    wrapper = script(tmp_path / "wrapped-cc", f'exec {shlex.join(real.command)} "$@"\n')
    monkeypatch.setenv("CC", "no-such-compiler-anywhere")

    found = find_compiler(str(wrapper))

    assert str(wrapper) == found.path
    assert real.version.split()[-1] in found.version


def test_what_was_found_is_remembered_for_a_plain_binary_only(tmp_path: Path) -> None:
    real = find_compiler()
    wrapper = script(tmp_path / "wrapped-cc", f'exec {shlex.join(real.command)} "$@"\n')
    plain = Path(real.path).resolve()
    if len(real.command) > 1:
        pytest.skip("CC names a wrapper; this is about plain compilers")

    find_compiler(str(plain), tmp_path / "one")
    find_compiler(str(wrapper), tmp_path / "two")

    kept = list((tmp_path / "one" / "compilers").glob("*.json"))
    assert [real.family] == [json.loads(p.read_text())["family"] for p in kept]
    assert not (tmp_path / "two" / "compilers").exists()


def test_an_unsupported_platform_is_said_in_one_error(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(compiler_module.platform, "machine", lambda: "riscv64")

    with pytest.raises(PlatformUnsupported) as caught:
        find_compiler()

    assert "riscv64" in str(caught.value)


def test_a_run_that_takes_too_long_is_stopped_with_its_children(tmp_path: Path) -> None:
    slow = script(tmp_path / "slow", "sleep 60 & wait\n")

    ran = run([str(slow)], limit_seconds=0.2)

    assert ran.timed_out


def test_messages_are_english_whatever_the_user_speaks(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LC_ALL", "de_DE.UTF-8")
    monkeypatch.setenv("LANGUAGE", "de")

    assert "C" == run(["/bin/sh", "-c", "echo $LC_ALL$LANGUAGE"]).out.strip()


def test_processor_features_are_a_short_text_and_a_hash() -> None:
    text, digest = processor_features()

    assert text and "\n" not in text
    assert int(digest, 16) >= 0


def test_errors_survive_pickling_whole() -> None:
    error = CompilerMissing("a", "b", "c\nd", "e")
    back = pickle.loads(pickle.dumps(error))

    assert isinstance(back, ShimError)
    assert str(error) == str(back)
    assert "c; d" == back.why
