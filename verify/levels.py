"""The author's C once more at other levels of optimisation, for the claims that ask for it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from firmware_shim.build import Built, build
from firmware_shim.errors import ShimError
from verify.binding import Bench, bind, request_for
from verify.claims.optimisation import SameAtLevel
from verify.routine import Bound
from verify.sheet import Sheet


def with_levels(sheet: Sheet, benches: list[Bench], cache: Path) -> list[Bench]:
    """Routines and machines of the host learn of their twins at other levels. One that cannot be built stays away."""
    stated = [part.claims for part in sheet.routines] + [machine.claims for machine in sheet.machines]
    asked = {claim.level for claims in stated for claim in claims if isinstance(claim, SameAtLevel)}
    host = next((bench for bench in benches if bench.build == "host" and bench.built is not None), None)
    if not asked or host is None:
        return benches
    request = request_for(sheet, "host")

    def attempt(level: str) -> Built | None:
        try:
            return build(replace(request, flags=f"{request.flags} {level}"), cache)
        except ShimError:
            return None

    from concurrent.futures import ThreadPoolExecutor  # wanted with such a claim only

    with ThreadPoolExecutor(len(asked)) as pool:
        builts = {level: built for level, built in zip(sorted(asked), pool.map(attempt, sorted(asked)), strict=True) if built}

    def joined(bound: Bound) -> Bound:
        # Of another name, so that what a probe remembers of one library is never taken for the other's.
        twins = {level: replace(bind(bound.routine, built, built.info, bound.peripherals), build=f"host {level}")
                 for level, built in builts.items()}
        return replace(bound, levels=twins)

    bounds = {name: joined(bound) for name, bound in host.bounds.items()}
    return [replace(bench, bounds=bounds, levels=builts) if bench is host else bench for bench in benches]
