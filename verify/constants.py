"""Constants of references: which of them cannot be meant, and what to write instead."""

from __future__ import annotations

import contextlib
import difflib
import re
from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from reference.errors import NotRational, NumberRefused
from reference.expressions import rational_value
from reference.rationals import RationalContext
from verify.machines.references import help_with, name_of

UNITS = {"ms": ("/1000", "s"), "us": ("/1000000", "s"), "µs": ("/1000000", "s"), "s": ("", "s"), "khz": ("*1000", "Hz"),
         "hz": ("", "Hz"), "mv": ("/1000", "V"), "v": ("", "V"), "%": ("/100", ""), "cents": ("", "cents"), "db": ("", "dB")}


def constants_text(constants: Mapping[str, Any]) -> str:
    """attack = 1/100, decay = 1/2: the constants with which a reference was asked; "" where there are none."""
    return ", ".join(f"{name} = {value}" for name, value in constants.items())


def rational_constants(constants: Mapping[str, Any]) -> list[Fraction]:
    """The constants that are plain numbers, exact; words and irrational ones are left out."""
    found = []
    for value in constants.values():
        with contextlib.suppress(NumberRefused, NotRational, TypeError, ValueError):
            found.append(RationalContext().number(value))
    return found


def why_not(problem: Exception) -> str:
    """What a reference said, with the kind of problem where it is not one of the library's."""
    return str(problem) if type(problem).__module__.startswith("reference.") else f"{type(problem).__name__}: {problem}"


def mistaken(function: Any, constants: Mapping[str, Any], problem: Exception) -> tuple[str, str, str] | None:
    """What, why and what to do about the constant that a reference refuses; None where it is none by itself."""
    why = why_not(problem)
    quoted = [repr(text) for text in constants.values() if isinstance(text, str)]
    for name, text in constants.items():
        if isinstance(text, str) and not is_number(text) and (repr(text) in why or not any(q in why for q in quoted)):
            near = nearest_in(text, why)
            if near is not None or repr(text) in why:
                return (f"{name_of(function)} cannot use {name}={text!r}", why, near or number_for(text)
                        or f"write a number it can use; {help_with(function)}")
    return None


def is_number(text: str) -> bool:
    """Whether a text of the sheet is a number, rational or not."""
    try:
        rational_value(text)
    except NumberRefused:
        return False
    return True


def nearest_in(text: str, why: str) -> str | None:
    """A word of the reference's own message that is likely to be meant; None where none is near."""
    words = re.findall(r'"([^"]+)"', why) + re.findall(r"[A-Za-z][\w ]*", why.rpartition(" one of ")[2])
    near = difflib.get_close_matches(text, [word for word in words if word != text], n=1)
    return f'did you mean "{near[0]}"?' if near else None


def number_for(text: str) -> str | None:
    """What to write for a number with its unit; None where the text is no such thing."""
    parts = re.fullmatch(r"\s*([-+]?[\d._]+(?:[eE][-+]?\d+)?)\s*([a-zA-Zµ%]+)\s*", text)
    if parts is None or parts[2].lower() not in UNITS:
        return None
    factor, unit = UNITS[parts[2].lower()]
    return f'write a plain number in the reference\'s own unit{f", {unit}" if unit else ""}: "{parts[1]}{factor}"'
