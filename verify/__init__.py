"""The words of a sheet. Everything else is reached through the command preflash.

Each word is loaded when it is first used: the pytest plugin lives in this package and must cost nothing
where no sheet is collected.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from verify.claims.accurate import accurate
    from verify.claims.bounds import in_bounds
    from verify.claims.calibrates import calibrates
    from verify.claims.categories import finite, no_subnormals, stays_within
    from verify.claims.cost_within import cost_within
    from verify.claims.flushed import same_when_flushed
    from verify.claims.flutter import no_flutter
    from verify.claims.frequency import keeps_frequency
    from verify.claims.gain import gain_at
    from verify.claims.interrupted import safe_when_interrupted_by
    from verify.claims.levels_in_time import ends_at_zero, falling_in, no_jump, no_overshoot, rising_in, settles
    from verify.claims.long_run import keeps_going
    from verify.claims.memory_of_machines import (
        fresh_after_init,
        instances_independent,
        recovers_from_nan,
        same_for_any_block_size,
    )
    from verify.claims.on_board import same_on_board
    from verify.claims.optimisation import same_at_any_optimisation
    from verify.claims.order import falling, rising
    from verify.claims.outside import clamps
    from verify.claims.partners import periodic, reaches_both_ends, symmetric
    from verify.claims.protective import deterministic, no_hidden_events, no_undefined_behaviour, returns
    from verify.claims.randomness import mean_within, never_locks
    from verify.claims.relations import inverse_of, octave_doubles
    from verify.claims.stability import decays_to_zero, stays_stable
    from verify.claims.timing import minimum_pulse, one_event_per_edge, period_within, time_to
    from verify.converters import converter
    from verify.grids import binary32, codes, fixed, integers, values
    from verify.machines.machine import event, signal
    from verify.paths.outside import beyond_firmware
    from verify.sheet import Sheet, fixed_output

_HOME = {
    "Sheet": "sheet",
    "accurate": "claims.accurate",
    "beyond_firmware": "paths.outside",
    "binary32": "grids",
    "calibrates": "claims.calibrates",
    "clamps": "claims.outside",
    "codes": "grids",
    "converter": "converters",
    "cost_within": "claims.cost_within",
    "decays_to_zero": "claims.stability",
    "deterministic": "claims.protective",
    "ends_at_zero": "claims.levels_in_time",
    "event": "machines.machine",
    "falling": "claims.order",
    "falling_in": "claims.levels_in_time",
    "finite": "claims.categories",
    "fixed": "grids",
    "fixed_output": "sheet",
    "fresh_after_init": "claims.memory_of_machines",
    "gain_at": "claims.gain",
    "in_bounds": "claims.bounds",
    "instances_independent": "claims.memory_of_machines",
    "integers": "grids",
    "inverse_of": "claims.relations",
    "keeps_frequency": "claims.frequency",
    "keeps_going": "claims.long_run",
    "mean_within": "claims.randomness",
    "minimum_pulse": "claims.timing",
    "never_locks": "claims.randomness",
    "no_flutter": "claims.flutter",
    "no_hidden_events": "claims.protective",
    "no_jump": "claims.levels_in_time",
    "no_overshoot": "claims.levels_in_time",
    "no_subnormals": "claims.categories",
    "no_undefined_behaviour": "claims.protective",
    "octave_doubles": "claims.relations",
    "one_event_per_edge": "claims.timing",
    "period_within": "claims.timing",
    "periodic": "claims.partners",
    "reaches_both_ends": "claims.partners",
    "recovers_from_nan": "claims.memory_of_machines",
    "returns": "claims.protective",
    "rising": "claims.order",
    "rising_in": "claims.levels_in_time",
    "safe_when_interrupted_by": "claims.interrupted",
    "same_at_any_optimisation": "claims.optimisation",
    "same_for_any_block_size": "claims.memory_of_machines",
    "same_on_board": "claims.on_board",
    "same_when_flushed": "claims.flushed",
    "settles": "claims.levels_in_time",
    "signal": "machines.machine",
    "stays_stable": "claims.stability",
    "stays_within": "claims.categories",
    "symmetric": "claims.partners",
    "time_to": "claims.timing",
    "values": "grids",
}

__all__ = [
    "Sheet",
    "accurate",
    "beyond_firmware",
    "binary32",
    "calibrates",
    "clamps",
    "codes",
    "converter",
    "cost_within",
    "decays_to_zero",
    "deterministic",
    "ends_at_zero",
    "event",
    "falling",
    "falling_in",
    "finite",
    "fixed",
    "fixed_output",
    "fresh_after_init",
    "gain_at",
    "in_bounds",
    "instances_independent",
    "integers",
    "inverse_of",
    "keeps_frequency",
    "keeps_going",
    "mean_within",
    "minimum_pulse",
    "never_locks",
    "no_flutter",
    "no_hidden_events",
    "no_jump",
    "no_overshoot",
    "no_subnormals",
    "no_undefined_behaviour",
    "octave_doubles",
    "one_event_per_edge",
    "period_within",
    "periodic",
    "reaches_both_ends",
    "recovers_from_nan",
    "returns",
    "rising",
    "rising_in",
    "safe_when_interrupted_by",
    "same_at_any_optimisation",
    "same_for_any_block_size",
    "same_on_board",
    "same_when_flushed",
    "settles",
    "signal",
    "stays_stable",
    "stays_within",
    "symmetric",
    "time_to",
    "values",
]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    found = getattr(importlib.import_module(f"{__name__}.{_HOME[name]}"), name)
    globals()[name] = found
    return found
