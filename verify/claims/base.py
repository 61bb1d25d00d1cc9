"""What every claim has: a limit with unit, a reason, and its way from evidence to an assessment."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any, ClassVar, Protocol

import numpy as np

from firmware_shim.job import Test
from verify.errors import SheetError
from verify.evidence import Evidence, Total
from verify.grids import exact
from verify.judging.exact import ExactError
from verify.routine import Bound, Routine

PROTECTIVE = "protective: on for every routine unless the sheet gives a reason to drop it"


class Probe(Protocol):
    """Runs a few chosen inputs of the firmware again, in a worker."""

    def outputs(self, bound: Bound, ordinals: Sequence[int]) -> list[bytes | None]:
        """Raw output bits per ordinal; None where the routine did not come back."""

    def families(self) -> dict[str, str]:
        """Build -> family of the compiler that built it."""

    def in_mode(self, bound: Bound, raws: Sequence[bytes], flushed: bool) -> bytes | None:
        """Raw output of raw inputs with subnormals flushed, or kept; None where it did not come back."""

    def sample(self, bound: Bound, test: Test) -> tuple[int, int]:
        """(failing, drawn) over an even random sample of the range."""

    def outside(self, bound: Bound, raws: Sequence[Sequence[bytes]]) -> list[bytes | None]:
        """Raw outputs for raw inputs that need not lie on the grid."""

    def outside_results(self, bound: Bound, columns: Sequence[bytes], count: int) -> tuple[
            np.ndarray, np.ndarray, np.ndarray]:
        """(results as binary64, whether each came back, whether each was tried) for many raw inputs, one column per input."""

    def kept_outputs(self, bound: Bound) -> np.ndarray | None:
        """Every result of a path whose hunt kept them, by ordinal; None where it did not."""

    def culprit(self, bound: Bound, ordinal: int, kind: int) -> tuple[str, bool]:
        """(function, file and line of a flagged operation, whether it lies in the author's code)."""

    def cost(self, bound: Bound) -> Any:
        """What calls of a routine of the board build cost (verify.cost.Cost)."""

    def symbol(self, bound: Bound, offset: int) -> str:
        """Name of the global that lies at an offset of the library."""


@dataclass(frozen=True)
class Case:
    """All that a claim may look at. slot is the claim's place among the engine's tests, -1 for none."""

    bound: Bound
    evidence: Evidence
    total: Total
    slot: int
    every_value: bool
    probe: Probe


@dataclass
class Assessment:
    """The judged evidence of one claim in one build. Ordinals are -1 or None where nothing was found.

    too_few: why what was judged says nothing ("": it does). cost: what a call costs, as plain data for the report (see
    claims.cost_within.figures).
    """

    valid: int = 0
    failing: int = 0
    open: int = 0
    every_value: bool = False
    blocked: str = ""
    assumed: bool | str = False
    too_few: str = ""
    worst: float | None = None
    worst_unit: str = ""
    worst_at: int | None = None
    times_limit: float | None = None
    witness: int | None = None
    witness_raw: tuple[bytes, ...] | None = None
    exact: ExactError | None = None
    wanted_text: str = ""
    error_text: str = ""
    first_failing: int = -1
    last_failing: int = -1
    share: tuple[float, float, float] | None = None
    share_of: str = ""
    detectors: tuple[str, ...] = ()
    not_watched: tuple[str, ...] = ()
    facts: list[str] = field(default_factory=list)
    cost: dict[str, Any] | None = None


class Claim:
    """Base of all claims. Subclasses are frozen dataclasses with a because field."""

    name: ClassVar[str] = ""
    builds: ClassVar[tuple[str, ...]] = ("host", "board")
    # Whether a machine's script that sends NaN or infinity in is judged.
    judges_hostile: ClassVar[bool] = True
    because: str = PROTECTIVE

    def limit_text(self) -> str:
        """The limit with its unit, "" for claims without a number."""
        return ""

    def partner_of(self, routine: Routine) -> str:
        """Name of another routine of the sheet that this one is judged together with, "" for none."""
        return ""

    def partner_problem(self, bound: Bound, partner: Bound | None) -> str:
        """Why the two cannot be judged together; "" when they can."""
        return ""

    def label(self) -> str:
        """Name and limit as the sheet would write it."""
        text = self.limit_text()
        return f"{self.name}({text})" if text else self.name

    def check(self, routine: Routine, where: str) -> None:
        """Raise SheetError when the claim cannot be meant for this routine."""

    def test(self, bound: Bound) -> Test | None:
        """The engine's test, None when the claim needs none (or no screen exists)."""
        return None

    def fault_in(self, raw: bytes, bound: Bound) -> str:
        """What is wrong with one result by itself; "" for nothing, or where no single result tells."""
        return ""

    def assess(self, case: Case) -> Assessment:
        """Judge the evidence."""
        raise NotImplementedError


def reason(because: object, where: str) -> str:
    """The reason of a claim; a claim without one is refused."""
    if isinstance(because, str) and because.strip():
        return because.strip()
    raise SheetError(f"{where} has no reason", where=where,
                     why="a limit that nobody can defend is moved the first time it hurts",
                     todo='add because="why this limit", in a few words')


def positive_limit(value: object, where: str) -> Fraction:
    """A finite limit of at least zero, as written."""
    limit = exact(value, where)
    if limit < 0:
        raise SheetError(f"{where}: the limit is negative", where=where, why=f"an error of {value} or less cannot be",
                         todo="write the largest error that is still right, above zero")
    return limit


def number_text(value: Fraction | float) -> str:
    """A limit in print, as short as it can be exactly."""
    return f"{float(value):.12g}"


def output_test(case: Case, name: str, first: str, words: str) -> Assessment:
    """Assessment of a claim that a category of outputs does not occur."""
    total = case.total
    found = Assessment(valid=total.count(), failing=total.sum(name), every_value=case.every_value)
    found.witness = found.first_failing = total.first(first)
    if found.failing:
        found.worst_at = found.witness
        found.error_text = words
        if case.every_value:
            share = found.failing / max(1, found.valid)
            found.share, found.share_of = (share, share, share), "every value"
    return found


def stated_claims(claims: Any) -> list[Any]:
    """What a sheet gives as claims, one by one: one alone is a list too, and some words stand for several."""
    given = (claims,) if isinstance(claims, Claim) else claims
    return [one for claim in given for one in (claim if isinstance(claim, tuple) else (claim,))]


def doubles_of(values: Sequence[bytes | None], kind: np.dtype[Any], scale: float) -> np.ndarray:
    """Raw outputs as binary64; NaN for those that never came, or were not tried (b"")."""
    nothing = bytes(kind.itemsize)
    found = np.frombuffer(b"".join(v or nothing for v in values), kind).astype(np.float64) * scale
    found[[not v for v in values]] = np.nan
    return found
