"""Claims that are proposed for a routine, each with a limit that somebody published or that arithmetic gives."""

from __future__ import annotations

from collections.abc import Sequence

from verify.new_quantities import InputGuess

# Reasons that the sheet names once, at its top.
REASONS = {
    "JUST_NOTICEABLE": "below every published just-noticeable difference of pitch (3.5 cents: The Open University, Hearing)",
    "JUST_LOUDER": "a hundredth of the smallest audible step in level (0.3 dB: The Open University, Hearing)",
    "CLICK": "guess: a fifth of full scale from one sample to the next is heard as a click (common practice, no source)",
    "BROKEN_WIRE": "an input beyond its range (broken wire, wrong jack) must do no harm",
}
# 0.01 Hz at 48 kHz in steps of a 32-bit phase; the smallest audible difference is 1 Hz.
INCREMENT_STEPS = 894
MONOTONE = ("hz", "volts", "code", "increment", "note", "seconds", "ratio", "db")


def proposed_claims(result: str, integer: bool, fraction_bits: int, inputs: Sequence[InputGuess], why: str) -> list[str]:
    """Python text of the claims for a routine with a reference. result: its quantity. Words used: see claim_words."""
    claims = [accuracy(result, integer, fraction_bits)]
    if len(inputs) == 1:
        word = {"hz": "pitch", "code": "output"}.get(result, "result")
        if result in MONOTONE and inputs[0].quantity in (*MONOTONE, "cents", "semitones", "octaves"):
            claims.append(f'rising(because="a rising input must never lower the {word}")')
        if result == "hz" and inputs[0].quantity in ("volts", "note", "octaves", "semitones"):
            claims.append('octave_doubles(cents=1, because="beating between octaves is heard first")')
    for given in inputs:
        if given.bounded:
            name = given.text.split('"')[1]
            first = f'"{name}", ' if len(inputs) > 1 else ""
            claims.append(f'clamps({first}nan="finite", because=BROKEN_WIRE)')
    return claims


def claims_without_reference(result: str, words: Sequence[str], integer: bool, inputs: Sequence[InputGuess]) -> list[str]:
    """Python text of what a name alone promises. words: those of the function's name."""
    if len(inputs) != 1:
        return []
    if result in ("hz", "volts") and inputs[0].quantity in ("volts", "note", "octaves", "semitones"):
        # Codes are left out: behind an inverting amplifier they fall.
        return ['rising(because="guess: a higher input means a higher result")']
    if not integer and {"sine", "sin", "cosine", "saw", "sawtooth", "triangle"} & set(words):
        return ['stays_within(-1, 1, because="guess: a wave within full scale")']
    return []


def accuracy(result: str, integer: bool, fraction_bits: int) -> str:
    """The accurate(...) line for a result: its quantity, and whether C returns a whole number."""
    if result == "hz":
        return "accurate(cents=1, because=JUST_NOTICEABLE)"
    if result == "increment" and integer:
        return f'accurate(lsb={INCREMENT_STEPS}, because="0.01 Hz: a hundredth of the smallest audible difference (1 Hz)")'
    if result == "increment":
        return 'accurate(ulp=4, because="a few roundings of single precision: far below 0.01 cents")'
    if result == "volts":
        return 'accurate(volts=0.0008, because="one cent at 1 V per octave is 0.83 mV")'
    if result == "code":
        return 'accurate(lsb=0.55, because="half a step is the least possible; the rest for single precision")'
    if fraction_bits:
        return 'accurate(lsb=1, because="one step of its format")'
    if integer:
        return 'accurate(lsb=0.55, because="half a step is the least possible; the rest for single precision")'
    if result in ("cents", "semitones", "note", "octaves"):
        size = {"cents": "0.1", "semitones": "0.001", "note": "0.001", "octaves": "0.0001"}[result]
        return f'accurate(absolute={size}, because="a tenth of a cent: far below what is heard")'
    if result == "db":
        return "accurate(absolute=0.003, because=JUST_LOUDER)"
    if result == "ratio":
        return "accurate(relative=0.0003, because=JUST_LOUDER)"
    return 'accurate(absolute=0.00003, because="one step of 16 bits")'
