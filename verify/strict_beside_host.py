"""Whether the strict build and the host build must give the same bits, and what it means where they do not."""

from __future__ import annotations

import platform
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from firmware_shim.build import Built
from firmware_shim.engine import NUMPY_TYPES

if TYPE_CHECKING:
    from verify.binding import Bench
    from verify.routine import Bound

# With these the compiler may compute floats in another order each time it compiles.
LOOSE = ("-ffast-math", "-Ofast", "-funsafe-math-optimizations", "-fassociative-math", "-freciprocal-math")
BROKEN = ("a rule of C is broken that no check names: perhaps a local that nothing has set (with checks on they hold a "
          "pattern), or memory read as another type")


def exact_arithmetic(built: Built) -> bool:
    """Whether equal bits can be asked of two compilations of one source: no loose arithmetic, no fused operations here."""
    return platform.machine() == "x86_64" and not any(word in LOOSE for word in built.kept_flags)


def same_result(one: bytes, other: bytes, type_number: int) -> bool:
    """Whether two raw results are the same; any two NaNs are."""
    if one == other:
        return True
    kind = NUMPY_TYPES[type_number]
    return kind.kind == "f" and all(bool(np.isnan(np.frombuffer(raw, kind)[0])) for raw in (one, other))


def beside_host(benches: list[Bench]) -> list[Bench]:
    """The strict build's routines learn of the host's, where equal bits can be asked of both."""
    host = next((bench for bench in benches if bench.build == "host"), None)
    if host is None or host.built is None or not exact_arithmetic(host.built):
        return benches

    def joined(bound: Bound) -> Bound:
        asked = any(claim.name == "deterministic" for claim in bound.routine.claims)
        return replace(bound, host=host.bounds.get(bound.routine.name) if asked and bound.routine.stages is None else None)

    return [replace(bench, bounds={name: joined(bound) for name, bound in bench.bounds.items()})
            if bench.build == "strict" else bench for bench in benches]
