"""From the names and types of parameters and results to inputs, units and ranges. All of it guesses, said as such."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from firmware_shim.debug_info import CType
from verify.number_formats import INT_RANGES

_CAMEL = re.compile(r"(?<=[a-z0-9])(?=[A-Z])")
# Word of a name -> quantity. The last word of a name that is known decides.
WORDS = {
    "hz": "hz", "freq": "hz", "frequency": "hz", "pitch": "hz", "f0": "hz",
    "volts": "volts", "volt": "volts", "cv": "volts", "voltage": "volts", "v": "volts",
    "cents": "cents", "cent": "cents", "detune": "cents", "semitones": "semitones", "semitone": "semitones",
    "octaves": "octaves", "octave": "octaves", "note": "note", "key": "note",
    "code": "code", "codes": "code", "adc": "code", "dac": "code", "raw": "code", "counts": "code",
    "increment": "increment", "inc": "increment", "phase": "phase", "turns": "phase", "angle": "phase",
    "seconds": "seconds", "sec": "seconds", "secs": "seconds", "time": "seconds", "ms": "ms", "milliseconds": "ms",
    "db": "db", "decibels": "db", "ratio": "ratio", "gain": "ratio", "level": "ratio", "amount": "ratio",
    "mix": "ratio", "knob": "ratio", "position": "ratio", "depth": "ratio", "volume": "ratio", "fraction": "ratio",
    "share": "ratio", "wet": "ratio", "velocity": "ratio",
    "sample": "audio", "audio": "audio", "left": "audio", "right": "audio", "in": "audio", "input": "audio",
    "out": "audio", "output": "audio", "signal": "audio", "x": "audio", "y": "audio", "a": "audio", "b": "audio",
    "samples": "count", "count": "count", "n": "count", "ticks": "count", "length": "count", "index": "count",
    "gate": "gate", "on": "gate", "trigger": "gate", "enabled": "gate", "enable": "gate",
}
SHIFTS = {"shift", "shifts", "shl", "shr"}
UNITS = {
    "hz": "Hz", "volts": "V", "cents": "cent", "semitones": "semitone", "octaves": "octave", "note": "note",
    "code": "code", "seconds": "s", "ms": "ms", "db": "dB", "ratio": "ratio", "audio": "full scale", "count": "",
    "gate": "", "phase": "turn",
}
# Quantity -> range of a float, and where the upper end may be named by the author.
RANGES: dict[str, tuple[str, str]] = {
    "hz": ("0", "20_000"), "volts": ("0", "5"), "cents": ("-100", "100"), "semitones": ("-24", "24"),
    "octaves": ("0", "5"), "note": ("0", "127"), "code": ("0", "4095"), "seconds": ("0", "10"), "ms": ("0", "10_000"),
    "db": ("-60", "0"), "ratio": ("0", "1"), "audio": ("-1", "1"), "phase": ("0", "1"), "count": ("0", "1000"),
    "gate": ("0", "1"),
}
TOPS = {"hz": ("TOP_HZ", "MAX_HZ", "HIGHEST_HZ"), "volts": ("TOP_VOLTS", "MAX_VOLTS", "FULL_SCALE_VOLTS"),
        "note": ("TOP_NOTE", "LAST_NOTE", "MAX_NOTE"), "code": ("LAST_CODE", "MAX_CODE", "TOP_CODE", "FULL_SCALE_CODE"),
        "seconds": ("MAX_SECONDS", "TOP_SECONDS")}
CONTINUOUS = ("hz", "volts", "cents", "semitones", "octaves", "seconds", "ratio", "phase", "db")
_Q = re.compile(r"^q(\d+)$")


def words_of(name: str) -> list[str]:
    """Lower-case words of a C name: hzFromVolts, hz_from_volts -> hz, from, volts."""
    return [w.lower() for w in re.split(r"[_\W]+", _CAMEL.sub("_", name)) if w]


def result_first(name: str) -> list[str]:
    """The words of a name, the result before what it is made from: bell_volts_to_hz and volts2hz as hz_from_volts."""
    words: list[str] = []
    for word in words_of(name):
        both = re.fullmatch(r"([a-z]+)2([a-z]+)", word)
        words += [both[1], "to", both[2]] if both and quantity(both[1]) and quantity(both[2]) else [word]
    at = next((k for k in range(1, len(words) - 1) if words[k] == "to"), 0)
    if not at or "from" in words:
        return words
    return [*words[: at - 1], words[at + 1], "from", words[at - 1], *words[at + 2 :]]


def q_bits(name: str) -> int:
    """Fraction bits that a name says: volts_q16 -> 16, x_q15 -> 15, q31 -> 31; 0 for none."""
    for word in words_of(name):
        found = _Q.match(word)
        if found:
            return int(found.group(1))
    return 0


def quantity(name: str) -> str:
    """The quantity a name speaks of; "" when no word is known. A unit beats a thing: pitch_volts is volts."""
    # Numbered names (code16, x1) speak like plain ones; f0 is a word of its own.
    said = [w if w in WORDS else w.rstrip("0123456789") for w in words_of(name)]
    known = [WORDS[w] for w in said if w in WORDS]
    units = [q for q in known if q in ("hz", "volts", "cents", "semitones", "note", "code", "seconds", "ms", "db")]
    return (units or known or [""])[-1]


@dataclass(frozen=True)
class InputGuess:
    """One input as the sheet will say it: Python text, the quantity, its unit, and why."""

    text: str
    quantity: str
    unit: str
    why: str
    bounded: bool = False  # whether the C type holds values outside the range


def guess_input(name: str, ctype: CType, macros: Mapping[str, str], called: str = "") -> InputGuess:
    """An input for a scalar parameter. macros: numbers that the author's headers define."""
    what = quantity(name) or ("audio" if ctype.kind == "float" and not name else "")
    unit = UNITS.get(what, "")
    why = f"{what} by its name" if what else "its name says no unit"
    if ctype.kind == "float":
        low, high = RANGES.get(what, ("0", "1"))
        said = top_of(what, macros, called)
        if said:
            low, high, why = low, number(macros[said]), f"{why}, {said}"
        return InputGuess(f'binary32("{name}", {low}, {high}, "{unit}")', what, unit, why, True)
    if ctype.kind == "bool" or what == "gate":
        return InputGuess(f'integers("{name}", 0, 1, "")', "gate", "", "on or off")
    if SHIFTS & set(words_of(name)):
        return InputGuess(f'integers("{name}", 0, 31, "")', "", "", "a shift of 32 bits, by its name", True)
    signed = ctype.kind == "int"
    least, most = INT_RANGES["int" if signed else "uint", ctype.bytes]
    # hz_from_volts_q16(int32_t volts): the format of the result, said once, is that of the input too.
    bits = q_bits(name) or (q_bits(called) if ctype.bytes >= 4 and what in CONTINUOUS else 0)
    bits = bits or (15 if what in ("audio", "ratio") and ctype.bytes == 2 and signed else 0)
    bits = bits or (31 if what == "audio" and ctype.bytes == 4 and ctype.name in ("int32_t", "q31_t") else 0)
    if bits:
        return _fixed(name, what, bits, ctype, macros, called)
    if what == "code":
        return _code(name, ctype, macros, called, most)
    if what == "phase" and not signed:
        return InputGuess(f'codes("{name}", bits={8 * ctype.bytes}, unit="")', "phase", "", "a whole turn of the counter")
    if what in ("note", "cents", "semitones", "hz", "volts"):
        low, high = RANGES[what]
        low = str(max(int(low.replace("_", "")), least))
        high = str(min(int(high.replace("_", "")), most))
        return InputGuess(f'integers("{name}", {low}, {high}, "{unit}")', what, unit, why, int(high) < most)
    if ctype.bytes <= 2:
        return InputGuess(f'integers("{name}", {least}, {most}, "{unit}")', what, unit, f"{why}; the whole type")
    low, high = ("-32_768", "32_767") if signed else ("0", "65_535")
    if what == "count":
        low, high = "0", "1000"
    return InputGuess(f'integers("{name}", {low}, {high}, "{unit}")', what, unit, f"{why}; a part of the type", True)


def _fixed(name: str, what: str, bits: int, ctype: CType, macros: Mapping[str, str], called: str) -> InputGuess:
    unit = UNITS.get(what, "") or "full scale"
    step = f"2**-{bits}"
    if bits >= 8 * ctype.bytes - 1:
        low = "-1" if ctype.kind == "int" else "0"
        return InputGuess(f'fixed("{name}", {low}, 1 - {step}, "{unit}", fraction_bits={bits})', what or "audio",
                          unit, f"Q{bits} by its name or type")
    low, high = RANGES.get(what, ("0", "1"))
    said = top_of(what, macros, called)
    if said:
        high = number(macros[said])
    return InputGuess(f'fixed("{name}", {low}, {high}, "{unit}", fraction_bits={bits})', what, unit,
                      f"{what or 'number'} in Q{bits} by its name" + (f", {said}" if said else ""), True)


def _code(name: str, ctype: CType, macros: Mapping[str, str], called: str, most: int) -> InputGuess:
    said = top_of("code", macros, called)
    bits, why = 12, "12 bits: usual for converters of such boards"
    digits = re.search(r"(?:^|\D)(8|10|12|14|16|24)(?:$|\D|bit)", name)
    if said:
        top = int(float(number(macros[said]).replace("_", "")))
        bits, why = max(1, top.bit_length()), said
    elif digits:
        bits, why = int(digits.group(1)), "bits by its name"
    elif ctype.bytes == 1:
        bits, why = 8, "its type"
    bits = min(bits, most.bit_length())
    return InputGuess(f'codes("{name}", bits={bits})', "code", "code", why, most >= 1 << bits)


def top_of(what: str, macros: Mapping[str, str], called: str = "") -> str:
    """The macro that names the upper end of a quantity; "" when there is none. The shortest name is the plainest."""
    for ending in TOPS.get(what, ()):
        found = [name for name in macros if name.endswith(ending)]
        mine = [name for name in found if direction(name) == direction(called)]
        plain = [name for name in found if not direction(name)]
        best = mine if mine and direction(called) else plain or (found if what == "code" else [])
        if best:
            return min(best, key=lambda name: (len(name), name))
    return ""


def direction(name: str) -> str:
    """Whether a name speaks of an input or an output of the board: "in", "out" or ""."""
    words = set(words_of(name))
    if words & {"output", "out", "dac"}:
        return "out"
    return "in" if words & {"input", "in", "adc"} else ""


def number(text: str) -> str:
    """A C number as Python writes it, exact: 0x1p+6f -> 64.0, 20000.0f -> 20_000."""
    plain = re.sub(r"(?<=[0-9.])[fFlLuU]+$" if not text.lower().startswith("0x") else r"(?<=[0-9a-fA-F.])[uUlL]+$", "", text)
    if text.lower().startswith("0x") and "p" in text.lower():
        value: float | int = float.fromhex(text.rstrip("fFlL"))
    elif re.fullmatch(r"[-+]?(0[xX][0-9a-fA-F]+|\d+)", plain):
        value = int(plain, 0) if not re.fullmatch(r"0\d+", plain) else int(plain, 8)
    else:
        value = float(plain)
    if isinstance(value, float) and value == int(value) and abs(value) < 2**53:
        value = int(value)
    return f"{value:_}" if isinstance(value, int) and abs(value) >= 10_000 else repr(value)
