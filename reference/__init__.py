"""Right answers: mathematics at high precision, and fast float64 screens with guaranteed error bounds.

Reference functions live in one module per family (`reference.pitch`, ...), written once against a context.
"""

from __future__ import annotations

from reference.errors import DomainError, NoScreen, NotRational, NumberRefused, Undecidable
from reference.precision import (
    Enclosure,
    IntervalContext,
    RationalContext,
    decide,
    enclose,
    intermediates,
    log2_enclosure,
)
from reference.spot import note_name
from reference.tracing import Screen, screen, why_no_screen

__all__ = [
    "DomainError",
    "Enclosure",
    "IntervalContext",
    "NoScreen",
    "NotRational",
    "NumberRefused",
    "RationalContext",
    "Screen",
    "Undecidable",
    "decide",
    "enclose",
    "intermediates",
    "log2_enclosure",
    "note_name",
    "screen",
    "why_no_screen",
]
