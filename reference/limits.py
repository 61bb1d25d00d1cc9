"""Constants of machines that must lie in a range: read exactly, or refused."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from reference.errors import DomainError
from reference.rationals import RationalContext


def not_negative(value: Any, name: str) -> Fraction:
    """An exact number of at least 0, else DomainError."""
    found = RationalContext().number(value)
    if found < 0:
        raise DomainError(f"{name} lies at or above 0, not at {float(found):g}")
    return found


def above_zero(value: Any, name: str) -> Fraction:
    """An exact number above 0, else DomainError."""
    found = RationalContext().number(value)
    if found <= 0:
        raise DomainError(f"{name} lies above 0, not at {float(found):g}")
    return found


def whole(value: Any, name: str, least: int) -> int:
    """A whole number of at least `least`, else DomainError."""
    found = RationalContext().number(value)
    if found.denominator != 1 or found < least:
        raise DomainError(f"{name} is a whole number of at least {least}, not {float(found):g}")
    return int(found)
