"""Text speaks of the instrument and the tool, not of how or where the text was made."""

from __future__ import annotations

import re

import pytest

from tests.repository.source_tree import text_of, tracked_text

# Each word is put together here so that this file does not hold it.
FORBIDDEN = {
    "a path of one machine": ["/wo" + "rk/", "/tmp/" + "plan", "/ro" + "ot/", "/ho" + "me/"],
    "how the text was made": [
        "helper" + " agent",
        "sub" + "agent",
        "earlier" + " session",
        "previous" + " session",
        "another" + " session",
        "coding" + " session",
        "language" + " model",
        "A" + "I assistant",
        "chat" + "bot",
    ],
    "a tracker's number": ["issue" + " #", "first" + " issue", "pull request" + " #"],
    "a package registry's host": [
        "pypi" + ".org",
        "python" + "hosted.org",
        "npm" + "js.com",
        "npm" + "js.org",
        "crates" + ".io",
        "proxy." + "golang.org",
    ],
}
# Short words count only where they stand alone and in capitals.
FORBIDDEN_ALONE = ["L" + "LM", "G" + "PT", "A" + "I"]


def offences(text: str) -> list[str]:
    """Line number, kind and word of each forbidden word in the text."""
    found = []
    for number, line in enumerate(text.splitlines(), start=1):
        lowered = line.lower()
        for kind, words in FORBIDDEN.items():
            found += [f"{number}: {kind}: {word}" for word in words if word.lower() in lowered]
        found += [f"{number}: {word}" for word in FORBIDDEN_ALONE if re.search(rf"\b{word}s?\b", line)]
    return found


def test_text_holds_no_forbidden_word() -> None:
    files = tracked_text()
    found = [f"{path.as_posix()}:{offence}" for path in files for offence in offences(text_of(path))]

    assert len(files) > 10
    assert [] == found


@pytest.mark.parametrize("word", [word for words in FORBIDDEN.values() for word in words] + FORBIDDEN_ALONE)
def test_planted_word_is_caught(word: str) -> None:
    assert offences(f"first line\n# see {word}\n")[0].startswith("2: ")


def test_words_of_the_code_pass() -> None:
    assert [] == offences("verify/session.py; scope='session'; the L" + "LVM back end; SAID; 0xA1")
