"""The README: its example is what it shows, its commands and its sheets are those of this version."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from tests.end_to_end.pages import ROOT, blocks, run_shown
from verify.command_line import parser
from verify.sheet_loading import load

README = (ROOT / "README.md").read_text(encoding="utf-8")
COMMAND = re.compile(r"(?:^    (?:\$ )?(?:.*&& )?|`)(?:\.venv/bin/)?preflash ((?!--help)[a-z]+(?: [^`\n#]*)?)", re.M)
C_OF_THE_MACHINE = """
typedef struct { float level; } strike_t;
void strike_init(strike_t *state, float sample_rate_hz);
void strike_hit(strike_t *state);
void strike_set_attack(strike_t *state, float attack);
float strike_step(strike_t *state);
"""


def example() -> list[tuple[str, str]]:
    """C, sheet and commands of the worked example."""
    return blocks(re.search(r"^## A sheet\n(?s:.*?)(?=^\| inputs)", README, re.M)[0])  # type: ignore[index]


def sheets() -> list[str]:
    """Every fenced Python text of the README."""
    return [body for kind, body in blocks(README) if kind == "python"]


@pytest.mark.full
def test_the_worked_example_fails_as_shown_and_its_mend_holds(tmp_path: Path, gcc: str, private_cache: Path) -> None:
    codes = []
    for kind, body in example():
        if kind == "command":
            codes.append(run_shown(body, tmp_path, private_cache))
            source = (tmp_path / "pitch.c").read_text(encoding="utf-8")
            for old, new in (("65.4f", "65.4063913f"), ("if (volts < 0.0f)", "if (!(volts > 0.0f))")):
                assert f"`{new}`" in README
                source = source.replace(old, new)
            (tmp_path / "pitch.c").write_text(source, encoding="utf-8")
        else:
            (tmp_path / {"c": "pitch.c", "python": "voice_sheet.py"}[kind]).write_text(body, encoding="utf-8")

    assert [1, 0] == codes


def test_every_command_named_is_one_of_this_version() -> None:
    given = [shlex.split(match.rstrip(",.")) for match in COMMAND.findall(README)]
    named = {words[0] for words in given}

    assert named >= {"check", "look", "stub", "new", "notes", "cost", "replay", "report", "accept", "compare", "watch"}
    for words in given:
        if len(words) > 1 and "..." not in words and not {"bash", "SHEET", "--help"} & set(words):
            assert words[0] == parser().parse_args(words).command


def test_the_machine_shown_is_a_sheet_of_this_version(tmp_path: Path) -> None:
    function, machine = sheets()[0], next(body for body in sheets() if "voice.machine(" in body)
    (tmp_path / "pitch.c").write_text("float hz_from_volts(float volts);" + C_OF_THE_MACHINE, encoding="utf-8")
    (tmp_path / "voice_sheet.py").write_text(function + machine, encoding="utf-8")

    sheet = load(tmp_path / "voice_sheet.py")

    assert ["strike"] == [one.name for one in sheet.machines]
