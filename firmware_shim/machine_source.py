"""The generated C of a machine: size, init, events, destroy, and a loop over samples, from the sheet's C texts.

Like the loops of functions it stands in the unit of the author's source and looks at no value. In the texts
`state` is a pointer to the state object, and arguments, inputs and outputs are variables.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace

from firmware_shim.errors import CompileFailed

PREFIX = "pf_machine_"
MOST_ARGUMENTS = 4
_QUIET = '__attribute__((visibility("default"), noinline, no_sanitize("undefined")))\n'


@dataclass(frozen=True)
class EventCode:
    """One event: its C text and arguments (name, C type)."""

    name: str
    text: str
    arguments: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class MachineCode:
    """What to generate. state: C type or class, None when the state lives in globals; exactly one of step and
    block; inputs, outputs: (name, C type), one that stands in both is changed in place; interleaved and
    pointers: (array, its channels) for blocks; place: where the sheet describes it."""

    name: str
    state: str | None
    init: str
    destroy: str = ""
    events: tuple[EventCode, ...] = ()
    step: str = ""
    block: str = ""
    inputs: tuple[tuple[str, str], ...] = ()
    outputs: tuple[tuple[str, str], ...] = ()
    interleaved: tuple[tuple[str, tuple[str, ...]], ...] = ()
    pointers: tuple[tuple[str, tuple[str, ...]], ...] = ()
    place: str = ""

    def texts(self) -> list[str]:
        """All C texts."""
        return [self.init, self.destroy, self.step, self.block, *(event.text for event in self.events)]

    def words(self) -> set[str]:
        """Every word of the C texts and the state's type."""
        return set(re.findall(r"[A-Za-z_]\w*", " ".join([*self.texts(), self.state or ""])))

    def of_class(self) -> bool:
        """Whether its texts are C++: a name in a namespace, a member called, an object made in place or destroyed."""
        texts = [*self.texts(), self.state or ""]
        return any(re.search(r"::|\bnew\s*\(|->~|\bstate\s*->\s*\w+\s*\(", text) for text in texts)


def prefix(name: str) -> str:
    """Beginning of the symbols of one machine."""
    return f"{PREFIX}{name}_"


def symbols(name: str) -> tuple[str, ...]:
    """All functions that are generated for one machine."""
    return tuple(prefix(name) + part for part in ("size", "align", "init", "destroy", "event", "run", "bare", "bare_event"))


def failed_machine(failure: CompileFailed, machines: Iterable[MachineCode]) -> CompileFailed:
    """A failed compile or link, told in the sheet's words when the text at fault is one of a machine's."""
    spot = re.fullmatch(r"(?:.*/)?(\w+)\.(state|init|destroy|step|block|event \w+) in the sheet", failure.file)
    machine = next((m for m in machines if spot is not None and m.name == spot[1]), None)
    if spot is None or machine is None:
        return failure
    part = spot[2]
    texts = {f"event {event.name}": event.text for event in machine.events}
    texts |= {"state": machine.state or "", "init": machine.init, "destroy": machine.destroy, "step": machine.step,
              "block": machine.block}
    place = machine.place or f"machine {machine.name}"
    todo = f"correct the text of {part} in the sheet"
    if failure.symbol:
        what = f"'{failure.symbol}' is used in the sheet, but none of the sources defines it"
        todo = f"correct the name in the text of {part}, or add the source that defines it"
    elif part == "state":
        what = f"{machine.name}: the state's type {machine.state} does not compile"
        todo = "write the type that the header declares for the state, for example state=\"envelope_t\""
        if machine.of_class():
            todo += "; a class needs a C++ source (.cpp) that includes its header in sources=[...]"
    else:
        what = f"{machine.name}: the C text of {part} does not compile"
        if "sample_rate_hz" in failure.text:
            todo = "sample_rate_hz is there in the texts of init and events only: keep it in the state"
    return CompileFailed(what, f"{place}, {part}: {texts[part]}", failure.text, todo, file=failure.file,
                         line=failure.line, column=failure.column, text=failure.text, symbol=failure.symbol,
                         log=failure.log)


def _line(machine: MachineCode, part: str) -> str:
    return f'\n#line 1 "{machine.name}.{part} in the sheet"\n'


def _statement(text: str) -> str:
    stripped = text.strip()
    return stripped if stripped.endswith((";", "}")) else stripped + ";"


def _head(machine: MachineCode) -> str:
    if machine.state is None:
        return "    (void)pf_memory;\n"
    return f"    {prefix(machine.name)}t *state = ({prefix(machine.name)}t *)pf_memory;\n    (void)state;\n"


def generate(machine: MachineCode, *, cpp: bool) -> str:
    """C (or C++) text of one machine."""
    start = prefix(machine.name)
    parts = ["#include <stdint.h>\n"]  # variables of the sheet have types of fixed width
    if machine.state is not None:
        parts.append(_line(machine, "state") + f"typedef {machine.state} {start}t;\n")
    body = "".join([
        _size(machine, start, cpp),
        _init(machine, start),
        _destroy(machine, start),
        _events(machine, start),
        _run(machine, start) if machine.step else _block(machine, start),
        _bare(machine, start),
    ])
    return "".join(parts) + (f'extern "C" {{\n{body}}}\n' if cpp else body)


def _size(machine: MachineCode, start: str, cpp: bool) -> str:
    size = f"sizeof({start}t)" if machine.state is not None else "0"
    align = f"{'alignof' if cpp else '_Alignof'}({start}t)" if machine.state is not None else "1"
    return (f"{_QUIET}long {start}size(void) {{ return (long){size}; }}\n"
            f"{_QUIET}long {start}align(void) {{ return (long){align}; }}\n")


def _init(machine: MachineCode, start: str) -> str:
    return (f"{_QUIET}void {start}init(void *pf_memory, double pf_rate)\n{{\n{_head(machine)}"
            "    const float sample_rate_hz = (float)pf_rate;\n    (void)sample_rate_hz;\n"
            f"    {{{_line(machine, 'init')}{_statement(machine.init) if machine.init else ';'}\n    }}\n}}\n")


def _destroy(machine: MachineCode, start: str) -> str:
    text = f"{{{_line(machine, 'destroy')}{_statement(machine.destroy)}\n    }}" if machine.destroy else ""
    return f"{_QUIET}void {start}destroy(void *pf_memory)\n{{\n{_head(machine)}    {text}\n}}\n"


def _events(machine: MachineCode, start: str) -> str:
    cases = []
    for number, event in enumerate(machine.events):
        arguments = "".join(
            f"        {ctype} {name} = *(const {ctype} *)pf_arguments[{at}];\n        (void){name};\n"
            for at, (name, ctype) in enumerate(event.arguments))
        cases.append(f"    case {number}: {{\n{arguments}{_line(machine, f'event {event.name}')}"
                     f"{_statement(event.text)}\n    }} break;\n")
    return (f"{_QUIET}void {start}event(void *pf_memory, long pf_which, const void *const *pf_arguments)\n{{\n"
            f"{_head(machine)}    (void)pf_arguments;\n    switch (pf_which) {{\n{''.join(cases)}    default: break;\n"
            "    }\n}\n")


_RUN = ("void {start}run(void *pf_memory, const void *const *pf_inputs, void *const *pf_outputs, long pf_n,\n"
        "    volatile long *pf_progress)\n{{\n{head}    (void)pf_inputs;\n    (void)pf_outputs;\n")


def _run(machine: MachineCode, start: str) -> str:
    """One call per sample; the variables of outputs hold all ones (NaN, -1) until the text sets them."""
    given, unset, shared = [], [], {name for name, _ in machine.inputs} & {name for name, _ in machine.outputs}
    for at, (name, ctype) in enumerate(machine.inputs):
        given.append(f"        {ctype} {name} = ((const {ctype} *)pf_inputs[{at}])[pf_i];\n        (void){name};\n")
    for name, ctype in machine.outputs:
        if name not in shared:
            # Made once: in the strict build each call of memset is looked at.
            mine = f"pf_unset_{name}"
            unset.append(f"    {ctype} {mine};\n    __builtin_memset(&{mine}, 0xff, sizeof {mine});\n")
            given.append(f"        {ctype} {name} = {mine};\n")
    stored = "".join(f"        (({ctype} *)pf_outputs[{at}])[pf_i] = {name};\n"
                     for at, (name, ctype) in enumerate(machine.outputs))
    return (_QUIET + _RUN.format(start=start, head=_head(machine)) + f"    long pf_i;\n{''.join(unset)}"
            "    for (pf_i = 0; pf_i < pf_n; pf_i++) {\n        *pf_progress = pf_i;\n"
            f"{''.join(given)}        {{{_line(machine, 'step')}{_statement(machine.step)}\n        }}\n{stored}"
            "    }\n    *pf_progress = pf_n;\n}\n")


def _block(machine: MachineCode, start: str) -> str:
    """One call per block: the texts see arrays and their length n."""
    inputs, outputs = dict(machine.inputs), dict(machine.outputs)
    lines, after = [], []
    for at, (name, ctype) in enumerate(machine.inputs):
        if name in outputs:
            place = list(outputs).index(name)
            lines.append(f"    {ctype} *{name} = ({ctype} *)pf_outputs[{place}];\n"
                         f"    __builtin_memcpy({name}, pf_inputs[{at}], (unsigned long)pf_n * sizeof *{name});\n")
        else:
            lines.append(f"    const {ctype} *{name} = (const {ctype} *)pf_inputs[{at}];\n    (void){name};\n")
    for at, (name, ctype) in enumerate(machine.outputs):
        if name not in inputs:
            lines.append(f"    {ctype} *{name} = ({ctype} *)pf_outputs[{at}];\n    (void){name};\n")
    for name, channels in machine.pointers:
        ctype = outputs.get(channels[0]) or inputs[channels[0]]
        const = "" if channels[0] in outputs else "const "
        lines.append(f"    {const}{ctype} *{name}[{len(channels)}] = {{{', '.join(channels)}}};\n")
    for name, channels in machine.interleaved:
        ctype = outputs.get(channels[0]) or inputs[channels[0]]
        count = len(channels)
        lines.append(f"    {ctype} {name}[pf_n * {count}];\n    long pf_{name};\n"
                     f"    for (pf_{name} = 0; pf_{name} < pf_n; pf_{name}++) {{\n"
                     + "".join(f"        {name}[pf_{name} * {count} + {k}] = {c}[pf_{name}];\n"
                               for k, c in enumerate(channels))
                     + "    }\n")
        if all(channel in outputs for channel in channels):
            after.append(f"    for (pf_{name} = 0; pf_{name} < pf_n; pf_{name}++) {{\n"
                         + "".join(f"        {c}[pf_{name}] = {name}[pf_{name} * {count} + {k}];\n"
                                   for k, c in enumerate(channels)) + "    }\n")
    return (_QUIET + _RUN.format(start=start, head=_head(machine)) + "    const long n = pf_n;\n    (void)n;\n"
            + "".join(lines) + f"    *pf_progress = 0;\n    {{{_line(machine, 'block')}{_statement(machine.block)}\n    }}\n"
            + "".join(after) + "    *pf_progress = pf_n;\n}\n")


def _bare(machine: MachineCode, start: str) -> str:
    """The same loop and the same events without the texts: what handing samples and values over costs by itself."""
    events = tuple(replace(event, text="(void)0") for event in machine.events)
    empty = replace(machine, events=events, step="(void)0" if machine.step else "", block="(void)0" if machine.block else "")
    text = _run(empty, start) if machine.step else _block(empty, start)
    events_text = _events(empty, start).replace(f"void {start}event(", f"void {start}bare_event(", 1)
    return text.replace(f"void {start}run(", f"void {start}bare(", 1) + events_text


def generate_all(machines: Iterable[MachineCode], *, cpp: bool) -> str:
    """Text of several machines."""
    text = "".join(generate(machine, cpp=cpp) for machine in machines)
    return ("#include <new>\n" if cpp and text else "") + text
