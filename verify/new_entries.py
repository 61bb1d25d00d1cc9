"""One entry of a first sheet: from a C function to the lines that describe it, or to the reason why there are none."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from firmware_shim.debug_info import CType, Function
from verify.binding import prototype_text, type_number
from verify.new_claims import claims_without_reference, proposed_claims
from verify.new_quantities import UNITS, InputGuess, guess_input, q_bits, quantity, result_first, words_of
from verify.new_references import Proposal, propose

SHEET_NAME = "firmware"
_RESULT_UNITS = {**UNITS, "increment": "turn/sample"}


@dataclass
class Entry:
    """What will be written for one function. reason: why it is only a comment, "" when it runs."""

    name: str
    head: str
    arguments: list[str] = field(default_factory=list)
    reason: str = ""
    proposal: Proposal | None = None
    method: str = "function"
    guessed_claims: int = 0
    notes: list[str] = field(default_factory=list)
    rebuild: Callable[[Proposal], list[str]] | None = None

    def complete(self, constant: str, text: str, source: str) -> None:
        """Give the one constant that nothing named: the reference becomes part of the entry."""
        if self.proposal is None or self.rebuild is None:
            return
        constants = {**self.proposal.constants, constant: (text, source)}
        missing = tuple(name for name in self.proposal.missing if name != constant)
        self.proposal = replace(self.proposal, constants=constants, missing=missing)
        self.arguments = self.rebuild(self.proposal)

    def lines(self) -> list[str]:
        """The entry as lines of Python, commented out when it cannot run."""
        called = [f"{SHEET_NAME}.{self.method}(", f'    "{self.name}",', *(f"    {line}" for line in self.arguments), ")"]
        notes = [f"# {note}" for note in self.notes]
        if not self.reason:
            return [f"# {self.head}", *notes, *called]
        shown = [f"# {line}".rstrip() for line in called] if self.arguments else []
        return [f"# {self.head}", f"# not checked: {self.reason}", *shown]


def function_entry(function: Function, macros: Mapping[str, str]) -> Entry:
    """The entry of a function of plain numbers; a comment with the reason for any other."""
    head = f"{prototype_text(function)}, {Path(function.file).name}:{function.line}"
    reason = undrivable(function)
    if reason:
        return Entry(function.name, head, reason=reason)
    called = called_quantities(function)
    names = [p.name or f"input{i + 1}" for i, p in enumerate(function.parameters)]
    guesses = [guess_input(name, p.ctype, macros, function.name) if what == "" or quantity(name)
               else renamed(guess_input(what, p.ctype, macros, function.name), name)
               for name, p, what in zip(names, function.parameters, called, strict=True)]
    guesses = alike(guesses, function)
    integer = function.result.kind != "float"
    proposal = propose(function.name, [(n, g.quantity) for n, g in zip(names, guesses, strict=True)], integer, macros)
    guesses = [inside(g, proposal) for g in guesses]

    def rebuild(proposed: Proposal | None) -> list[str]:
        return arguments(function.name, function.result, guesses, proposed, macros)

    return Entry(function.name, head, rebuild(proposal), proposal=proposal, rebuild=rebuild)


def alike(guesses: Sequence[InputGuess], function: Function) -> list[InputGuess]:
    """A parameter that no name explains is a signal where all others of its type are signals: a mixer's a, b and c."""
    found = []
    for guess, parameter in zip(guesses, function.parameters, strict=True):
        others = [other for other, p in zip(guesses, function.parameters, strict=True)
                  if other.quantity and p.ctype == parameter.ctype]
        if not guess.quantity and len(others) > 1 and all(other.quantity == "audio" for other in others):
            name, old = guess.text.split('"')[1], others[0].text.split('"')[1]
            guess = replace(others[0], text=others[0].text.replace(f'"{old}"', f'"{name}"', 1), why="as those beside it")
        found.append(guess)
    return found


def inside(guess: InputGuess, proposal: Proposal | None) -> InputGuess:
    """A frequency whose logarithm is taken cannot be 0: from that of 0 V to that of the highest voltage."""
    if proposal is None or guess.quantity != "hz" or "zero_volt_hz" not in proposal.reference.constants:
        return guess
    text, _ = proposal.constants.get("zero_volt_hz", ("", ""))
    if not text or not guess.text.startswith("binary32"):
        return replace(guess, text=guess.text.replace(", 0, ", ", 20, ", 1))
    octaves, _ = proposal.constants.get("high_volts", ("8", ""))
    note = re.fullmatch(r'"440 \* 2\*\*\((-?\d+)/12\)"', text)
    zero = 440 * 2 ** (int(note.group(1)) / 12) if note else float(text.strip('"'))
    top = zero * 2 ** float(octaves)
    name = guess.text.split('"')[1]
    # A little inside: the ends of the grid are rounded to binary32.
    return replace(guess, text=f'binary32("{name}", {zero * (1 + 1e-6):.9g}, {top * (1 - 1e-6):.9g}, "Hz")',
                   why=f"from 0 V to {octaves} V at 1 V per octave")


def called_quantities(function: Function) -> list[str]:
    """Quantities that the function's name gives its inputs: x of hz_from_volts(x) is volts."""
    _, found, after = "_".join(result_first(function.name)).partition("_from_")
    wanted = after.split("_and_") if found else []
    known = [word for part in wanted for word in [next((w for w in part.split("_") if quantity(w)), "")]]
    return known if len(known) == len(function.parameters) else [""] * len(function.parameters)


def renamed(guess: InputGuess, name: str) -> InputGuess:
    """The same input under the C parameter's own name."""
    old = guess.text.split('"')[1]
    return InputGuess(guess.text.replace(f'"{old}"', f'"{name}"', 1), guess.quantity, guess.unit,
                      f"{guess.quantity} by the function's name", guess.bounded)


def undrivable(function: Function) -> str:
    """Why a function cannot be driven as one of plain numbers; "" when it can."""
    if function.variadic:
        return "its list of arguments is open"
    for parameter in function.parameters:
        if type_number(parameter.ctype) is None:
            return f"{parameter.name or 'a parameter'} is a {parameter.ctype.kind} ({parameter.ctype.name})"
    if not function.parameters:
        return "it has no inputs" + ("" if function.result.kind != "void" else " and no result")
    if function.result.kind == "void":
        return "it returns nothing"
    if type_number(function.result) is None:
        return f"its result is a {function.result.kind} ({function.result.name})"
    if len(function.parameters) > 8:
        return f"it has {len(function.parameters)} inputs; up to 8 can be driven"
    return ""


def arguments(
    name: str, result: CType, guesses: Sequence[InputGuess], proposal: Proposal | None, macros: Mapping[str, str],
    extra: Sequence[str] = (),
) -> list[str]:
    """The lines between the brackets of sheet.function(...), after the name."""
    what = result_quantity(name, proposal)
    integer = result.kind != "float"
    bits = q_bits(name) if integer else 0
    if integer and not bits and result.kind == "int" and result.bytes in (2, 4) and what in ("audio", "ratio"):
        bits = 15 if result.bytes == 2 else 31
    unit = "step/sample" if what == "increment" and integer else _RESULT_UNITS.get(what, "")
    if bits and not unit:
        unit = "full scale"
    output = f'fixed_output("{unit}", fraction_bits={bits})' if bits else f'"{unit}"'
    lines = ["inputs=[", *(f"    {g.text},  # guess: {g.why}" for g in guesses), "],", *extra,
             f"output={output},  # guess: " + (f"{what} by the name" if what else "the name says no unit")]
    if proposal is not None and not proposal.missing:
        lines.append(f"reference={proposal.reference.sheet_name},  # guess: {proposal.why}")
        if proposal.constants:
            lines.append("constants={")
            lines += [f'    "{key}": {text},  # guess: {where}' for key, (text, where) in proposal.constants.items()]
            lines.append("},")
        claims = proposed_claims(what, integer, bits, guesses, proposal.why)
        lines += ["claims=[", *(f"    {claim}," for claim in claims), "],"]
        return lines
    if proposal is not None:
        lines.append(f"# reference={proposal.reference.sheet_name} ({proposal.why}) needs "
                     f"constants={{{', '.join(f'{m!r}: ...' for m in proposal.missing)}}}: nothing here names them")
    claims = claims_without_reference(what, words_of(name), integer, guesses)
    if proposal is None:
        only = "What its name promises and" if claims else "Only"
        lines.append(f"# no reference: its name says none. {only} the protective claims are checked, not whether it is right")
        lines += product_lines(guesses) if bits else []
    lines += ["claims=[", *(f"    {claim}," for claim in claims), "],"] if claims else ["claims=[],"]
    return lines


def product_lines(guesses: Sequence[InputGuess]) -> list[str]:
    """Of a fixed-point gain, the reference that it is likely to have: the product. As a comment: no name says it."""
    names = [guess.text.split('"')[1] for guess in guesses if guess.text.startswith("fixed(")]
    if len(names) != 2 or len(guesses) != 2 or all(guess.quantity != "ratio" for guess in guesses):
        return []
    return [f"# if it is the product, write: reference=lambda ctx, {', '.join(names)}: {' * '.join(names)},",
            '# and claims=[accurate(lsb=1, because="cutting off costs a step at most")]']


def result_quantity(name: str, proposal: Proposal | None) -> str:
    """What a function returns, by its reference or the words before _from_."""
    if proposal is not None:
        result = proposal.reference.name.partition("_from_")[0]
        return next((quantity(w) or w for w in words_of(result) if quantity(w)), quantity(name))
    said, found, _ = "_".join(result_first(name)).partition("_from_")
    return quantity(said) if found else quantity(name)
