"""For a function that cannot be driven by itself: the call that a sheet can write instead."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from firmware_shim.debug_info import CType, Function, Member, Struct
from firmware_shim.scalar_types import element_type, scalar

ARRAY_ELEMENTS = 64
MOST_INPUTS = 8


@dataclass
class Proposal:
    """Lines of a sheet. inputs: (name, C type) of the variables; notes: what the author must settle;
    output: C type of `result`, "" where nothing tells what the function gives."""

    name: str
    call: str = ""
    local: str = ""
    inputs: list[tuple[str, str]] = field(default_factory=list)
    output: str = ""
    notes: list[str] = field(default_factory=list)

    def text(self) -> str:
        """The arguments of sheet.function(...) as one line, inputs with a range to be filled in."""
        grids = [("binary32" if ctype in ("float", "double") else "integers", name) for name, ctype in self.inputs]
        inputs = ", ".join(f'{grid}("{name}", LOW, HIGH, "")' for grid, name in grids)
        local = f', local="{self.local}"' if self.local else ""
        shown = re.sub(r"\W+", "_", self.name).strip("_")
        name = self.name if self.name.replace("::", "").isidentifier() else shown
        return (f'sheet.function("{name}", call="{self.call}"{local}, inputs=[{inputs}], output="UNIT", '
                f'output_type="{self.output or "float"}", claims=[...])')


@dataclass
class _Writer:
    """Collects the parts of a proposal."""

    function: Function
    structs: Mapping[str, Struct]
    taken: set[str] = field(default_factory=set)
    locals: list[str] = field(default_factory=list)
    before: list[str] = field(default_factory=list)
    given: list[tuple[str, str]] = field(default_factory=list)
    results: list[tuple[str, str]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def fresh(self, wanted: str) -> str:
        name, number = wanted or "value", 2
        while name in self.taken or name == "result":
            name, number = f"{wanted or 'value'}_{number}", number + 1
        self.taken.add(name)
        return name

    def input(self, wanted: str, ctype: CType) -> str:
        """An input of a scalar type; 0 once there are as many as can be driven."""
        if len(self.given) >= MOST_INPUTS:
            self.notes.append(f"{wanted} is left at 0: {MOST_INPUTS} inputs can be driven")
            return "0"
        name = self.fresh(wanted)
        self.given.append((name, _plain(ctype)))
        return name

    def argument(self, name: str, ctype: CType) -> str:
        """What stands for one parameter in the call."""
        if element_type(ctype) is not None:
            return self.input(name, ctype)
        if ctype.kind == "struct":
            return self.struct(name, ctype)
        to = ctype.to
        if ctype.kind == "pointer" and to is not None and to.kind == "struct":
            return "&" + self.struct(name, to) if "&" not in ctype.name else self.struct(name, to)
        if ctype.kind == "pointer" and to is not None and element_type(to) is not None:
            return self.memory(name, ctype, to)
        self.notes.append(f"give {name or 'the parameter'} ({ctype.name}) what it needs")
        return name or "WHAT_IT_NEEDS"

    def memory(self, name: str, ctype: CType, to: CType) -> str:
        """A pointer to numbers: an output if it may be written, else an array that is filled."""
        plain = _plain(to)
        reference = "&" in ctype.name
        if not ctype.to_constant:
            local = self.fresh(name or "out")
            self.locals.append(f"{plain} {local}")
            self.results.append((local, plain))
            return local if reference else f"&{local}"
        if reference:
            return self.input(name, to)
        local = self.fresh(name or "table")
        self.locals.append(f"{plain} {local}[{ARRAY_ELEMENTS}]")
        value = self.input(f"{local}_value", to)
        self.before.append(f"for (int i = 0; i < {ARRAY_ELEMENTS}; i++) {local}[i] = {value}")
        self.notes.append(f"{local} may need another length than {ARRAY_ELEMENTS}, and other contents")
        return local

    def struct(self, name: str, ctype: CType) -> str:
        """A local struct whose numbers are inputs."""
        layout = self.structs.get(ctype.name)
        own = re.sub(r"\W+", "_", ctype.name.rpartition("::")[2].removeprefix("struct ")).removesuffix("_t")
        own = own[:1].lower() + own[1:] if own[:1].isupper() else f"{own}_1" if own == ctype.name else own
        local = self.fresh(name if name and name != "this" else own)
        self.locals.append(f"{ctype.name} {local}")
        if layout is None:
            self.notes.append(f"the members of {ctype.name} are not known here: set those that it reads")
            return local
        self.notes.append(f"{ctype.name} holds {', '.join(_declared(m) for m in layout.members) or 'nothing'}")
        if layout.kind == "class" or layout.methods:
            self.notes.append(f"give {local} the arguments that a constructor of {ctype.name} takes")
            return local
        for member in layout.members:
            if element_type(member.type) is not None and member.name:
                self.before.append(f"{local}.{member.name} = {self.input(member.name, member.type)}")
            elif member.name:
                self.notes.append(f"set {local}.{member.name}")
        return local


def _declared(member: Member) -> str:
    """float gain, int16_t steps[12]."""
    if member.type.kind == "array" and member.type.to is not None:
        return f"{member.type.to.name} {member.name}[{member.type.count}]"
    return f"{member.type.name} {member.name}" + (f":{member.bits}" if member.bits else "")


def _plain(ctype: CType) -> str:
    """The author's word where a sheet may write it, else the plain C type of the same width."""
    return ctype.name if scalar(ctype.name) is not None else element_type(ctype) or "float"


def propose_call(function: Function, structs: Mapping[str, Struct]) -> Proposal:
    """The call that drives a function with pointers, structs or a class.

    Shape:  ``structs`` of the same debug information, by name.
    Errors: none; what cannot be known stands in ``notes``.
    """
    # Own names of inputs must not hide the function.
    writer = _Writer(function, structs, {function.name.rpartition("::")[2]})
    name = function.name.partition("(")[0]
    parameters = list(function.parameters)
    called = name
    if function.member_of and parameters and parameters[0].name == "this":
        parameters = parameters[1:]
        thing = CType(function.member_of, "struct", 0)
        called = f"{writer.struct('', thing)}.{name.rpartition('::')[2]}"
    arguments = ", ".join(writer.argument(p.name, p.ctype) for p in parameters)
    text = f"{called}({arguments})"
    proposal = Proposal(function.name, inputs=writer.given, notes=writer.notes)
    result = function.result
    if element_type(result) is not None:
        text, proposal.output = f"result = {text}", _plain(result)
    elif result.kind == "struct" and (layout := structs.get(result.name)) is not None:
        local = writer.fresh("answer")
        first = next((m for m in layout.members if element_type(m.type) is not None), None)
        writer.locals.append(f"{result.name} {local}")
        text = f"{local} = {text}; result = {local}.{first.name if first else 'MEMBER'}"
        proposal.output = _plain(first.type) if first else ""
        writer.notes.append(f"one entry for each member of {result.name} that matters: {_members(layout)}")
    elif writer.results:
        local, proposal.output = writer.results[0]
        text = f"{text}; result = {local}"
        if len(writer.results) > 1:
            writer.notes.append("one entry for each output: " + ", ".join(name for name, _ in writer.results))
    else:
        text = f"{text}; result = VARIABLE"
        writer.notes.append('VARIABLE is what the function sets; a global also needs globals=["VARIABLE"]')
    proposal.call = "; ".join([*writer.before, text])
    proposal.local = "; ".join(writer.locals)
    return proposal


def _members(layout: Struct) -> str:
    return ", ".join(_declared(member) for member in layout.members)


def advice(function: Function, structs: Mapping[str, Struct]) -> str:
    """What to do about a function that cannot be driven by itself, in one line."""
    if function.variadic:
        return f'write the call out: sheet.function("{function.name}", call="result = {function.name}(...)", ...)'
    proposal = propose_call(function, structs)
    notes = "".join(f"; {note}" for note in dict.fromkeys(proposal.notes))
    return f"write the call out in the sheet: {proposal.text()}{notes}"
