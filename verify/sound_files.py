"""Sound of 24 bits in a WAV file, written whole or not at all.

The standard library's wave writes plain 24-bit PCM, so nothing else is needed; a file of one channel each opens everywhere.
"""

from __future__ import annotations

import os
import wave
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np

from verify.errors import UsageError
from verify.whole_files import whole_file

BITS = 24
STEPS = 2 ** (BITS - 1)
LONGEST_RATE_HZ = 2**32 - 1


@dataclass(frozen=True)
class Sound:
    """Samples as shares of full scale, and what of them a file cannot hold.

    beyond: samples of a size above 1; not_numbers: NaN and infinities; first_beyond, first_not_number: where (-1: nowhere);
    peak: largest finite size.
    """

    samples: np.ndarray
    beyond: int
    first_beyond: int
    not_numbers: int
    first_not_number: int
    peak: float

    @property
    def audible(self) -> bool:
        """Whether a step of 24 bits is reached at all."""
        return bool(np.any(self.steps()))

    def steps(self) -> np.ndarray:
        """Whole steps of 24 bits: rounded to nearest even, clamped to -2^23 and 2^23 - 1; what is no number becomes 0."""
        finite = np.where(np.isfinite(self.samples), self.samples, 0.0)
        return np.asarray(np.clip(np.rint(finite * STEPS), -STEPS, STEPS - 1).astype(np.int32))


def sound_of(samples: np.ndarray) -> Sound:
    """Samples as shares of full scale, looked at."""
    samples = np.asarray(samples, np.float64)
    number = np.isfinite(samples)
    beyond = number & (np.abs(samples) > 1)
    return Sound(samples, int(beyond.sum()), int(np.argmax(beyond)) if beyond.any() else -1, int((~number).sum()),
                 int(np.argmax(~number)) if not number.all() else -1, float(np.abs(samples[number]).max(initial=0.0)))


def whole_rate_hz(rate_hz: Fraction) -> int:
    """The rate as a WAV file states it. Errors: UsageError where it is not whole."""
    if rate_hz.denominator != 1 or not 1 <= rate_hz <= LONGEST_RATE_HZ:
        raise UsageError(f"a WAV file cannot state {float(rate_hz):.9g} Hz", where="the sample rate of the script",
                         why="its header holds whole Hz", todo="render at another of the machine's sample rates")
    return int(rate_hz)


def save_sound(path: Path, sound: Sound, rate_hz: Fraction) -> None:
    """Write one channel of 24-bit PCM. Errors: UsageError when it cannot be written."""
    rate = whole_rate_hz(rate_hz)
    raw = sound.steps().astype("<i4").view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
    try:
        with whole_file(path, "wb") as stream:
            with wave.open(stream, "wb") as file:
                file.setnchannels(1)
                file.setsampwidth(BITS // 8)
                file.setframerate(rate)
                file.writeframes(raw)
            os.fchmod(stream.fileno(), 0o644)
    except OSError as problem:
        raise UsageError("the sound cannot be written", where=str(path), why=str(problem),
                         todo="give --out a name in a folder that is there and writable") from problem
