"""The same instructions on an emulated core: our C against hardware's own encodings, with Q and GE.

Encodings: Armv7-M Architecture Reference Manual (DDI 0403), A5.3.12 to A5.3.17 and A7.7, written out here bit by bit, so
that no assembler is needed.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from typing import Any

import pytest

# The library fixture builds every intrinsic in both spellings, in C and in C++.
from tests.external.test_core_intrinsics import EDGES, call, library

unicorn = pytest.importorskip("unicorn", reason="needs the emulator: pip install 'preflash[board]'")

__all__ = ["library"]
pytestmark = [pytest.mark.usefixtures("gcc"), pytest.mark.cortex_m]
CODE, Q_BIT, GE_SHIFT = 0x10000, 27, 16
# Operands in r0, r1, r2 (r2 and r3 for the long sums), result in r4 (r2 and r3).
PARALLEL = {"add8": 0, "add16": 1, "asx": 2, "sub8": 4, "sub16": 5, "sax": 6}
PREFIX = {"s": 0x00, "q": 0x10, "sh": 0x20, "u": 0x40, "uq": 0x50, "uh": 0x60}


def encodings() -> dict[str, tuple[int, int, int]]:
    """Name -> (operands, first halfword, second halfword)."""
    out = {p + w: (2, 0xFA80 | op << 4, 0xF400 | bits | 1) for p, bits in PREFIX.items() for w, op in PARALLEL.items()}
    # QADD and QSUB take their second operand from the first field.
    out |= {"qadd": (2, 0xFA81, 0xF480), "qsub": (2, 0xFA81, 0xF4A0), "sel": (2, 0xFAA0, 0xF481)}
    out |= {"rev": (1, 0xFA90, 0xF480), "rev16": (1, 0xFA90, 0xF490), "rbit": (1, 0xFA90, 0xF4A0), "clz": (1, 0xFAB0, 0xF480)}
    out |= {f"smul{m}{n}": (2, 0xFB10, 0xF401 | (m == "t") << 5 | (n == "t") << 4) for m in "bt" for n in "bt"}
    out |= {f"smla{m}{n}": (3, 0xFB10, 0x2401 | (m == "t") << 5 | (n == "t") << 4) for m in "bt" for n in "bt"}
    for x, bit in (("", 0), ("x", 0x10)):
        out |= {f"smuad{x}": (2, 0xFB20, 0xF401 | bit), f"smlad{x}": (3, 0xFB20, 0x2401 | bit),
                f"smusd{x}": (2, 0xFB40, 0xF401 | bit), f"smlsd{x}": (3, 0xFB40, 0x2401 | bit),
                f"smlald{x}": (4, 0xFBC0, 0x23C1 | bit), f"smlsld{x}": (4, 0xFBD0, 0x23C1 | bit)}
    for n, bit in (("b", 0), ("t", 0x10)):
        out |= {f"smulw{n}": (2, 0xFB30, 0xF401 | bit), f"smlaw{n}": (3, 0xFB30, 0x2401 | bit)}
    out |= {"usad8": (2, 0xFB70, 0xF401), "usada8": (3, 0xFB70, 0x2401), "SMMLA": (3, 0xFB50, 0x2401)}
    out |= {"sxtb16": (1, 0xFA2F, 0xF480), "uxtb16": (1, 0xFA3F, 0xF480), "sxtab16": (2, 0xFA20, 0xF481),
            "uxtab16": (2, 0xFA30, 0xF481)}
    return out


class Core:
    """One instruction at a time on the emulator."""

    def __init__(self) -> None:
        from unicorn import arm_const

        self.names = arm_const
        self.machine = unicorn.Uc(unicorn.UC_ARCH_ARM, unicorn.UC_MODE_THUMB)
        self.machine.ctl_set_cpu_model(arm_const.UC_CPU_ARM_MAX)
        self.machine.mem_map(CODE, 0x10000)
        self.registers = [arm_const.UC_ARM_REG_R0, arm_const.UC_ARM_REG_R1, arm_const.UC_ARM_REG_R2,
                          arm_const.UC_ARM_REG_R3, arm_const.UC_ARM_REG_R4]
        self.places: dict[tuple[int, int], int] = {}

    def run(self, first: int, second: int, values: tuple[int, ...], ge: int) -> tuple[list[int], int, int]:
        """(registers r0 to r4, Q, GE) after one instruction."""
        at = self.places.setdefault((first, second), CODE + 8 * len(self.places))
        self.machine.mem_write(at, first.to_bytes(2, "little") + second.to_bytes(2, "little"))
        flags = self.machine.reg_read(self.names.UC_ARM_REG_CPSR) & ~(1 << Q_BIT | 15 << GE_SHIFT)
        self.machine.reg_write(self.names.UC_ARM_REG_CPSR, flags | ge << GE_SHIFT)
        for register, value in zip(self.registers, values, strict=False):
            self.machine.reg_write(register, value)
        self.machine.emu_start(at | 1, at + 4)
        flags = self.machine.reg_read(self.names.UC_ARM_REG_CPSR)
        return ([self.machine.reg_read(r) for r in self.registers], flags >> Q_BIT & 1, flags >> GE_SHIFT & 15)


@pytest.fixture(scope="module")
def core() -> Core:
    return Core()


def operands(count: int) -> Iterator[tuple[int, ...]]:
    draw = random.Random(count)
    for at in range(160):
        yield tuple(draw.choice(EDGES) if at < 100 else draw.getrandbits(32) for _ in range(count))


@pytest.mark.parametrize("name", sorted(encodings()))
def test_our_c_does_what_the_core_does(library: Any, core: Core, name: str) -> None:
    count, first, second = encodings()[name]
    for at, values in enumerate(operands(count)):
        ge = at % 16
        registers, q, flags = core.run(first, second, values, ge)
        library.take_q()
        library.set_ge(ge)
        if count == 4:
            wanted = registers[3] << 32 | registers[2]
            got = call(library, "w" + name, (*values[:2], values[3] << 32 | values[2]), True)
        else:
            wanted, got = registers[4], call(library, "w" + name, values)

        assert hex(wanted) == hex(got), f"{name}{tuple(map(hex, values))}"
        assert (q, flags) == (library.take_q(), library.take_ge()), f"{name}{tuple(map(hex, values))}: Q, GE"


@pytest.mark.parametrize("bits", range(1, 33))
def test_saturation_does_what_the_core_does(library: Any, core: Core, bits: int) -> None:
    forms = [("ssat", 0xF300, bits - 1), ("usat", 0xF380, bits - 1)]
    forms += [("ssat16", 0xF320, bits - 1), ("usat16", 0xF3A0, bits - 1)] if bits <= 16 else []
    for name, first, field in forms:
        for (value,) in operands(1):
            registers, q, _ = core.run(first, 0x0400 | field, (value,), 0)
            library.take_q()

            wanted = bits if name.startswith("s") else bits - 1
            assert hex(registers[4]) == hex(call(library, "w" + name, (value, wanted))), f"{name} {bits} {value:#x}"
            assert q == library.take_q(), f"{name} {bits} {value:#x}: Q"


@pytest.mark.parametrize("by", range(32))
def test_packing_does_what_the_core_does(library: Any, core: Core, by: int) -> None:
    shift = by >> 2 << 12 | (by & 3) << 6
    for a, b in operands(2):
        registers, _, _ = core.run(0xEAC0, 0x0401 | shift, (a, b), 0)
        assert hex(registers[4]) == hex(call(library, "wPKHBT", (a, b, by)))
        registers, _, _ = core.run(0xEAC0, 0x0421 | shift, (a, b), 0)
        # The encoding of 0 means 32.
        assert hex(registers[4]) == hex(call(library, "wPKHTB", (a, b, by or 32)))
