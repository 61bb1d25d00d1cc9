"""Where what is kept between runs lies."""

from __future__ import annotations

import os
from pathlib import Path


def cache_folder() -> Path:
    """Where builds and evidence are kept: XDG_CACHE_HOME/preflash or ~/.cache/preflash."""
    root = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    return Path(root) / "preflash"
