"""Which reference a routine's name speaks of, and where its constants come from."""

from __future__ import annotations

import importlib
import inspect
import math
import pkgutil
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from reference.spot import note_name
from verify.new_quantities import direction, number, quantity, result_first, words_of

_NOT_FAMILIES = {"precision", "context", "spot", "errors", "steps", "trajectories", "recurrences", "tracing"}
# Short names of usual machines -> the words of their references.
_ALIASES = {"adsr": "attack decay sustain release", "ad": "attack decay", "lag": "one pole", "onepole": "one pole",
            "smoother": "one pole", "smoothing": "one pole", "lamp": "lamp", "led": "lamp", "average": "moving average"}
A4_HZ = 440
JUST_A_NOTE_CENTS = 0.1


@dataclass(frozen=True)
class Reference:
    """One reference function: family (its module), name, names of its inputs and constants."""

    family: str
    name: str
    inputs: tuple[str, ...]
    constants: tuple[str, ...]
    optional: tuple[str, ...]
    function: Callable[..., Any]

    @property
    def sheet_name(self) -> str:
        """As a sheet writes it: pitch.hz_from_volts."""
        return f"{self.family}.{self.name}"


@dataclass(frozen=True)
class Proposal:
    """A reference that may be meant: why, its constants as Python text with the place each comes from."""

    reference: Reference
    why: str
    constants: Mapping[str, tuple[str, str]]
    missing: tuple[str, ...] = ()


def all_references() -> tuple[Reference, ...]:
    """References of functions: numbers to a number."""
    return tuple(r for r in _references() if "script" not in r.inputs and "_from_" in r.name)


def machine_references(words: Iterable[str]) -> list[Reference]:
    """References of machines whose name is said by the words around a state; the one that says most is first."""
    known = set(words)
    for word in list(known):
        known |= set(_ALIASES.get(word, "").split())
    fitting = [r for r in _references() if r.inputs == ("script",) and set(words_of(r.name)) <= known]
    return sorted(fitting, key=lambda r: (-len(words_of(r.name)), r.sheet_name))


@cache
def _references() -> tuple[Reference, ...]:
    """Every public function whose first argument is the context, from every family that can be imported."""
    import reference

    found = []
    for module_info in pkgutil.iter_modules(reference.__path__):
        if module_info.name in _NOT_FAMILIES or module_info.name.startswith("_"):
            continue
        try:
            module = importlib.import_module(f"reference.{module_info.name}")
        except Exception:  # a family that cannot be imported proposes nothing
            continue
        for name, function in sorted(vars(module).items()):
            if name.startswith("_") or not inspect.isfunction(function) or function.__module__ != module.__name__:
                continue
            parameters = list(inspect.signature(function).parameters.values())
            if not parameters or parameters[0].name != "ctx":
                continue
            positional = [p.name for p in parameters[1:] if p.kind is p.POSITIONAL_OR_KEYWORD]
            keyword = [p for p in parameters if p.kind is p.KEYWORD_ONLY]
            found.append(Reference(module_info.name, name, tuple(positional),
                                   tuple(p.name for p in keyword if p.default is p.empty),
                                   tuple(p.name for p in keyword if p.default is not p.empty), function))
    return tuple(found)


def propose(
    name: str, inputs: Sequence[tuple[str, str]], result_is_integer: bool, macros: Mapping[str, str],
    members: Mapping[str, str] | None = None,
) -> Proposal | None:
    """The reference that a C name speaks of, None when no name fits.

    Shape: inputs (name, quantity) of the numbers that vary; macros and members: numbers by name.
    """
    best: tuple[int, Reference, str] | None = None
    for reference in all_references():
        score, why = _fit(reference, name, inputs, result_is_integer)
        if score > 0 and (best is None or score > best[0]):
            best = (score, reference, why)
    if best is None:
        return None
    constants, missing = {}, []
    for constant in (*best[1].constants, *best[1].optional):
        said = _constant(constant, name, macros, members or {})
        if said is not None:
            constants[constant] = said
        elif constant in best[1].constants:
            missing.append(constant)
    return Proposal(best[1], best[2], constants, tuple(missing))


def _fit(reference: Reference, name: str, inputs: Sequence[tuple[str, str]], integer: bool) -> tuple[int, str]:
    if len(reference.inputs) != len(inputs):
        return 0, ""
    result, _, arguments = reference.name.partition("_from_")
    own = result_first(name)
    plain = "_".join(own)
    variants = {"32bit", "linear", "clamped", "cubic", "ideal"} & set(words_of(reference.name))
    if "32bit" in variants and not integer:
        return 0, ""
    if (variants - {"32bit"}) - set(own):
        return 0, ""
    if "32bit" not in variants and integer and result == "increment":
        return 0, ""
    bare = "_".join(w for w in words_of(reference.name) if w not in variants)
    if f"_{bare}_" in f"_{plain}_":
        return 100 + len(bare), f"the name says {bare.replace('_', ' ')}"
    wanted = arguments.split("_and_")
    if [quantity(w) or w for w in wanted] != [q for _, q in inputs] or not all(q for _, q in inputs):
        return 0, ""
    said, _, _ = plain.partition("_from_")
    core = next((w for w in words_of(result) if w not in variants), "")
    if quantity(core) and quantity(said) == quantity(core):
        return 50, f"a result in {quantity(core)} from {' and '.join(wanted)}"
    return 0, ""


def _constant(
    constant: str, name: str, macros: Mapping[str, str], members: Mapping[str, str]
) -> tuple[str, str] | None:
    """(Python text, where from) of a constant; None if nothing names it."""
    if constant in members:
        return number(members[constant]), f"{constant} of the struct's first values"
    mine = direction(name) or {"volts_from": "in", "hz_from_code": "in", "code_from": "out"}.get(_way(name), "")
    ending = constant.upper()
    found = [m for m in macros if m.upper().endswith(ending)]
    fitting = [m for m in found if direction(m) == mine] or [m for m in found if not direction(m)]
    if not fitting and constant in ("high_volts", "high_code"):
        found = [m for m in macros if m.upper().endswith("TOP_VOLTS" if constant == "high_volts" else "LAST_CODE")]
        fitting = [m for m in found if direction(m) == mine]
    if fitting:
        chosen = min(fitting, key=lambda m: (len(m), m))
        text = number(macros[chosen])
        if constant == "zero_volt_hz":
            return exact_note(text, chosen)
        return text, chosen
    if constant == "low_volts" and any(direction(m) == mine for m in macros if m.endswith("TOP_VOLTS")):
        return "0", "0 V at the low code: nothing says otherwise"
    if constant == "sample_rate_hz":
        rates = [m for m in macros if "SAMPLE_RATE" in m or m in ("FS", "SR", "FS_HZ")]
        return (number(macros[rates[0]]), rates[0]) if rates else ("48_000", "nothing names the rate: 48 kHz is usual")
    return None


def _way(name: str) -> str:
    plain = "_".join(result_first(name))
    return next((key for key in ("volts_from", "hz_from_code", "code_from") if key in plain), "")


def exact_note(text: str, source: str) -> tuple[str, str]:
    """A frequency that can only mean a note, as the exact expression of that note; else as it is written."""
    value = float(text.replace("_", ""))
    if value > 0:
        steps = round(12 * math.log2(value / A4_HZ))
        cents = 1200 * math.log2(value / A4_HZ) - 100 * steps
        if abs(cents) < JUST_A_NOTE_CENTS:
            note = note_name(A4_HZ * 2 ** (steps / 12)).split()[0]
            return f'"440 * 2**({steps}/12)"', f"{source} is the note {note}"
    return f'"{text.replace("_", "")}"', source
