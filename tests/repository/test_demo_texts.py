"""What the demo's texts say about its C stays true when the C is edited."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.repository.source_tree import text_of

DEMO = Path("firmware_shim/demo")
HEADER_FIELDS = ("Formula:", "Domain:", "Outside:", "Error:", "Source:")
FAULT_ROW = re.compile(r"\| (\d+) \| (\w+) \| (\d+) \| `([^`]+)` \|")


def fault_rows() -> list[tuple[int, str, int, str]]:
    """Number, routine, line and code of each fault that the first draft lists."""
    rows = FAULT_ROW.findall(text_of(DEMO / "first_draft/FAULTS.md"))
    return [(int(number), routine, int(line), code) for number, routine, line, code in rows]


def declared_routines() -> set[str]:
    """Names that the header declares."""
    return set(re.findall(r"^\w+ (bell_\w+)\(", text_of(DEMO / "good/bell_pitch.h"), re.MULTILINE))


@pytest.mark.parametrize(("number", "routine", "line", "code"), fault_rows())
def test_fault_stands_on_its_line(number: int, routine: str, line: int, code: str) -> None:
    assert code in text_of(DEMO / "first_draft/bell_pitch.c").splitlines()[line - 1]


def test_every_routine_has_a_fault() -> None:
    rows = fault_rows()

    assert list(range(1, len(rows) + 1)) == [number for number, *_ in rows]
    assert declared_routines() == {routine for _, routine, _, _ in rows}


def test_both_versions_share_one_header() -> None:
    assert text_of(DEMO / "good/bell_pitch.h") == text_of(DEMO / "first_draft/bell_pitch.h")


def test_good_routines_state_formula_domain_and_error() -> None:
    blocks = re.findall(r"/\*\n \* (bell_\w+): .*?\*/", text_of(DEMO / "good/bell_pitch.c"), re.DOTALL)
    texts = re.findall(r"/\*\n \* bell_\w+: .*?\*/", text_of(DEMO / "good/bell_pitch.c"), re.DOTALL)

    assert declared_routines() == set(blocks)
    for text in texts:
        assert all(text.count(f" * {field}") == 1 for field in HEADER_FIELDS), text
        assert re.search(r" \* Error:   [\d.]+ (cents|volts|lsb|ulp)\n", text), text
