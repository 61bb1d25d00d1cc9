"""The cores that the board build knows: one row each, with compiler options, arithmetic unit and rules.

Source: Arm Architecture Reference Manuals DDI 0419 (Armv6-M), DDI 0403 (Armv7-M), DDI 0553 (Armv8-M):
which instructions exist, and which accesses must be aligned.
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass

from firmware_shim.errors import ShimError


@dataclass(frozen=True)
class Core:
    """One core.

    Shape: ``options`` select it where the author's flags name no target; ``cpus`` what -mcpu may say;
           ``fpu`` "none", "single" or "double"; ``fpu_level`` 4 or 5 (FPv4 has no rounding or selecting
           instructions), 0 for none; ``architecture`` "v6-M", "v7-M", "v7E-M" or "v8-M"; ``model`` the
           emulator's name of it; ``model_note`` where that model has more than the core; ``unaligned``
           whether single words and halfwords may be unaligned; ``timing`` key of the cycle table.
    """

    name: str
    options: tuple[str, ...]
    cpus: tuple[str, ...]
    architecture: str
    fpu: str
    fpu_level: int
    model: str
    unaligned: bool
    timing: str
    model_note: str = ""

    @property
    def dsp(self) -> bool:
        """Whether it has the parallel and saturating arithmetic of the DSP extension."""
        return self.architecture in ("v7E-M", "v8-M")


def _row(name: str, cpu: str, architecture: str, fpu: str, model: str, timing: str, unit: str = "",
         more: tuple[str, ...] = (), note: str = "") -> Core:
    options = [f"-mcpu={cpu}", "-mthumb"]
    options += ["-mfloat-abi=hard", f"-mfpu={unit}"] if unit else ["-mfloat-abi=soft"]
    level = int(unit[3]) if unit else 0
    return Core(name, tuple(options), (cpu, *more), architecture, fpu, level, f"UC_CPU_ARM_CORTEX_{model}",
                architecture != "v6-M", timing, note)


_M0 = "the emulator's model is the Cortex-M0, which has the same instructions"
_WIDER = "the emulator's model has more arithmetic than the core; what the core lacks is watched instruction by instruction"

CORES: dict[str, Core] = {
    core.name: core
    for core in (
        _row("cortex-m0plus", "cortex-m0plus", "v6-M", "none", "M0", "m0plus",
             more=("cortex-m0", "cortex-m0plus.small-multiply", "cortex-m1"), note=_M0),
        _row("cortex-m3", "cortex-m3", "v7-M", "none", "M3", "m3"),
        _row("cortex-m4", "cortex-m4", "v7E-M", "none", "M4", "m4", more=("cortex-m3", "cortex-m4+nofp"), note=_WIDER),
        _row("cortex-m4f", "cortex-m4", "v7E-M", "single", "M4", "m4", "fpv4-sp-d16", more=("cortex-m3", "cortex-m4+nofp")),
        _row("cortex-m7f", "cortex-m7", "v7E-M", "single", "M7", "m7", "fpv5-sp-d16",
             more=("cortex-m4", "cortex-m7+nofp", "cortex-m7+nofp.dp"), note=_WIDER),
        _row("cortex-m7d", "cortex-m7", "v7E-M", "double", "M7", "m7", "fpv5-d16",
             more=("cortex-m4", "cortex-m7+nofp", "cortex-m7+nofp.dp")),
        _row("cortex-m33", "cortex-m33", "v8-M", "none", "M33", "m33", more=("cortex-m33+nofp", "cortex-m3"), note=_WIDER),
        _row("cortex-m33f", "cortex-m33", "v8-M", "single", "M33", "m33", "fpv5-sp-d16",
             more=("cortex-m33+nofp", "cortex-m4", "cortex-m3")),
    )
}


class UnknownCore(ShimError):
    """The core asked for is not in the table."""

    code = "S120"


class CoreConflict(ShimError):
    """The author's flags, an object or a finished image do not fit the core, or cannot be run on it as they are."""

    code = "S122"


def core_named(name: str) -> Core:
    """The row of a core. Errors: UnknownCore with the nearest names."""
    if name in CORES:
        return CORES[name]
    near = difflib.get_close_matches(name, CORES, 3, 0.4) or list(CORES)
    raise UnknownCore(f"no core is called '{name}'", "the core asked for", f"known: {', '.join(CORES)}",
                      f"write one of: {', '.join(near)}")
