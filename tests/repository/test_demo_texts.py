"""What the demo's texts say about its C stays true when the C is edited."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.repository.source_tree import text_of

DEMO = Path("firmware_shim/demo")
HEADER_FIELDS = ("Formula:", "Domain:", "Outside:", "Error:", "Source:")
FAULT_ROW = re.compile(r"\| (\d+) \| (\w+) \| (\d+) \| `([^`]+)` \|")


PARTS = {"bell_pitch": "FAULTS.md", "bell_time": "FAULTS_IN_TIME.md", "bell_voice": "FAULTS_IN_VOICE.md",
         "bell_path": "FAULTS_IN_PATH.md"}


def fault_rows(part: str) -> list[tuple[int, str, int, str]]:
    """Number, routine, line and code of each fault that the first draft of a part lists."""
    rows = FAULT_ROW.findall(text_of(DEMO / "first_draft" / PARTS[part]))
    return [(int(number), routine, int(line), code) for number, routine, line, code in rows]


def declared_routines() -> set[str]:
    """Names that the header of the pitch part declares."""
    return set(re.findall(r"^\w+ (bell_\w+)\(", text_of(DEMO / "good/bell_pitch.h"), re.MULTILINE))


def described(part: str) -> set[str]:
    """Names of the routines in a part's sheet."""
    return set(re.findall(r'^    "(bell_\w+)",$', text_of(DEMO / f"good/{part}_sheet.py"), re.MULTILINE))


@pytest.mark.parametrize(("part", "row"), [(part, row) for part in PARTS for row in fault_rows(part)])
def test_fault_stands_on_its_line(part: str, row: tuple[int, str, int, str]) -> None:
    _, _, line, code = row

    assert code in text_of(DEMO / f"first_draft/{part}.c").splitlines()[line - 1]


@pytest.mark.parametrize("part", PARTS)
def test_every_routine_has_a_fault(part: str) -> None:
    rows = fault_rows(part)

    assert list(range(1, len(rows) + 1)) == [number for number, *_ in rows]
    named = declared_routines() if part == "bell_pitch" else described(part)
    if part == "bell_path":
        named = {name for name in named if name.endswith("_path") or "calibrated" in name}  # each stage is right by itself
    assert named == {routine for _, routine, _, _ in rows}


@pytest.mark.parametrize("part", PARTS)
def test_both_versions_share_one_header(part: str) -> None:
    assert text_of(DEMO / f"good/{part}.h") == text_of(DEMO / f"first_draft/{part}.h")


def test_good_routines_state_formula_domain_and_error() -> None:
    blocks = re.findall(r"/\*\n \* (bell_\w+): .*?\*/", text_of(DEMO / "good/bell_pitch.c"), re.DOTALL)
    texts = re.findall(r"/\*\n \* bell_\w+: .*?\*/", text_of(DEMO / "good/bell_pitch.c"), re.DOTALL)

    assert declared_routines() == set(blocks)
    for text in texts:
        assert all(text.count(f" * {field}") == 1 for field in HEADER_FIELDS), text
        assert re.search(r" \* Error:   [\d.]+ (cents|volts|lsb|ulp)\n", text), text
