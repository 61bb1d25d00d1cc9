"""What was read from a built library once, kept beside it under a hash of its bytes."""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from firmware_shim.compiler import write_whole


def kept_facts(library: Path, about: str, code: str, make: Callable[[], Any]) -> Any:
    """What ``make`` gives, as plain data: from the last time it read the same bytes, where there was one.

    Shape:  ``about`` says what is asked; ``code`` is the file of the module that reads, whose bytes count as well.
    Errors: those of ``make``. Of files that do not lie among our own builds nothing is kept.
    """
    if not library.with_name("manifest.json").exists():
        return make()
    try:
        digest = hashlib.sha256(library.read_bytes() + b"\0" + Path(code).read_bytes() + b"\0" + about.encode())
    except OSError:
        return make()
    store = library.with_name(f"facts-{library.stem}-{digest.hexdigest()[:40]}.json")
    with contextlib.suppress(OSError, ValueError):
        return json.loads(store.read_text(encoding="utf-8"))
    found = make()
    with contextlib.suppress(OSError):
        write_whole(store, json.dumps(found))
    return found
