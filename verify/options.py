"""Options of a hunt that every way of running a sheet shares: one table, loaded at no cost."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from verify.errors import UsageError

if TYPE_CHECKING:
    from verify.hunting.plan import Plan

SEED = 7
OPTIONS: tuple[tuple[str, dict[str, Any]], ...] = (
    ("thorough", {"action": "store_true", "help": "every value up to 2^32 points, however long it takes"}),
    ("fresh", {"action": "store_true", "help": "ignore evidence stored by earlier runs"}),
    ("cases", {"type": int, "metavar": "N", "help": "size of the even cover of large domains (default 33 554 432)"}),
    ("seed", {"type": int, "default": SEED, "help": f"seed of random samples (default {SEED})"}),
    ("workers", {"type": int, "metavar": "N", "help": "worker processes (default: one per processor)"}),
)


def add_options(add: Callable[..., Any], prefix: str = "") -> None:
    """Declare every option with an argparse-like function. prefix: put before each name."""
    for name, more in OPTIONS:
        flag = f"--{prefix}{name}"
        add(flag, **more, **({"dest": flag[2:].replace("-", "_")} if prefix else {}))


def plan_of(value: Callable[[str], Any], prefix: str = "") -> Plan:
    """The plan that the options ask for. value: gives an option by its name.

    Errors: UsageError for a number that makes no sense.
    """
    from verify.hunting.plan import Plan, thorough

    cases, workers = value("cases"), value("workers")
    if cases is not None and cases < 1:
        raise UsageError(f"--{prefix}cases must be at least 1", where=f"--{prefix}cases {cases}", why="nothing would run",
                         todo=f"give a number of inputs, for example --{prefix}cases 1000000")
    if workers is not None and workers < 1:
        raise UsageError(f"--{prefix}workers must be at least 1", where=f"--{prefix}workers {workers}",
                         why="nobody would run the firmware", todo="leave it out")
    plan = thorough() if value("thorough") else Plan()
    changes = {"fresh": bool(value("fresh")), "seed": SEED if value("seed") is None else value("seed")}
    if cases is not None:
        changes["sampled_cases"] = cases
    return type(plan)(**{**plan.__dict__, **changes})
