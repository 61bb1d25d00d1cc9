"""Help: one screen for each command, with an example and its exit codes; completion for shells."""

import subprocess

import pytest

from verify.command_line import COMMANDS, main, parser

SCREEN_LINES, SCREEN_COLUMNS = 40, 80


@pytest.mark.parametrize("command", ["", *COMMANDS])
def test_help_fits_a_screen_and_names_exit_codes(
    command: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", str(SCREEN_COLUMNS))
    with pytest.raises(SystemExit) as ended:
        main([command, "--help"] if command else ["--help"])
    text = capsys.readouterr().out

    assert 0 == ended.value.code
    assert "Exit codes: " in text
    assert not command or f"Example: preflash {command}" in text
    assert len(text.splitlines()) <= SCREEN_LINES
    assert max(map(len, text.splitlines())) <= SCREEN_COLUMNS


def test_completion_is_a_script_that_bash_reads(capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("shtab")
    assert 0 == main(["completion", "bash"])
    script = capsys.readouterr().out
    words = script + "\nCOMP_WORDS=(preflash ch); COMP_CWORD=1; _shtab_preflash 2>/dev/null; echo \"${COMPREPLY[@]}\"\n"
    offered = subprocess.run(["bash", "-c", words], capture_output=True, text=True, timeout=30)

    assert {"check", "challenge"} <= set(offered.stdout.split())


def test_every_command_is_offered() -> None:
    text = parser().format_help()

    assert all(f"    {name}" in text for name in COMMANDS)


@pytest.mark.parametrize(("words", "offered"), [
    (["chek"], "did you mean check?"), (["check", "--onyl", "hz"], "did you mean --only?"),
    (["report", "--markdwon"], "did you mean --markdown?"), (["forget", "now"], "preflash forget --help")])
def test_a_mistyped_command_or_option_gives_2_and_the_nearest(
    words: list[str], offered: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert 2 == main(words)
    assert offered in capsys.readouterr().err
