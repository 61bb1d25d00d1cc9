"""The closed list of units that sheets may use, and the errors each of them can be judged in."""

from __future__ import annotations

from verify.errors import SheetError, nearest_words

UNITS: dict[str, str] = {
    "V": "volt",
    "Hz": "hertz",
    "code": "converter code",
    "note": "note number, 69 = A4",
    "semitone": "semitone",
    "cent": "cent, 1/1200 octave",
    "octave": "octave",
    "turn": "turn of phase (0 to 1)",
    "radian": "radian (phase modulation index)",
    "turn/sample": "turns of phase per sample",
    "step/sample": "phase accumulator steps per sample",
    "s": "second",
    "ms": "millisecond",
    "sample": "sample",
    "ratio": "ratio",
    "dB": "decibel",
    "full scale": "share of full scale",
    "": "plain number",
}

PITCH_UNITS = ("Hz", "turn/sample", "step/sample", "ratio")
ERROR_UNITS: dict[str, str] = {
    "cents": "cents",
    "ulp": "ULP",
    "absolute": "",
    "relative": "relative",
    "lsb": "LSB",
    "hz": "Hz",
    "volts": "V",
}


def check_unit(unit: object, where: str) -> str:
    """The unit itself if it is one of ours; SheetError with the nearest word otherwise."""
    if isinstance(unit, str) and unit in UNITS:
        return unit
    raise SheetError(
        f"unknown unit {unit!r}",
        where=where,
        why="every quantity needs a unit from the list, so that errors can be judged in it",
        todo=nearest_words(str(unit), [name for name in UNITS if name]) + ' (or "" for a plain number)',
    )
