"""How much a hunt may try. Budgets are counted in cases, so that a seed repeats on any machine."""

from __future__ import annotations

from dataclasses import dataclass, replace

DEFAULT_CASES = 2**28
THOROUGH_CASES = 2**32
SAMPLED_CASES = 2**25
DEFAULT_SCRIPTS = 2000
THOROUGH_SCRIPTS = 40_000
# Each hang costs its whole time limit: after so many, or so many stops of any kind, the rest of a routine is not tried.
MOST_HANGS, MOST_STOPS = 3, 24
# Of the instrument's time, in a long run: some seconds for a cheap step at 96 kHz.
LONG_SECONDS = 7200.0
LONG_WALL_SECONDS = 10.0
# The emulated board runs at a hundredth of this computer's speed; the 32-bit process waits between blocks.
BOARD_CASES = 2**20
BOARD_SAMPLED_CASES = 2**19


@dataclass(frozen=True)
class Plan:
    """Frozen before the first case and stored in the record.

    every_value_up_to: domains up to this size are swept whole; sampled_cases: size of the even cover of
    larger ones; scripts: how many a machine is driven by (a quarter of it in the strict build); seed: for random
    samples; long_seconds: how much of a long run's hours; wall_seconds: a stop by the clock, recorded as the reason.
    """

    every_value_up_to: int = DEFAULT_CASES
    sampled_cases: int = SAMPLED_CASES
    scripts: int = DEFAULT_SCRIPTS
    seed: int = 7
    long_seconds: float = LONG_SECONDS
    wall_seconds: float = 20.0
    climbing_rounds: int = 6
    fresh: bool = False

    def scripts_of(self, own: int | None) -> int:
        """Scripts for a machine: the sheet's own number stands for the default budget only."""
        return (own if self.scripts == DEFAULT_SCRIPTS else None) or self.scripts

    @property
    def long_wall_seconds(self) -> float:
        """A stop by the clock for a long run, whatever a sample costs."""
        return float("inf") if self.wall_seconds == float("inf") else LONG_WALL_SECONDS

    def for_build(self, build: str) -> Plan:
        """The same plan with the smaller budget of slow builds; a thorough one keeps its own."""
        if build not in ("board", "board strict", "narrow") or self.every_value_up_to >= THOROUGH_CASES:
            return self
        return replace(self, every_value_up_to=min(self.every_value_up_to, BOARD_CASES),
                       sampled_cases=min(self.sampled_cases, BOARD_SAMPLED_CASES))


def thorough() -> Plan:
    """Every value up to 2^32 points, whatever it takes."""
    return Plan(every_value_up_to=THOROUGH_CASES, scripts=THOROUGH_SCRIPTS, long_seconds=float("inf"),
                wall_seconds=float("inf"))
