"""Names of notes for printing: what a builder would read off a tuner. Not used for any verdict."""

from __future__ import annotations

import math

from reference.errors import DomainError

NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
A4_HZ = 440.0
A4_NOTE = 69


def note_name(hz: float) -> str:
    """Nearest equal-tempered note and cents off it, A4 = 440 Hz: "A4 +0.0".

    Shape:   one number to text.
    Unit:    hz in Hz; the figure after the name in cents, positive where sharp.
    Domain:  finite hz > 0, else DomainError.
    Error:   the cents are rounded to one decimal for print; a tie between two notes goes to the even number.
    Source:  ISO 16 for 440 Hz; scientific pitch notation (C4 is note 60); tests/external/test_pitch.py.

    >>> note_name(440), note_name(261.6), note_name(8.1758)
    ('A4 +0.0', 'C4 -0.2', 'C-1 +0.0')
    """
    value = float(hz)
    if not (math.isfinite(value) and value > 0):
        raise DomainError(f"{hz} Hz has no note name; it must be finite and above 0")
    note = A4_NOTE + 12 * math.log2(value / A4_HZ)
    nearest = round(note)
    cents = round(100 * (note - nearest), 1) + 0.0  # + 0.0 turns -0.0 into 0.0
    return f"{NAMES[nearest % 12]}{nearest // 12 - 1} {cents:+.1f}"
