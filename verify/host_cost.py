"""What one call of a function takes on this computer, beside a fixed loop of the engine measured turn by turn with it.

Nanoseconds belong to this processor, compiler and C library, and say nothing exact about the board. The ratio to the loop
(a multiplication and an addition of binary32, each waiting for the one before) is what two versions of a routine, or two
days, are compared by.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from verify.domain import Domain
from verify.probing import Prober
from verify.routine import Bound

ROUNDS = 41
MOST_INPUTS = 1024
# Steps of the additive sequences that spread several inputs: fractional parts of square roots of primes.
SPREAD = (0.0, 0.41421356, 0.73205081, 0.23606798, 0.64575131, 0.31662479, 0.60555128, 0.12310563)
# Half of all rounds within this share of the median: a figure that can be compared.
STEADY_SHARE = 0.05
UNEXACT = ("time on this computer says nothing exact about the board, which has another processor, compiler and C library; "
           "the ratio compares versions of a routine")


@dataclass(frozen=True)
class HostCost:
    """times_ns: for each round nanoseconds of one call, and of one step of the loop. problem: why there are none."""

    times_ns: np.ndarray
    inputs: int
    problem: str = ""

    @property
    def ratios(self) -> np.ndarray:
        """One call in steps of the loop, round by round."""
        return np.asarray(self.times_ns[:, 0] / self.times_ns[:, 1])

    def entry(self) -> dict[str, Any]:
        """As plain data: medians, the least, and the share of the median within which half of the rounds lie."""
        if self.problem:
            return {"problem": self.problem}
        low, middle, high = (float(value) for value in np.percentile(self.ratios, (25, 50, 75)))
        return {
            "problem": "", "rounds": len(self.times_ns), "inputs": self.inputs,
            "ns_per_call": {"median": float(np.median(self.times_ns[:, 0])), "least": float(self.times_ns[:, 0].min())},
            "loop_ns_per_step": float(np.median(self.times_ns[:, 1])),
            "ratio": {"median": middle, "least": float(self.ratios.min())},
            "half_within_percent": 100 * (high - low) / 2 / middle,
        }


def spread_ordinals(domain: Domain) -> np.ndarray:
    """Ordinals of at most 1024 inputs, spread over the values (not the floats) of each input."""
    count = min(MOST_INPUTS, domain.count)
    k = np.arange(count)
    found = np.zeros(count, np.int64)
    for number, (grid, stride) in enumerate(zip(domain.grids, domain.strides(), strict=True)):
        share = k / max(1, count - 1) if number == 0 else k * SPREAD[number % len(SPREAD)] % 1.0
        found += grid.nearest_indices(float(grid.low) + share * float(grid.high - grid.low)) * stride
    return found


def host_cost(bound: Bound, prober: Prober) -> HostCost:
    """Time the routine's calls in a worker."""
    ordinals = spread_ordinals(bound.domain)
    job = prober.listed_job(bound, bound.domain.listed(ordinals), len(ordinals), time_rounds=ROUNDS)
    result = prober.crew.run(job)
    problem = result.load_problem or (result.stops[0].why if result.stops else "")
    times = np.frombuffer(result.times, np.float64).reshape(-1, 2) if not problem else np.zeros((0, 2))
    return HostCost(times, len(ordinals), problem)


def in_words(entry: dict[str, Any]) -> str:
    """One line on what was measured."""
    if entry["problem"]:
        return f"not timed on this computer: {entry['problem']}"
    scatter = entry["half_within_percent"]
    word = "steady" if scatter <= 100 * STEADY_SHARE else "scattered (a busy computer?): measure again before you compare"
    return (f"{entry['ns_per_call']['median']:.3g} ns per call on this computer = {entry['ratio']['median']:.3g} steps of "
            f"the calibrated loop ({entry['loop_ns_per_step']:.3g} ns each); {word}, half of {entry['rounds']} rounds within "
            f"{scatter:.2g} %")


def lines_alone(entries: Sequence[tuple[str, dict[str, Any]]]) -> list[str]:
    """Name and figures of each routine, where there is nothing of the board to show them beside."""
    return [f"{name}: {in_words(entry)}" for name, entry in entries] + [UNEXACT]
