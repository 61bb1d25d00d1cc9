"""cost_within for machines: the step (or block) and every event, each against the limit."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING, Any

from firmware_shim.board_cycles import TABLES
from firmware_shim.cores import core_named
from verify.claims.base import number_text
from verify.claims.cost_within import UNITS, CostWithin
from verify.claims.in_time import Judgement
from verify.judging.verdict import grouped
from verify.machines.costs import BLOCK, INIT, STEP, MachineCost, Part
from verify.machines.running import Stand

if TYPE_CHECKING:
    from verify.machines.hunt import Tried


def shown_name(part: Part, stand: Stand) -> str:
    """A part in words."""
    if part.name != STEP:
        return part.name
    return f"block of {BLOCK} samples" if stand.machine.block else "step"


def samples_of(part: Part, stand: Stand) -> int:
    """How many samples one call of a part makes: a block's share is judged per sample."""
    return BLOCK if stand.machine.block and part.name == STEP else 1


def judge_cost(tried: Tried, claim: CostWithin, stand: Stand, cost: MachineCost) -> None:
    """Put a claim's verdict together: init is counted and shown, not judged."""
    if cost.problem or STEP not in cost.parts:
        tried.fault = cost.problem or "no step came back, so none was counted"
        return
    if claim.unit == "percent" and not stand.clock_hz:
        tried.fault = "percent= needs the clock: write Sheet(clock_hz=...)"
        return
    found = None
    for part in cost.parts.values():
        if part.name != INIT:
            found = judged(tried, claim, stand, cost, part, found)
            tried.costs.append({**figures(part, stand), "unit": claim.unit, "limit": float(claim.limit)})
    tried.scripts = cost.scripts
    tried.judged = sum(part.figures()[0] for part in cost.parts.values())
    if claim.unit != "instructions":
        tried.assumed = "estimate"
        table = TABLES[core_named(stand.core).timing]
        tried.facts[f"cycles by: {table.source}; {table.uncertainty}; no wait states"] = None
    tried.facts[f"{grouped(tried.judged)} calls counted in {grouped(cost.scripts)} scripts, the dearest hunted for; "
                f"stack {cost.stack_bytes} bytes"] = None
    if cost.lost:
        tried.facts[f"{cost.lost} scripts did not come back and are not counted to their end"] = None


def figures(part: Part, stand: Stand) -> dict[str, Any]:
    """One part as plain data for the report: as verify.claims.cost_within.figures, a block's share per sample."""
    counted, least, median = part.figures()
    ends = [float(part.dearest(word).value) for word in ("optimistic", "pessimistic")]
    samples = samples_of(part, stand)
    scale = 100 * float(max(stand.machine.sample_rates_hz)) / float(stand.clock_hz) / samples if stand.clock_hz else 0.0
    return {"name": shown_name(part, stand), "counted": counted, "every_value": False, "samples": samples, "cycles": ends,
            "percent": [end * scale for end in ends] if stand.clock_hz else None,
            "instructions": {"least": least, "median": median, "most": float(part.dearest("instructions").value)}}


def judged(tried: Tried, claim: CostWithin, stand: Stand, cost: MachineCost, part: Part,
           before: Judgement | None) -> Judgement:
    """One part; the first that fails, else the dearest, is described."""
    unit = UNITS[claim.unit]
    shares = Fraction(1)
    words = ("instructions", "instructions") if claim.unit == "instructions" else ("optimistic", "pessimistic")
    low, high = part.dearest(words[0]), part.dearest(words[1])
    script = low.script or high.script
    assert script is not None
    if claim.unit == "percent":
        assert stand.clock_hz
        cycles_per_call = Fraction(stand.clock_hz) * samples_of(part, stand)
        shares = Fraction(100) * stand.machine.sample_rates_hz[script.rate] / cycles_per_call
    values = [Fraction(low.value) * shares, Fraction(high.value) * shares]
    # What hands the samples over is ours: within its share nothing is said to fail.
    handing = cost.handing.get(part.name, {})
    ours = Fraction(handing.get(words[1], 0.0)) * shares
    fails = values[0] - ours > claim.limit
    is_open = not fails and values[1] > claim.limit
    place = low if fails else high
    counted, least, median = part.figures()
    text = f"{float(values[0]):.6g}" if values[0] == values[1] else f"{float(values[0]):.4g} to {float(values[1]):.4g}"
    name = shown_name(part, stand)
    tried.facts[f"{name}: the largest found {text} {unit}; fewest {least}, median {median:g} instructions in "
                f"{grouped(counted)} calls; at most {handing.get('instructions', 0):g} of them hand values over and are no "
                "part of the firmware"] = None
    found = Judgement()
    found.note(float(values[0] if fails else values[1]), place.sample, fails, f"{name}: {text} {unit}",
               f"at most {number_text(claim.limit)} {unit}", f"{name} at sample {place.sample} takes {text} {unit}"
               + ("" if claim.unit == "instructions" else ", estimated"))
    found.open = int(is_open)
    assert place.script is not None
    tried.add(place.script, found, stand.machine)
    return found
