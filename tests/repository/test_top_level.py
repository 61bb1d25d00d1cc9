"""The top level holds what a newcomer needs to see, and nothing else."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from tests.repository.source_tree import tracked

EXPECTED = {
    "README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE",
    "verify", "reference", "firmware_shim", "tests", "reports",
}


def strangers(paths: Iterable[Path]) -> set[str]:
    """Names at the top that are neither expected nor dotfiles."""
    return {path.parts[0] for path in paths if not path.parts[0].startswith(".")} - EXPECTED


def test_top_level_holds_nothing_else() -> None:
    assert set() == strangers(tracked())


def test_top_level_is_complete() -> None:
    assert {path.parts[0] for path in tracked()} >= EXPECTED


def test_planted_stranger_is_caught() -> None:
    assert strangers([Path("setup.py"), Path(".gitignore"), Path("docs/a.md"), Path("verify/a.py")]) == {
        "setup.py",
        "docs",
    }
