"""What one call of a function, or one sample of a machine, takes on this computer, beside a fixed loop of the engine
measured turn by turn with it.

Nanoseconds belong to this processor, compiler and C library, and say nothing exact about the board. The ratio to the loop
(a multiplication and an addition of binary32, each waiting for the one before) is what two versions of a routine, or two
days, are compared by.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from firmware_shim.crew import Crew
from verify.domain import Domain
from verify.machines.catalogue import catalogue
from verify.machines.running import Stand
from verify.machines.script import for_shim
from verify.probing import Prober
from verify.routine import Bound

ROUNDS = 41
MOST_INPUTS = 1024
# As in runtime/engine_time.c.
MOST_SCRIPTS = 8
LONGEST_SAMPLES = 4096
# Steps of the additive sequences that spread several inputs: fractional parts of square roots of primes.
SPREAD = (0.0, 0.41421356, 0.73205081, 0.23606798, 0.64575131, 0.31662479, 0.60555128, 0.12310563)
# Half of all rounds within this share of the median: a figure that can be compared.
STEADY_SHARE = 0.05
UNEXACT = ("time on this computer says nothing exact about the board, which has another processor, compiler and C library; "
           "the ratio compares versions of a routine")


@dataclass(frozen=True)
class HostCost:
    """times_ns: for each round nanoseconds of one call (of one sample, events included), and of one step of the loop.
    tried: how many inputs, or scripts. problem: why there are none."""

    times_ns: np.ndarray
    tried: int
    problem: str = ""
    per: str = "call"

    @property
    def ratios(self) -> np.ndarray:
        """One call or sample in steps of the loop, round by round."""
        return np.asarray(self.times_ns[:, 0] / self.times_ns[:, 1])

    def entry(self) -> dict[str, Any]:
        """As plain data: medians, the least, and the share of the median within which half of the rounds lie."""
        if self.problem:
            return {"problem": self.problem}
        low, middle, high = (float(value) for value in np.percentile(self.ratios, (25, 50, 75)))
        return {
            "problem": "", "rounds": len(self.times_ns),
            "inputs" if self.per == "call" else "scripts": self.tried,
            f"ns_per_{self.per}": {"median": float(np.median(self.times_ns[:, 0])),
                                   "least": float(self.times_ns[:, 0].min())},
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
    return measured(result.times, len(ordinals), result.load_problem or (result.stops[0].why if result.stops else ""), "call")


def machine_host_cost(stand: Stand, crew: Crew) -> HostCost:
    """Time the samples of a machine in a worker, over scripts spread over its catalogue."""
    every = catalogue(stand.machine)
    chosen = [every[place] for place in np.unique(np.linspace(0, len(every) - 1, MOST_SCRIPTS).astype(int))]
    scripts = tuple(for_shim(script.cut_to(min(script.samples, LONGEST_SAMPLES)), stand.machine) for script in chosen)
    result = crew.run(replace(stand.job([]), scripts=scripts, time_rounds=ROUNDS))
    stop = next((run.stop for run in result.runs if run.stop is not None), None)
    return measured(result.times, len(scripts), result.load_problem or (stop.why if stop is not None else ""), "sample")


def measured(times: bytes, tried: int, problem: str, per: str) -> HostCost:
    """What a worker gave back."""
    return HostCost(np.frombuffer(times if not problem else b"", np.float64).reshape(-1, 2), tried, problem, per)


def in_words(entry: dict[str, Any]) -> str:
    """One line on what was measured."""
    if entry["problem"]:
        return f"not timed on this computer: {entry['problem']}"
    scatter = entry["half_within_percent"]
    word = "steady" if scatter <= 100 * STEADY_SHARE else "scattered (a busy computer?): measure again before you compare"
    per = "call" if "ns_per_call" in entry else "sample"
    with_events = " (events included)" if per == "sample" else ""
    return (f"{entry[f'ns_per_{per}']['median']:.3g} ns per {per}{with_events} on this computer = "
            f"{entry['ratio']['median']:.3g} steps of the calibrated loop ({entry['loop_ns_per_step']:.3g} ns each); {word}, "
            f"half of {entry['rounds']} rounds within {scatter:.2g} %")


def lines_alone(entries: Sequence[tuple[str, dict[str, Any]]]) -> list[str]:
    """Name and figures of each routine, where there is nothing of the board to show them beside."""
    return [f"{name}: {in_words(entry)}" for name, entry in entries] + [UNEXACT]
