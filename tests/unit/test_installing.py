"""The command that adds an optional part is one that works where preflash was installed from a clone."""

from __future__ import annotations

import importlib.metadata
import sys

import pytest

from firmware_shim.installing import how_to_install


class Known:
    def __init__(self, text: str | None) -> None:
        self.text = text

    def read_text(self, name: str) -> str | None:
        assert "direct_url.json" == name
        return self.text


def test_the_clone_is_named_where_it_is_known(monkeypatch: pytest.MonkeyPatch) -> None:
    told = Known('{"url": "file:///srv/my%20clone", "dir_info": {}}')
    monkeypatch.setattr(importlib.metadata, "distribution", lambda _: told)

    assert f'{sys.executable} -m pip install "/srv/my clone[board]"' == how_to_install("board")


@pytest.mark.parametrize("text", [None, "{}", "not json"])
def test_else_it_is_to_be_done_there(monkeypatch: pytest.MonkeyPatch, text: str | None) -> None:
    monkeypatch.setattr(importlib.metadata, "distribution", lambda _: Known(text))

    assert how_to_install("board").startswith("in your clone of preflash: ")
    assert '-m pip install ".[board]"' in how_to_install("board")
