"""How to add an optional part to the preflash that is running."""

from __future__ import annotations

import json
import sys
from urllib.parse import unquote


def how_to_install(extra: str) -> str:
    """The command that adds the part, from the clone that this preflash was installed from, where that is known.

    Errors: none.
    """
    import importlib.metadata  # dear, and wanted with a message only

    try:
        told = json.loads(importlib.metadata.distribution("preflash").read_text("direct_url.json") or "{}")
    except (importlib.metadata.PackageNotFoundError, ValueError):
        told = {}
    place = unquote(str(told.get("url", "")).removeprefix("file://"))
    if not place.startswith("/"):
        return f'in your clone of preflash: {sys.executable} -m pip install ".[{extra}]"'
    return f'{sys.executable} -m pip install "{place}[{extra}]"'
