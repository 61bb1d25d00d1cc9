"""Implicit conversions that lose bits: who looks for them in a check, and what a verdict says of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from firmware_shim.build import Built
from firmware_shim.clang_strict import VARIANT, clang_words
from firmware_shim.events import SIGN_COMPARED

if TYPE_CHECKING:
    from firmware_shim.errors import ShimError

LOSSY = "implicit conversions that lose bits"
NEEDS_CLANG = "lossy narrowing (needs clang, or the optional part compiler)"
KEPT = "no conversion that changes the value, unless a cast says that it is meant"
OF_CONVERSIONS = ("implicit conversion loses bits", SIGN_COMPARED)
SIGNS = "changes of sign that keep every bit, as where a phase wraps"


def second_pass(strict: Built | ShimError, attempt: Callable[[str], Built | ShimError]) -> Built | ShimError | None:
    """The pass by clang beside a strict build whose compiler has no such check; None where it has, or clang is not there."""
    if not isinstance(strict, Built) or strict.compiler.family == "clang" or clang_words() is None:
        return None
    return attempt(VARIANT)


def watched_words(build: str, families: Mapping[str, str], watched: tuple[str, ...],
                  unseen: tuple[str, ...]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """(what is looked for in one build, what is not), from the words that fit where no compiler has this check.

    families: build -> family of its compiler.
    """
    others = tuple(words for words in unseen if words != NEEDS_CLANG)
    here = (LOSSY, SIGN_COMPARED)
    if build == VARIANT:
        return here, (SIGNS, "conversions that are written out", "what the strict build looks for")
    if families.get(build) == "clang":
        return (*watched, *here), (SIGNS, *others)
    if VARIANT in families:
        return watched, (f"lossy narrowing (see the build {VARIANT})", *others)
    return watched, unseen
