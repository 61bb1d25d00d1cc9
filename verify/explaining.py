"""From judged claims to the record's entries: what, where, why, what to do, in the user's units."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np

from firmware_shim.engine import NUMPY_TYPES
from verify.claims.accurate import Accurate
from verify.claims.on_board import SameOnBoard
from verify.constants import constants_text
from verify.judging.exact import output_value
from verify.judging.verdict import FAILS, HOLDS, UNTRIED, VACUOUS, grouped
from verify.number_formats import bits_text, decimal_text, hex_text
from verify.probing import Prober
from verify.profiles import profile
from verify.reports.numbers import away, times
from verify.routine import Bound, Routine
from verify.sheet import Sheet
from verify.simplest import judges_alone, simplest_failing
from verify.systematic import describe
from verify.units import PITCH_UNITS

if TYPE_CHECKING:
    from verify.session import Outcome


def number_entry(raw: bytes, type_number: int, scale: Fraction, name: str, unit: str) -> dict[str, Any]:
    """One value in every form: decimal, hex float, bits, unit."""
    kind = NUMPY_TYPES[type_number]
    number = np.frombuffer(raw, kind)[0]
    if kind.kind == "f":
        text = decimal_text(float(number), 9 if kind.itemsize == 4 else 17)
        return {"name": name, "value": text, "unit": unit, "hex": hex_text(float(number)), "bits": bits_text(raw)}
    value = int(number) * scale
    shown = str(int(value)) if value.denominator == 1 else f"{float(value):.12g}"
    entry = {"name": name, "value": shown, "unit": unit, "hex": hex(int(number)), "bits": bits_text(raw)}
    if scale != 1:
        entry["raw"] = str(int(number))
    return entry


class Explainer:
    """Builds the entry of one routine."""

    def __init__(self, sheet: Sheet, routine: Routine, prober: Prober | None) -> None:
        self.sheet, self.routine, self.prober = sheet, routine, prober

    def entry(self, outcomes: list[Outcome]) -> dict[str, Any]:
        """The routine's entry in the record."""
        bound = next((o.bound for o in outcomes if o.bound is not None), None)
        routine = self.routine
        return {
            "name": routine.name,
            "family": routine.family,
            "kind": "function" if routine.stages is None else "path",
            "place": routine.place.split(",")[0],
            "prototype": bound.prototype if bound else "",
            "definition": bound.definition if bound else "",
            "inputs": [grid.text() for grid in routine.inputs],
            "domain_points": bound.domain.full_count or bound.domain.count if bound else None,
            "output_unit": routine.output.unit,
            "notes": list(bound.notes) if bound else [],
            "without": dict(routine.without),
            "reference": getattr(routine.reference, "__name__", "a reference") if routine.reference is not None else "",
            "printed": next((o.evidence.printed for o in outcomes if o.evidence and o.evidence.printed), ""),
            "claims": [self.claim(outcome) for outcome in outcomes],
        }

    def claim(self, outcome: Outcome) -> dict[str, Any]:
        """One claim in one build."""
        claim, found, verdict = outcome.claim, outcome.assessment, outcome.verdict
        number = getattr(claim, "limit", None)
        limit = float(number) if isinstance(number, Fraction) else None
        entry: dict[str, Any] = {
            "claim": claim.name if claim.name != "order" else claim.label().split("(")[0],
            "label": claim.label(),
            "build": outcome.build,
            "verdict": verdict.word,
            "verdict_text": verdict.text(),
            "strength": {"kind": "every value" if verdict.every_value else "tried", "count": verdict.count},
            "limit": claim.limit_text(),
            "because": claim.because,
            "worst": None,
            "witness": None,
            "failing_share": None,
            "share_note": "" if found.share or not found.failing else "share not measured",
            "detectors": list(found.detectors),
            "not_watched": list(found.not_watched),
            "facts": list(found.facts),
            "profile": None,
        }
        bound, evidence = outcome.bound, outcome.evidence
        if bound is None or evidence is None:
            return entry
        if found.worst is not None and found.worst_at is not None:
            value = found.worst if math.isfinite(found.worst) else None
            entry["worst"] = {"value": value, "unit": found.worst_unit, "at": self.inputs(bound, found.worst_at),
                              "text": f"{away(found.worst, limit)} {found.worst_unit}".strip(),
                              "times_limit": found.times_limit}
        if found.share is not None:
            share, low, high = found.share
            entry["failing_share"] = {"share": share, "low": low, "high": high, "of": found.share_of}
        if isinstance(claim, Accurate | SameOnBoard) and outcome.slot >= 0:
            entry["profile"] = profile(outcome)
        if found.cost is not None:
            entry["cost"] = found.cost
        if verdict.word == FAILS:
            self.failure(outcome, entry, limit)
        elif verdict.word != HOLDS and not evidence.rows.size and not evidence.stops:
            entry["facts"].append("nothing could be run")
        if outcome.left_out or (verdict.word == VACUOUS and evidence.stops):
            entry["todo"] = UNTRIED
        elif verdict.word == VACUOUS and evidence.ended_by_clock:
            entry["todo"] = "give it more time with --thorough, or fewer inputs"
        if evidence.ended_by_clock and not verdict.every_value:
            ran, wanted = grouped(found.valid), grouped(bound.domain.count)
            entry["facts"].append(f"{evidence.ended_by_clock} at {ran} of {wanted} inputs; --thorough takes the time")
        stopped = [reason for _, _, reason in evidence.holes if reason.startswith("not run")]
        entry["facts"] += [reason for reason in dict.fromkeys(stopped)][:1]
        return entry

    def inputs(self, bound: Bound, ordinal: int) -> list[dict[str, Any]]:
        """The inputs at one ordinal, in every form."""
        return self.raw_inputs(bound, bound.domain.raw_bits(ordinal))

    def raw_inputs(self, bound: Bound, raws: tuple[bytes, ...]) -> list[dict[str, Any]]:
        """Raw inputs in every form."""
        parts = zip(raws, bound.domain.type_numbers, bound.domain.grids, strict=True)
        return [number_entry(raw, kind, grid.scale, grid.name, grid.unit) for raw, kind, grid in parts]

    def failure(self, outcome: Outcome, entry: dict[str, Any], limit: float | None) -> None:
        """The four-part message's facts for a failing claim."""
        bound, found = outcome.bound, outcome.assessment
        assert bound is not None and self.prober is not None and outcome.evidence is not None
        routine = self.routine
        ordinal = found.witness
        if judges_alone(outcome.claim):
            ordinal = simplest_failing(outcome.claim, self.case(outcome), found)
        if found.witness_raw is not None:
            inputs, got = self.raw_inputs(bound, found.witness_raw), self.prober.outside(bound, [found.witness_raw])[0]
        elif ordinal is not None and ordinal >= 0:
            inputs, got = self.inputs(bound, ordinal), self.prober.outputs(bound, [ordinal])[0]
        else:
            return
        scale = Fraction(1) if bound.float_output else routine.output.scale
        witness: dict[str, Any] = {"inputs": inputs, "got": None, "wanted": found.wanted_text, "error": found.error_text}
        if got is not None:
            witness["got"] = number_entry(got, bound.output_type, scale, "result", routine.output.unit)
        if isinstance(outcome.claim, Accurate) and ordinal is not None:
            self.accuracy(outcome, witness, ordinal, got, limit)
        elif got and ordinal != found.witness:
            here, worst = outcome.claim.fault_in(got, bound), found.error_text
            witness["error"] = here if found.worst is None or here == worst else f"{here}; at worst {worst}"
        witness["replay"] = replay_line(self.sheet, routine, inputs)
        entry["witness"] = witness
        if found.first_failing >= 0 and found.last_failing >= 0:
            entry["extent"] = self.extent(bound, outcome)
        if isinstance(outcome.claim, Accurate):
            entry["nearby"] = self.nearby(outcome)
            if outcome.claim.metric in ("cents", "relative", "hz", "lsb", "absolute") and entry["profile"]:
                entry["systematic"] = self.systematic(outcome, entry["profile"])

    def accuracy(self, outcome: Outcome, witness: dict[str, Any], ordinal: int, got: bytes | None,
                 limit: float | None) -> None:
        """Wanted and error of one input, from the exact reference."""
        claim = outcome.claim
        assert isinstance(claim, Accurate) and outcome.bound is not None
        bound = outcome.bound
        judged = claim.judged(self.case(outcome), [ordinal])
        if not judged:
            return
        error = judged[0][2]
        unit = self.routine.output.unit
        if error.wanted is not None:
            name = getattr(self.routine.reference, "__name__", "reference")
            witness["wanted"] = f"{float(error.wanted):.12g} {unit}".strip() + f"  (reference {name})"
            witness["with"] = constants_text(self.routine.constants)
        if not math.isfinite(error.middle):
            witness["error"] = error.why
            return
        witness["error"] = f"{away(error.middle, limit)} {claim.unit}".strip()
        if limit:
            witness["error"] += f" = {times(abs(error.middle) / limit)}"
        kind, value = output_value(got or b"", bound.output_type, Fraction(1)) if got else ("", None)
        if kind and value is None:
            witness["error"] = f"the result is {kind}"

    def case(self, outcome: Outcome) -> Any:
        """The claim's case again, for a few exact judgements."""
        from verify.claims.base import Case

        assert outcome.bound is not None and outcome.evidence is not None and self.prober is not None
        return Case(outcome.bound, outcome.evidence, outcome.evidence.total(), outcome.slot, False, self.prober)

    def extent(self, bound: Bound, outcome: Outcome) -> str:
        """How much fails, and between which values."""
        found = outcome.assessment
        first, last = self.inputs(bound, found.first_failing), self.inputs(bound, found.last_failing)
        parts = []
        for a, b in zip(first, last, strict=True):
            one = f"{a['name']} {a['value']} {a['unit']}".strip()
            parts.append(f"{a['name']} from {a['value']} to {b['value']} {a['unit']}".strip() if a["value"] != b["value"]
                         else f"{one} only")
        text = "; ".join(parts)
        if found.share is not None:
            share, low, high = found.share
            counted = f"{grouped(found.failing)} of {grouped(found.valid)}, " if found.share_of.startswith("every") else ""
            text += f"; {counted}{f'{share:.3%}' if share >= 1e-5 else 'below 0.001%'} of {found.share_of}"
            if found.share_of != "every value" and found.share_of != "every step":
                text += f" (95 %: {low:.2%} to {high:.2%})"
        else:
            text += "; share not measured"
        return text

    def nearby(self, outcome: Outcome) -> str:
        """Whether the two ends of the range hold."""
        bound, claim = outcome.bound, outcome.claim
        assert bound is not None and isinstance(claim, Accurate)
        limit, parts = float(claim.limit), []
        for ordinal, verdict, error in claim.judged(self.case(outcome), [0, bound.domain.count - 1]):
            where = ", ".join(f"{i['name']} {i['value']}" for i in self.inputs(bound, ordinal))
            shown = f"{away(error.middle, limit)} {claim.unit}".strip() if math.isfinite(error.middle) else error.why
            parts.append(f"{where}: {shown} ({'holds' if verdict else 'fails'})")
        return "; ".join(parts)

    def systematic(self, outcome: Outcome, profile: dict[str, Any]) -> list[str]:
        """Offset, slope and remainder of a pitch error."""
        bound = outcome.bound
        assert bound is not None
        if len(bound.domain.grids) != 1 or bound.screen is None or self.routine.output.unit not in PITCH_UNITS:
            return []
        claim = outcome.claim
        assert isinstance(claim, Accurate)
        bins = np.array(profile.get("bins", []))
        if not len(bins):
            return []
        places, errors = (bins[:, 2] + bins[:, 4]) / 2, (bins[:, 1] + bins[:, 3]) / 2
        wanted = bound.screen.evaluate([places])
        unit = bound.output_scale if claim.metric == "lsb" else 1.0
        with np.errstate(divide="ignore", invalid="ignore"):
            octaves = np.log2(wanted)
            if claim.metric in ("lsb", "hz", "absolute"):
                # Where a few steps are already cents, quantisation would pass for a trend.
                errors = np.where(wanted > 4000 * unit, 1200 * np.log2(1 + errors * unit / wanted), np.nan)
            elif claim.metric == "relative":
                errors = 1200 * np.log2(1 + errors)
        return describe(octaves, errors, places, bound.domain.grids[0].unit)


def replay_line(sheet: Sheet, routine: Routine, inputs: list[dict[str, Any]]) -> str:
    """The command that runs one witness again."""
    words = " ".join(f"{i['name']}={i['bits']}" for i in inputs)
    return f"preflash replay {sheet.file.name} {routine.name} {words}"
