"""Guesses at the cause of a pitch error: the plain one first."""

from __future__ import annotations

import numpy as np
import pytest

from verify.systematic import describe


@pytest.mark.parametrize(("cents", "words"), [
    (1200.0, "perhaps off by +1 octave, or by a rate of half or twice as much"),
    (-2400.0, "perhaps off by -2 octaves"),
    (-300.0, "perhaps off by -3 semitones"),
    (1200 * np.log2(48_000 / 44_100), "perhaps 44100 Hz is used where 48000 Hz is meant"),
])
def test_a_flat_offset_is_named(cents: float, words: str) -> None:
    octaves = np.linspace(4, 9, 50)
    told = " ".join(describe(octaves, np.full(50, cents), octaves, "V"))

    assert words in told
    assert 1 == told.count("perhaps")
