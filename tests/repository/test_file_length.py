"""Files stay short, and are named for what they hold."""

from __future__ import annotations

from pathlib import Path

from tests.repository.source_tree import text_of, tracked

LONGEST_LINES = 400
LIMITED_SUFFIXES = {".py", ".c", ".h"}
FORBIDDEN_NAMES = {"utils", "helpers", "misc", "common"}


def too_long(lines_by_file: dict[str, int]) -> list[str]:
    """Files over the limit, with their length."""
    return [f"{name}: {lines}" for name, lines in sorted(lines_by_file.items()) if lines > LONGEST_LINES]


def vaguely_named(paths: list[Path]) -> list[str]:
    """Paths of which a folder or the file itself has a name that says nothing."""
    return [
        path.as_posix()
        for path in paths
        if FORBIDDEN_NAMES & {part.split(".")[0].lower() for part in path.parts}
    ]


def test_no_file_is_too_long() -> None:
    lengths = {
        path.as_posix(): len(text_of(path).splitlines())
        for path in tracked()
        if path.suffix in LIMITED_SUFFIXES
    }

    assert lengths
    assert [] == too_long(lengths)


def test_no_name_says_nothing() -> None:
    assert [] == vaguely_named(list(tracked()))


def test_offences_are_caught() -> None:
    assert ["b.c: 401"] == too_long({"a.py": LONGEST_LINES, "b.c": LONGEST_LINES + 1})

    planted = [Path("verify/utils.py"), Path("verify/Common/a.py"), Path("verify/commonly.py")]
    assert ["verify/utils.py", "verify/Common/a.py"] == vaguely_named(planted)
