"""Functions that share a state, or the members of a class, as one machine of a first sheet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from firmware_shim.debug_info import CType, DebugInfo, Function
from verify.binding import prototype_text, type_number
from verify.new_entries import Entry
from verify.new_machine_claims import Signal, kind_of, narrowed, proposed
from verify.new_quantities import RANGES, UNITS, InputGuess, guess_input, q_bits, quantity, words_of
from verify.new_references import machine_references

INIT = ("init", "initialise", "initialize", "setup", "prepare", "construct", "begin", "start", "configure")
AGAIN = ("reset", "clear")
STEP = ("step", "process", "next", "tick", "run", "render", "generate", "perform", "advance", "update", "read", "sample")
COUNTS = {"n", "count", "frames", "samples", "size", "length", "len", "num", "block"}
IN_PLACE = {"buffer", "buf", "io", "inout", "data", "samples", "block", "audio"}
RATES = {"rate", "fs", "sr", "samplerate"}
MIDDLES = {"hz": "440", "ratio": "0.5", "seconds": "0.1", "ms": "100", "volts": "1", "db": "-6", "note": "69"}
C_NAMES = {("float", 4): "float", ("float", 8): "double", ("int", 1): "int8_t", ("int", 2): "int16_t",
           ("int", 4): "int32_t", ("int", 8): "int64_t", ("uint", 1): "uint8_t", ("uint", 2): "uint16_t",
           ("uint", 4): "uint32_t", ("uint", 8): "uint64_t", ("bool", 1): "bool"}
# What whole numbers of a signal usually are: Q15, Q31. A plain int counts, or is a gate.
FIXED = {"int16_t": 15, "short": 15, "q15_t": 15, "int32_t": 31, "q31_t": 31}
TAKEN = {"state", "n", "sample_rate_hz"}
MOST_ARGUMENTS = 4


@dataclass
class Cluster:
    """Functions around one state. name: of the C type or class; members: its functions in order; cpp: a class; in_globals:
    the state is that of a source (its name here), whose functions take none."""

    name: str
    members: list[Function] = field(default_factory=list)
    cpp: bool = False
    in_globals: bool = False

    def own_words(self, function: Function) -> list[str]:
        """A function's words without those of the state: strike_set_attack of strike_t -> set, attack."""
        state = set(words_of(self.name.split("::")[-1].removeprefix("struct "))) | {"t"}
        words = words_of(function.name.split("::")[-1].partition("(")[0])
        return [w for w in words if w not in state] or words

    def parameters(self, function: Function) -> list[tuple[str, CType]]:
        """What a function takes beside the state."""
        return [(p.name or f"input{i}", p.ctype) for i, p in enumerate(function.parameters) if self.in_globals or i > 0]

    def changes(self, function: Function) -> bool:
        """Whether a function may change the state."""
        return self.in_globals or not function.parameters[0].ctype.to_constant

    def call(self, function: Function, given: Sequence[str]) -> str:
        """A call on the state, as C."""
        own = function.name.split("::")[-1].partition("(")[0]
        if self.in_globals:
            return f"{own}({', '.join(given)})"
        return f"state->{own}({', '.join(given)})" if self.cpp else f"{own}({', '.join(['state', *given])})"


def clusters_of(functions: Sequence[Function], infos: Mapping[Path, DebugInfo]) -> list[Cluster]:
    """Clusters with at least one function that changes the state and one that makes samples."""
    found: dict[str, Cluster] = {}
    for function in functions:
        first = function.parameters[0] if function.parameters else None
        if first is None or first.ctype.kind != "pointer" or first.ctype.to is None or first.ctype.to.kind != "struct":
            continue
        cpp = bool(function.member_of) or first.name == "this"
        name = function.member_of or first.ctype.to.name
        found.setdefault(name, Cluster(name, cpp=cpp)).members.append(function)
    kept = []
    for cluster in found.values():
        if any(cluster.changes(f) for f in cluster.members) and (_stepper(cluster) or _blocker(cluster)):
            kept.append(cluster)
    taken = {id(f) for cluster in kept for f in cluster.members}
    return kept + around_globals([f for f in functions if id(f) not in taken])


def around_globals(functions: Sequence[Function]) -> list[Cluster]:
    """Of each C source, the function that gives a number out of nothing, and those that give nothing back."""
    found: dict[str, Cluster] = {}
    for function in functions:
        if function.member_of or "::" in function.name or function.variadic or function.name == "main":
            continue
        makes = not function.parameters and (function.result.kind, function.result.bytes) in C_NAMES
        takes = function.result.kind == "void" and all(type_number(p.ctype) is not None for p in function.parameters)
        if makes or takes:
            stem = Path(function.file).stem
            found.setdefault(function.file, Cluster(stem, in_globals=True)).members.append(function)
    return [cluster for cluster in found.values() if _stepper(cluster)]


def machine_entries(cluster: Cluster, macros: Mapping[str, str], rate: str) -> list[Entry]:
    """The entry of one cluster, and one more for its block where it has a step too; a comment with the reason when a part of
    it cannot be said."""
    step, block = _stepper(cluster), _blocker(cluster)
    return [_entry(cluster, made, step, block, macros, rate) for made in (step, block) if made is not None]


def _entry(cluster: Cluster, made: Function, step: Function | None, block: Function | None, macros: Mapping[str, str],
           rate: str) -> Entry:
    plain = cluster.name.replace("(anonymous namespace)::", "").removeprefix("struct ")
    name = "_".join(w for w in words_of(plain.split("::")[-1]) if w != "t") or plain
    first = cluster.members[0]
    many = f"{len(cluster.members)} function{'s' * (len(cluster.members) != 1)}"
    head = f"{cluster.name} with {many}, {Path(first.file).name}:{first.line}"
    if made is block and step is not None:
        name, head = f"{name}_block", f"{head}, in blocks"
    init, why, refused = _init(cluster, plain)
    lines = [f'state="{_state_type(cluster, plain)}",']
    if cluster.in_globals:
        name, head = made.name, f"{made.name} and what shares its globals, {Path(made.file).name}:{made.line}"
        lines = ["state=None,  # guess: it lives in globals"]
    lines += [f'init="{init}",' + (f"  # guess: {why}" if why else "")] if init else []
    names = {w for text in (plain, *(f.name for f in cluster.members)) for w in words_of(text)}
    kind = kind_of(names | {w for f in cluster.members for n, _ in cluster.parameters(f) for w in words_of(n)})
    events, left = _events(cluster, (step, block), kind, macros)
    if events:
        lines += ["events=[  # guess: the ranges", *(f"    {line}," for line in events), "],"]
    told = _step(cluster, made, macros) if made is step else _block(cluster, made, macros)
    if isinstance(told, str):
        return Entry(name, head, reason=told, method="machine")
    call, inputs, outputs = told
    lines += ["inputs=[", *(f"    {one.text}" for one in inputs), "],"] if inputs else []
    lines += [f'{"step" if made is step else "block"}="{call}",',
              f"outputs=[{', '.join(one.text for one in outputs)}],  # guess: its unit", f"sample_rates_hz=[{rate}],"]
    for reference in machine_references(names)[:1]:
        options = ", ".join((*reference.constants, *reference.optional))
        lines.append(f"# perhaps reference={reference.sheet_name}, as its names say; its constants: {options}")
    claims = proposed(kind, events, inputs, outputs, made is block)
    lines.append("# no reference: claims of a kind and the protective ones are checked, not whether it is right")
    lines += ["claims=[", *(f"    {claim}," for claim in claims), "],"] if claims else ["claims=[],"]
    entry = Entry(name, head, lines, refused, method="machine", guessed_claims=len(claims))
    entry.notes = [f"not part of it: {text}" for text in left]
    return entry


def _state_type(cluster: Cluster, plain: str) -> str:
    return plain if cluster.cpp or not cluster.name.startswith("struct ") else cluster.name


def _stepper(cluster: Cluster) -> Function | None:
    """The function that makes one sample: numbers in, one number out."""
    def fits(f: Function) -> bool:
        numbers = all(type_number(t) is not None for _, t in cluster.parameters(f))
        return numbers and (f.result.kind, f.result.bytes) in C_NAMES and cluster.changes(f)

    able = [f for f in cluster.members if fits(f) and not {"init", "get"} & set(cluster.own_words(f))]
    for word in STEP:
        named = [f for f in able if word in cluster.own_words(f)]
        if named:
            return named[0]
    return able[0] if len(able) == 1 else None


def _blocker(cluster: Cluster) -> Function | None:
    """The function that makes a block: arrays of numbers and how many."""
    for f in cluster.members:
        kinds = cluster.parameters(f)
        arrays = [t for _, t in kinds if t.kind == "pointer" and t.to is not None and (t.to.kind, t.to.bytes) in C_NAMES]
        counts = [n for n, t in kinds if type_number(t) is not None and t.kind in ("int", "uint") and is_count(n)]
        if arrays and len(counts) == 1 and any(not t.to_constant for t in arrays):
            return f
    return None


def is_count(name: str) -> bool:
    """Whether a parameter's name says how many samples."""
    return bool(COUNTS & set(words_of(name)))


def _is_rate(name: str, ctype: CType) -> bool:
    return bool(RATES & set(words_of(name))) and type_number(ctype) is not None


def _is_sample_rate(name: str) -> bool:
    """Whether a setter's second parameter can only be the sample rate: a plain "rate" may be a knob's."""
    words = set(words_of(name))
    return bool(words & (RATES - {"rate"})) or {"sample", "rate"} <= words


def _given(name: str, ctype: CType) -> str | None:
    """What init passes for a parameter: the sample rate, or a usual value; None when it takes memory."""
    if _is_rate(name, ctype):
        return "sample_rate_hz"
    if type_number(ctype) is None:
        return None
    middle = MIDDLES.get(quantity(name), "1")
    return middle if ctype.kind == "float" or "." not in middle else "1"


def _init(cluster: Cluster, plain: str) -> tuple[str, str, str]:
    """C text that prepares the state, what in it is a guess, and why it cannot be said ("" when it can)."""
    parts, guessed, refused = [], [], ""
    last = cluster.name.split("::")[-1]
    makers = [f for f in cluster.members if cluster.cpp and f.name.split("::")[-1].partition("(")[0] == last]
    starters = [f for f in cluster.members if set(INIT) & set(cluster.own_words(f)) and f not in makers]
    if not starters and not makers:
        starters = [f for f in cluster.members if set(AGAIN) & set(cluster.own_words(f))]
    rates = [f for f in cluster.members if f not in starters and "set" in cluster.own_words(f)
             and len(cluster.parameters(f)) == 1 and _is_rate("_".join(cluster.own_words(f)), cluster.parameters(f)[0][1])]
    for function in [*makers[:1], *starters[:1], *rates]:
        given = []
        for name, ctype in cluster.parameters(function):
            text = "sample_rate_hz" if function in rates else _given(name, ctype)
            if text is None:
                refused = f"{function.name} takes {name} ({ctype.name}), which only you can give"
                text = name
            elif text != "sample_rate_hz":
                guessed.append(f"{name} = {text}")
            given.append(text)
        if function in makers:
            parts.append(f"new (state) {plain}({', '.join(given)})")
        else:
            parts.append(cluster.call(function, given))
    if cluster.cpp and not makers:
        parts.insert(0, f"new (state) {plain}")
    if not parts and not cluster.in_globals:
        parts.append(f"*state = ({cluster.name}){{0}};")
        guessed.append("all zero: no function prepares it")
    return "; ".join(parts), ", ".join(guessed), refused


def _free(name: str) -> str:
    return f"{name}_value" if name in TAKEN else name


def _events(cluster: Cluster, made: Sequence[Function | None], kind: str, macros: Mapping[str, str],
            ) -> tuple[list[str], list[str]]:
    """Python text of the events, and the functions that are none."""
    events, left, names = [], [], set()
    for function in cluster.members:
        own = cluster.own_words(function)
        last = function.name.split("::")[-1].partition("(")[0]
        parameters = cluster.parameters(function)
        if any(function is one for one in made) or set(INIT) & set(own):
            continue
        if cluster.cpp and last in (cluster.name.split("::")[-1], "~" + cluster.name.split("::")[-1]):
            continue
        if any(_is_rate("_".join(own), t) for _, t in parameters) and len(parameters) == 1:
            continue
        name = "_".join(w for w in own if w != "set") or last
        told = function.result.kind == "void" and cluster.changes(function) and name not in names
        if not told or len(parameters) > MOST_ARGUMENTS or any(type_number(t) is None for _, t in parameters):
            left.append(prototype_text(function))
            continue
        names.add(name)
        guesses, given = [], []
        for parameter, ctype in parameters:
            # A plain rate beside a frequency is what the frequency is divided by.
            beside_hz = _is_rate(parameter, ctype) and any(quantity(other) == "hz" for other, _ in parameters)
            if len(parameters) > 1 and (_is_sample_rate(parameter) or beside_hz):
                given.append("sample_rate_hz")
                continue
            given.append(_free(parameter))
            said = guess_input(parameter, ctype, macros) if quantity(parameter) not in ("", "audio") else guess_input(
                name if quantity(name) else parameter, ctype, macros, name)
            text = said.text.replace(f'"{said.text.split(chr(34))[1]}"', f'"{_free(parameter)}"', 1)
            guesses.append(narrowed(text, {*own, *words_of(parameter)}, kind))
        call = cluster.call(function, given)
        events.append(f'event("{name}", "{call}"' + "".join(f", {g}" for g in guesses) + ")")
    return events, left


def _signal(name: str, ctype: CType, said: str) -> Signal:
    kind = C_NAMES[(ctype.kind, ctype.bytes)]
    bits = q_bits(name) or FIXED.get(ctype.name, 0)
    what = quantity(said)
    plain = kind not in ("float", "double") and not bits
    unit = "" if plain else "full scale" if what in ("", "audio", "ratio", "gate", "count") else UNITS.get(what, "")
    more = f", fraction_bits={bits}" if bits else ""
    return Signal(name, unit, kind not in ("float", "double"), bits, f'signal("{name}", "{unit}", ctype="{kind}"{more})')


def _step(cluster: Cluster, step: Function, macros: Mapping[str, str]) -> tuple[str, list[Signal], list[Signal]]:
    """The call of a step, what goes in, what comes out."""
    parameters = cluster.parameters(step)
    inputs = [_input(n, t, macros, step.result) for n, t in parameters]
    out = next(n for n in ("out", "result", "made") if n not in {p for p, _ in parameters})
    call = cluster.call(step, [_free(n) for n, _ in parameters])
    return f"{out} = {call}", inputs, [_signal(out, step.result, cluster.name + "_" + step.name)]


def _input(name: str, ctype: CType, macros: Mapping[str, str], beside: CType | None) -> Signal:
    guess = _stream(name, ctype, macros, beside)
    return Signal(_free(name), guess.unit, ctype.kind != "float", 0, f"{guess.text},  # guess: {guess.why}")


def _stream(name: str, ctype: CType, macros: Mapping[str, str], beside: CType | None = None) -> InputGuess:
    """An input per sample. beside: type of the output that it goes with: whole numbers are both fixed point, or neither."""
    guess = guess_input(name, ctype, macros)
    bits = FIXED.get(ctype.name, 0)
    like = beside is not None and (beside.kind, beside.bytes) == (ctype.kind, ctype.bytes)
    if like and bits and guess.text.startswith("integers") and guess.quantity in ("", "audio", "ratio"):
        guess = InputGuess(f'fixed("{name}", -1, 1 - 2**-{bits}, "full scale", fraction_bits={bits})', "audio", "full scale",
                           f"Q{bits}, as its output")
    if ctype.kind == "float" and not guess.quantity:
        low, high = RANGES["audio"]
        guess = InputGuess(f'binary32("{name}", {low}, {high}, "full scale")', "audio", "full scale", "a signal")
    return InputGuess(guess.text.replace(f'"{name}"', f'"{_free(name)}"', 1), guess.quantity, guess.unit, guess.why)


def _block(cluster: Cluster, block: Function, macros: Mapping[str, str]) -> tuple[str, list[Signal], list[Signal]] | str:
    """As _step, for a block; why it cannot be said."""
    given: list[str] = []
    inputs: list[Signal] = []
    outputs: list[Signal] = []
    made = next((t.to for _, t in cluster.parameters(block) if t.kind == "pointer" and not t.to_constant), None)
    for name, ctype in cluster.parameters(block):
        free = _free(name)
        if ctype.kind == "pointer" and ctype.to is not None and (ctype.to.kind, ctype.to.bytes) in C_NAMES:
            given.append(free)
            in_place = not ctype.to_constant and bool(IN_PLACE & set(words_of(name)))
            if ctype.to_constant or in_place:
                inputs.append(_input(name, ctype.to, macros, made))
            if not ctype.to_constant:
                outputs.append(_signal(free, ctype.to, name))
        elif is_count(name):
            given.append("n")
        elif type_number(ctype) is not None:
            given.append(_given(name, ctype) or "0")
        else:
            return f"{name} of {block.name} is a {ctype.kind} ({ctype.name})"
    return cluster.call(block, given), inputs, outputs
