"""One exception class per cause; this module imports nothing from the package."""

from __future__ import annotations


class DomainError(ValueError):
    """An argument or constant lies outside the domain of the mathematics (log of zero, rate of 0 Hz)."""


class NumberRefused(ValueError):
    """A value cannot be read as an exact number (NaN, infinity, bool, malformed expression, binary float)."""


class NotRational(ArithmeticError):
    """The exact result is not a rational number, or not one that this context can recognise."""


class Undecidable(ArithmeticError):
    """An enclosure straddles the boundary of a decision at the present precision."""


class NoScreen(ArithmeticError):
    """A reference has no float64 screen; the message says which operation prevents it."""
