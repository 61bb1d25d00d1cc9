"""accurate: the result stays within a limit of the reference."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from firmware_shim.engine import NUMPY_TYPES
from firmware_shim.job import Test
from verify.claims.base import Assessment, Case, Claim, doubles_of, number_text, positive_limit, reason
from verify.claims.in_time import known_signal
from verify.claims.measured import decided, doubt_of
from verify.errors import SheetError, ToolFault, nearest_words
from verify.hunting.intervals import once_each
from verify.judging.exact import exact_error
from verify.judging.verdict import grouped
from verify.machines.references import known_to
from verify.routine import Bound, Routine
from verify.units import ERROR_UNITS, PITCH_UNITS

if TYPE_CHECKING:
    from verify.machines.machine import Machine

MOST_EXACT = 100_000
EXACT_WITHOUT_SCREEN = 4_000
SCREEN_FACTOR = 16
ROUNDING = 2.0**-49
RIGHT, WRONG, OPEN = 1, 0, -1


@dataclass(frozen=True)
class Accurate(Claim):
    """The largest error against the reference, in one unit, over the whole domain.

    Fails when: one input's error lies outside the limit, or its result is NaN or infinite.
    Cannot see: errors of the reference itself beyond its stated uncertainty.
    """

    metric: str
    limit: Fraction
    because: str
    band: Fraction = Fraction(0)
    of: str = ""
    name: ClassVar[str] = "accurate"

    def limit_text(self) -> str:
        band = f", band={number_text(self.band)}" if self.band else ""
        return f"{self.metric}={number_text(self.limit)}{band}" + (f", {self.of}" if self.of else "")

    @property
    def unit(self) -> str:
        """Unit of the error in print."""
        return ERROR_UNITS[self.metric]

    def check_machine(self, machine: Machine, where: str) -> None:
        """Raise SheetError when the claim cannot be meant for this machine's output."""
        known_signal(machine, self.of, where)
        output = machine.signal_named(self.of)
        if not known_to(machine, self.of):
            raise SheetError("accurate needs a reference" + (f" of {output.name}" if machine.reference is not None else ""),
                             where=where, why="there is nothing to compare with",
                             todo="give reference=..., for example reference=envelope.attack_decay; for several outputs "
                             f'reference={{"{output.name}": ...}}')
        if self.metric == "ulp" or self.band:
            raise SheetError(f"accurate({'band' if self.band else 'ulp'}=) is for functions", where=where,
                             why="decisions of a machine's reference have bands of their own" if self.band else
                             "a trajectory is judged in its unit", todo="use absolute=, relative=, lsb= or cents= alone")
        self.check_unit(output.unit, where)
        if self.metric == "lsb" and output.is_float:
            raise SheetError("lsb= does not fit a float output", where=where, why=f"{output.name} has no steps",
                             todo="use absolute= or relative=")

    def check(self, routine: Routine, where: str) -> None:
        if self.of:
            raise SheetError("accurate(of=) is for machines", where=where, why=f"{routine.name} has one result",
                             todo="leave of= out")
        if routine.reference is None:
            raise SheetError("accurate needs a reference", where=where, why="there is nothing to compare with",
                             todo="give reference=..., for example reference=pitch.hz_from_volts")
        self.check_unit(routine.output.unit, where)

    def check_unit(self, unit: str, where: str) -> None:
        """Raise SheetError where the limit's unit does not fit the result's."""
        if self.metric == "cents" and unit not in PITCH_UNITS:
            raise SheetError(f"cents do not fit a result in {unit or 'plain numbers'}", where=where,
                             why="cents measure ratios of frequencies", todo="use lsb=, absolute= or volts=")
        if self.metric == "hz" and unit != "Hz":
            raise SheetError("hz= does not fit this result", where=where, why=f"its unit is {unit!r}",
                             todo="use absolute=, lsb= or cents=")
        if self.metric == "volts" and unit != "V":
            raise SheetError("volts= does not fit this result", where=where, why=f"its unit is {unit!r}",
                             todo="use cents= or hz=" if unit in PITCH_UNITS else "use absolute= or lsb=")

    def check_bound(self, bound: Bound) -> str:
        """Why the metric does not fit the C type; "" when it does."""
        if self.metric == "ulp" and not bound.float_output:
            return "ulp= needs a float result; use lsb= for integers"
        if self.metric == "lsb" and bound.float_output:
            return "lsb= needs an integer result; use ulp=, cents= or absolute= for floats"
        return ""

    def test(self, bound: Bound) -> Test | None:
        screen = bound.screen
        if screen is None or bound.screen_at is None:
            return None
        if self.metric == "ulp" and NUMPY_TYPES[bound.output_type].itemsize == 8:
            return None
        limit = float(self.limit)
        if self.metric in ("cents", "relative"):
            low, high = -limit, limit
            if self.metric == "cents":
                low, high = math.expm1(-limit * math.log(2) / 1200), math.expm1(limit * math.log(2) / 1200)
            margin = SCREEN_FACTOR * screen.relative_bound + ROUNDING
            test = Test("accurate", "relative", low, high, margin, screen=bound.screen_at)
        elif self.metric == "ulp":
            margin = SCREEN_FACTOR * screen.relative_bound * 2.0**24 + ROUNDING * max(1.0, limit)
            test = Test("accurate", "ulp", -limit, limit, margin, screen=bound.screen_at)
        else:
            size = max(abs(float(screen.low)), abs(float(screen.high)))
            margin = SCREEN_FACTOR * screen.absolute_bound + ROUNDING * size * 2.0**-2
            scale = bound.output_scale if self.metric == "lsb" else 1.0
            test = Test("accurate", "absolute", -limit * scale, limit * scale, margin, screen=bound.screen_at)
        doubt = doubt_of(bound, self.metric)
        if doubt:
            # Of a measured signal, what the measurement cannot decide stays open.
            factor = math.log(2) / 1200 * 1.001 if self.metric == "cents" else 1.0
            return replace(test, margin=test.margin + float(doubt) * factor)
        if not screen.absolute_bound and not screen.relative_bound and (not limit or self.exactly_judged(test, bound)):
            test = replace(test, margin=0.0)
        return replace(test, band=float(self.band), monotone=screen.monotone) if math.isfinite(test.margin) else None

    def exactly_judged(self, test: Test, bound: Bound) -> bool:
        """Whether an exact screen decides ties with the limit: the limit is a float64 itself, and so small beside every
        right answer that the difference of two float64 within it is exact (Sterbenz), as is its scaling by a power of two.
        So is, for whole results, a limit of half a step or less: a result is 0 or at least twice the limit."""
        assert bound.screen is not None
        low, high = Fraction(bound.screen.low), Fraction(bound.screen.high)
        smallest = min(abs(low), abs(high)) if low * high > 0 else Fraction(0)
        size = self.limit * (Fraction(bound.output_scale) if self.metric == "lsb" else 1)
        if test.metric == "ulp":
            return size == Fraction(test.high) and size <= 2**20 and smallest >= Fraction(1, 2**126)
        if not bound.float_output and math.frexp(bound.output_scale)[0] == 0.5:
            smallest = max(smallest, Fraction(bound.output_scale))
        return test.metric == "absolute" and size == Fraction(test.high) and size <= smallest / 2

    def assess(self, case: Case) -> Assessment:
        if case.slot < 0:
            return self.without_screen(case)
        total, slot = case.total, case.slot
        found = Assessment(valid=total.found(slot, "judged"), failing=total.found(slot, "failing"))
        found.every_value = case.every_value
        found.worst_unit = self.unit
        found.first_failing, found.last_failing = total.failing_ends(slot)
        unmeasured = total.sum("nans") if doubt_of(case.bound, self.metric) else 0
        found.failing -= unmeasured
        if unmeasured:
            own = number_text(doubt_of(case.bound, "cents"))
            found.facts.append(
                f"{grouped(unmeasured)} signals have no pitch that can be measured to {own} cents: overtones up to half the "
                "rate (a plain sawtooth or square) and coarse steps hide aliases beside the pitch; a larger measured_cents= "
                "of the path, added to the limit, may do")
        opens = case.evidence.opens
        listed = once_each(opens[opens[:, 0] == slot, 1])
        unlisted = total.found(slot, "open") - len(listed)
        wrong, still = self.settle(case, listed)
        found.failing += len(wrong)
        found.open = still + unlisted + unmeasured
        ends = [*wrong[:1], *wrong[-1:]]
        for ordinal in ends:
            first = found.first_failing
            found.first_failing = ordinal if first < 0 else min(first, ordinal)
            found.last_failing = max(found.last_failing, ordinal)
        candidates = [total.error(slot, name)[1] for name in ("least", "most")]
        candidates += [-1 if unmeasured else total.first("first_nan")]
        candidates += [total.first("first_infinity"), found.first_failing, *ends]
        self.name_worst(case, found, [c for c in dict.fromkeys(candidates) if c >= 0])
        if self.band:
            inside = total.found(slot, "skipped")
            found.facts.append(f"{grouped(inside)} of {grouped(found.valid)} inputs lie within {number_text(self.band)} "
                               f"{case.bound.domain.grids[0].unit} of a decision and go the other way")
        if found.failing:
            self.measure_share(case, found)
        return found

    def judged(self, case: Case, ordinals: list[int]) -> list[tuple[int, bool | None, Any]]:
        """Exact judgement of chosen inputs; those that did not come back are left out."""
        outputs = case.probe.outputs(case.bound, ordinals)
        return [(ordinal, *self.exactly(case.bound, raw, case.bound.domain.values(ordinal)))
                for ordinal, raw in zip(ordinals, outputs, strict=True) if raw is not None]

    def exactly(self, bound: Bound, raw: bytes, values: tuple[Fraction, ...]) -> tuple[bool | None, Any]:
        """(whether a result is right for these inputs, None where that stays open; its error)."""
        routine, doubt = bound.routine, doubt_of(bound, self.metric)
        answers = []
        # Within the band of a decision both sides are right: the first one that holds counts.
        for side in (0, -1, 1) if self.band else (0,):
            verdict, error = exact_error(
                "absolute" if self.metric in ("hz", "volts") else self.metric, self.limit, raw,
                (values[0] + side * self.band, *values[1:]), routine.reference, routine.constants,
                type_number=bound.output_type,
                scale=Fraction(1) if bound.float_output else routine.output.scale,
            )
            answers.append((decided(verdict, error.middle, self.limit, doubt), error))
            if answers[-1][0]:
                return answers[-1]
        return answers[0]

    def settle(self, case: Case, listed: np.ndarray) -> tuple[list[int], int]:
        """Open inputs by the finer screen, then exactly. Returns those that fail, and how many stay open."""
        if not len(listed):
            return [], 0
        bound = case.bound
        raws = case.probe.outputs(bound, [int(o) for o in listed])
        got = doubles_of(raws, NUMPY_TYPES[bound.output_type], bound.output_scale)
        high, low = bound.screen.finer(bound.domain.doubles(listed))
        test = case.evidence.tests[case.slot]
        difference = (got - high) - low
        if test.metric == "relative":
            with np.errstate(invalid="ignore", divide="ignore"):  # a right answer of zero: left to the exact reference
                error = difference / high
            slack = SCREEN_FACTOR * bound.screen.finer_relative_bound
        elif test.metric == "ulp":
            size = np.ldexp(1.0, np.maximum(np.frexp(np.abs(high))[1] - 1, -126) - 23)
            error, slack = difference / size, SCREEN_FACTOR * bound.screen.finer_relative_bound * 2.0**24
        else:
            error, slack = difference, SCREEN_FACTOR * bound.screen.finer_absolute_bound
        # The limit itself and the subtraction are rounded once each: stay open within that.
        slack = slack + test.margin * bool(doubt_of(bound, self.metric))
        slack = slack + 2.0**-50 * np.maximum(np.abs(error), max(abs(test.low), abs(test.high)))
        sure_right = (error <= test.high - slack) & (error >= test.low + slack)
        sure_wrong = (error > test.high + slack) | (error < test.low - slack)
        if test.metric == "ulp":
            part = np.abs(np.frexp(high)[0])
            sure_wrong &= (part > 0.5 + 1e-9) & (part < 1 - 1e-9)
        if self.band:
            sure_wrong &= False
        wrong = [int(o) for o in listed[sure_wrong]]
        rest = [int(o) for o in listed[~(sure_right | sure_wrong)]]
        answers = self.settled(case, rest[:MOST_EXACT])
        wrong += [ordinal for ordinal, answer in answers.items() if answer == WRONG]
        undecided = sum(answer == OPEN for answer in answers.values())
        return sorted(wrong), undecided + len(rest) - len(answers)

    def settled(self, case: Case, ordinals: list[int]) -> dict[int, int]:
        """What the exact reference says of inputs; kept with the evidence, and a random 2 % asked again at each use."""
        known, slot = case.evidence.settled, case.slot
        kept = [ordinal for ordinal in ordinals if (slot, ordinal) in known]
        again = set(random.Random().sample(kept, -(-len(kept) // 50)))
        asked = [ordinal for ordinal in ordinals if ordinal in again or (slot, ordinal) not in known]
        found = {o: OPEN if right is None else RIGHT if right else WRONG for o, right, _ in self.judged(case, asked)}
        for ordinal in again:
            if found.get(ordinal) != known[slot, ordinal]:
                raise ToolFault("a kept judgement and a repeat differ", where=f"{case.bound.routine.name}, "
                                f"{case.bound.build}, ordinal {ordinal}", why="the exact reference says otherwise now",
                                todo="run again with --fresh, and report this: the cache or the reference is unsound")
        known.update({(slot, ordinal): answer for ordinal, answer in found.items()})
        return {ordinal: known[slot, ordinal] for ordinal in ordinals if (slot, ordinal) in known}

    def name_worst(self, case: Case, found: Assessment, ordinals: list[int]) -> None:
        """The worst input, judged exactly; a failing claim gets a witness that the exact reference confirms."""
        answers = self.judged(case, ordinals)
        if not answers:
            return
        worst = max(answers, key=lambda a: (abs(a[2].middle), -a[0]))
        found.worst_at, found.exact = worst[0], worst[2]
        found.worst = worst[2].middle
        if self.limit and math.isfinite(found.worst):
            found.times_limit = abs(found.worst) / float(self.limit)
        failing = [answer for answer in answers if answer[1] is False]
        if failing:
            chosen = max(failing, key=lambda a: (abs(a[2].middle), -a[0]))
            found.witness = chosen[0]
            found.failing = max(found.failing, 1)
        elif found.failing:
            # Only near misses of the screen: nothing fails by the exact reference.
            found.blocked = "preflash's own fault: the screen and the exact reference disagree"
            found.failing = 0

    def measure_share(self, case: Case, found: Assessment) -> None:
        """The failing share: of every value, or of an even random sample drawn for it."""
        if case.every_value:
            share = found.failing / max(1, found.valid)
            found.share, found.share_of = (share, share, share), "every value"
            return
        failing, drawn = case.probe.sample(case.bound, case.evidence.tests[case.slot])
        if drawn:
            found.share, found.share_of = interval(failing, drawn), f"an even random sample of {drawn}"

    def without_screen(self, case: Case) -> Assessment:
        """No fast screen: a limited number of inputs, each against the exact reference."""
        domain = case.bound.domain
        covered = case.evidence.covered()
        if domain.count <= 4 * EXACT_WITHOUT_SCREEN:
            ordinals = [o for a, b in covered for o in range(int(a), int(b))]
        else:
            lengths = covered[:, 1] - covered[:, 0]
            places = np.linspace(0, int(lengths.sum()) - 1, EXACT_WITHOUT_SCREEN).astype(np.int64)
            ends = np.cumsum(lengths)
            owner = np.searchsorted(ends, places, side="right")
            ordinals = [int(o) for o in np.unique(covered[owner, 0] + places - (ends[owner] - lengths[owner]))]
        answers = self.judged(case, ordinals)
        found = Assessment(valid=len(answers), worst_unit=self.unit)
        wrong = [answer for answer in answers if answer[1] is False]
        found.failing, found.open = len(wrong), sum(a[1] is None for a in answers)
        found.every_value = domain.whole and len(answers) == domain.count
        found.facts.append(f"no fast screen: {case.bound.screen_missing}")
        if wrong:
            found.first_failing, found.last_failing = wrong[0][0], wrong[-1][0]
        if answers:
            worst = max(answers, key=lambda a: (abs(a[2].middle), -a[0]))
            found.worst, found.worst_at, found.exact = worst[2].middle, worst[0], worst[2]
            found.witness = worst[0] if wrong else None
            if self.limit and math.isfinite(found.worst):
                found.times_limit = abs(found.worst) / float(self.limit)
        return found


def interval(failing: int, drawn: int) -> tuple[float, float, float]:
    """Share with its 95 % Wilson interval."""
    z, share = 1.959964, failing / drawn
    centre = (share + z * z / (2 * drawn)) / (1 + z * z / drawn)
    half = z / (1 + z * z / drawn) * math.sqrt(share * (1 - share) / drawn + z * z / (4 * drawn * drawn))
    return share, max(0.0, centre - half), min(1.0, centre + half)


def accurate(*, because: str = "", band: float = 0, of: str = "", **limits: float) -> Accurate:
    """accurate(cents=0.1, because="..."): exactly one limit, in cents, ulp, absolute, relative, lsb, hz or volts.

    band, in the unit of the first input: how near to a decision of the reference (a quantiser's border) both sides
    are right; how many inputs that concerns is printed. of: the output of a machine that is judged ("": the first).
    """
    where = "accurate(" + ", ".join(f"{k}={v!r}" for k, v in limits.items()) + ")"
    for unit in limits:
        if unit not in ERROR_UNITS:
            raise SheetError(f"accurate: unknown unit {unit!r}", where=where, why="the limit needs a unit",
                             todo=nearest_words(unit, ERROR_UNITS))
    if len(limits) != 1:
        raise SheetError("accurate needs exactly one limit with its unit", where=where, why=f"{len(limits)} given",
                         todo='write for example accurate(cents=0.1, because="...")')
    metric, value = next(iter(limits.items()))
    return Accurate(metric, positive_limit(value, where), reason(because, where), positive_limit(band, f"{where}, band"), of)
