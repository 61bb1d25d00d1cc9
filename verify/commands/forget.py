"""preflash forget: empty the cache of builds and evidence."""

from __future__ import annotations

import argparse

NAME = "forget"
HELP = "empty the cache: stored builds and evidence (records and witnesses stay)"
EXAMPLE = "preflash forget"


def add(parser: argparse.ArgumentParser) -> None:
    """The arguments."""


def run(options: argparse.Namespace) -> int:
    """Empty it, unless another run is at work with it."""
    from verify.binding import cache_folder
    from verify.evidence_store import forget

    cache = cache_folder()
    print(f"forgotten: {forget(cache) / 1e6:.1f} MB in {cache}")
    return 0
