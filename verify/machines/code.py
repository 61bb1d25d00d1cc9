"""A machine of the sheet as the shim generates C for it."""

from __future__ import annotations

from firmware_shim.machine_source import EventCode, MachineCode
from verify.machines.machine import Machine, c_type_of


def code_of(machine: Machine) -> MachineCode:
    """The machine as the shim generates C for it."""
    return MachineCode(
        name=machine.name,
        state=machine.state,
        init=machine.init,
        destroy=machine.destroy,
        events=tuple(EventCode(kind.name, kind.text, (*zip((g.name for g in kind.arguments), kind.types, strict=True),
                                                      *([("sample_rate_hz", "float")] if kind.takes_rate else [])))
                     for kind in machine.events),
        step=machine.step,
        block=machine.block,
        inputs=tuple((grid.name, c_type_of(grid)) for grid in machine.inputs),
        outputs=tuple((output.name, output.ctype) for output in machine.outputs),
        interleaved=tuple((name, tuple(parts)) for name, parts in machine.interleaved.items()),
        pointers=tuple((name, tuple(parts)) for name, parts in machine.pointers.items()),
        place=machine.place,
    )
