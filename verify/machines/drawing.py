"""Numbers for scripts, drawn by Hypothesis: only its generator is used, never its database.

They depend on the seed alone, so that every machine, build and process uses the same: drawn once, and kept.
"""

from __future__ import annotations

import contextlib
import functools
import importlib.metadata
import json
import random
import sys
from pathlib import Path
from typing import Any

from firmware_shim.compiler import locked
from verify.whole_files import whole_file

BITS = 20  # each number carries three choices of so many bits (gap, what, value), since every draw has its price
MOST_EVENTS = 14
MOST_PIECES = 4
EXAMPLES = 144  # of a round: more than the default budget needs
FORMAT = 2

# A head (settings), a list for happenings, a list for pieces of input.
Numbers = tuple[int, tuple[int, ...], tuple[int, ...]]


@functools.lru_cache(maxsize=64)
def round_of(seed: int, folder: Path) -> tuple[Numbers, ...]:
    """The examples of one round; the same seed gives the same ones, from a file in the folder where they lie there."""
    path = folder / f"drawn-{seed}.json"
    known = kept_round(path)
    if known is not None:
        return known
    # Several sheets and machines begin at the same time: one of them draws.
    with locked(folder / ".drawn.lock"):
        known = kept_round(path) or tuple(drawn_now(seed))
        with contextlib.suppress(OSError):
            folder.mkdir(parents=True, exist_ok=True)
            with whole_file(path) as stream:
                json.dump({"about": about(), "rows": known}, stream)
    return known


def about() -> list[Any]:
    """What else the numbers depend on."""
    return [FORMAT, f"{importlib.metadata.version('hypothesis')} {sys.version_info[:2]}", EXAMPLES]


def kept_round(path: Path) -> tuple[Numbers, ...] | None:
    """The examples that a file holds; None where it holds none, or others."""
    with contextlib.suppress(OSError, ValueError, TypeError, KeyError):
        kept = json.loads(path.read_text(encoding="utf-8"))
        if kept["about"] == about():
            rows = tuple((int(head), tuple(map(int, happenings)), tuple(map(int, moves)))
                         for head, happenings, moves in kept["rows"])
            return rows or None
    return None


@functools.cache
def strategies() -> tuple[Any, Any, Any]:
    """One for every choice: building them anew would cost more than running the scripts."""
    from hypothesis import strategies as st  # the import costs more than a check in which nothing changed

    numbers = st.integers(0, 2 ** (3 * BITS) - 1)
    return numbers, st.lists(numbers, min_size=1, max_size=MOST_EVENTS), st.lists(numbers, max_size=MOST_PIECES)


def drawn_now(seed: int) -> list[Numbers]:
    """One run of Hypothesis's generator."""
    import hypothesis
    from hypothesis import HealthCheck, Phase, given, settings

    found: list[Numbers] = []

    def each(head: int, happenings: list[int], moves: list[int]) -> None:
        found.append((head, tuple(happenings), tuple(moves)))

    run = settings(max_examples=EXAMPLES, database=None, deadline=None, phases=[Phase.generate],
                   suppress_health_check=list(HealthCheck))(given(*strategies())(each))
    hypothesis.seed(seed)(run)()
    # It begins with small ones; a small budget shall have its share of the others.
    random.Random(seed).shuffle(found)
    return found
