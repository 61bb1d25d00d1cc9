"""A machine's entry in the record: claims, witnesses as time tables, and the trajectory around each failure."""

from __future__ import annotations

import math
from fractions import Fraction
from pathlib import Path
from typing import Any

from verify.claims.accurate import Accurate
from verify.claims.base import Claim
from verify.claims.gain import GainAt
from verify.claims.in_time import Judgement
from verify.claims.protective import NoUndefinedBehaviour
from verify.constants import constants_text
from verify.judging.verdict import BLOCKED, FAILS, HOLDS, UNDECIDED, UNTRIED, Tally, Verdict, decide, grouped
from verify.machines.hunt import MachineHunt, Tried
from verify.machines.long_judging import NOT_REPEATING
from verify.machines.machine import Machine, as_doubles
from verify.machines.observation import Observation
from verify.machines.references import name_of, parts_of
from verify.machines.running import LONGEST_KEPT, ON_HOST
from verify.machines.script import event_text, format_script, table
from verify.number_formats import figure

TRACE_BEFORE, TRACE_AFTER = 24, 8
MOST_CURVES = 32


def verdict_of(claim: Claim, tried: Tried) -> Verdict:
    """The pure rules: a machine never holds for every value."""
    return decide(Tally(tried.scripts, tried.failing_scripts, tried.open, False, tried.fault, tried.assumed))


def machine_entry(machine: Machine, sheet_name: str, claims: list[dict[str, Any]], prototype: str, definition: str,
                  notes: tuple[str, ...]) -> dict[str, Any]:
    """The machine's entry in the record."""
    return {
        "name": machine.name,
        "family": machine.family,
        "kind": "machine",
        "place": machine.place.split(",")[0],
        "prototype": prototype,
        "definition": definition,
        "inputs": [grid.text() for grid in machine.inputs]
                  + [grid.text() for kind in machine.events for grid in kind.arguments],
        "domain_points": None,
        "output_unit": machine.output.unit,
        "notes": list(notes),
        "without": dict(machine.without),
        "reference": getattr(machine.reference, "__name__", "a reference") if machine.reference is not None else "",
        "printed": "",
        "claims": claims,
    }


def claim_entry(claim: Claim, build: str, verdict: Verdict, tried: Tried | None) -> dict[str, Any]:
    """One claim in one build, without witness."""
    return {
        "claim": claim.name,
        "label": claim.label(),
        "build": build,
        "verdict": verdict.word,
        "verdict_text": verdict.text().replace(" tried", " scripts tried"),
        "strength": {"kind": "tried", "count": verdict.count},
        "limit": claim.limit_text(),
        "because": claim.because,
        "worst": None,
        "witness": None,
        "failing_share": None,
        "share_note": "share not measured" if verdict.word == FAILS else "",
        "detectors": detectors(claim),
        "not_watched": ["scripts that were not drawn"],
        "facts": list(tried.facts) if tried is not None else [],
        "profile": None,
        "scripts": tried.scripts if tried is not None else 0,
        "judged": tried.judged if tried is not None else 0,
    }


def detectors(claim: Claim) -> list[str]:
    """What looks for the claim's fault."""
    known = {
        "returns": ["signals", "progress watch", "exit status", "guard pages around state and buffers", "allocation watch",
                    "marks around the blocks of the heap"],
        "no_hidden_events": ["status flags per stretch, pinned to a sample"],
        "no_undefined_behaviour": ["recorder of the strict build"],
        "in_bounds": ["recorder of the strict build", "guard pages around state and buffers"],
        "deterministic": ["the same script twice"],
        "fresh_after_init": ["memory of ones, of 0x7f, of words of 1, of zeros; init after use"],
        "instances_independent": ["a second instance in turns"],
        "keeps_going": ["each period against an early one or the reference, sample by sample",
                        "status flags per stretch of 4096 samples", "allocation watch"],
    }
    return known.get(claim.name, ["event scripts"])


def blocked_entry(claim: Claim, build: str, why: str) -> dict[str, Any]:
    """A claim that could not be judged."""
    return claim_entry(claim, build, Verdict(BLOCKED, note=why), None)


def described(claim: Claim, hunt: MachineHunt, tried: Tried, sheet_name: str) -> dict[str, Any]:
    """One judged claim with its worst and, when it fails, its witness and trace."""
    if hunt.given_up and not tried.failing_scripts and not tried.ran:
        tried.open = max(1, tried.open)
    machine, verdict = hunt.stand.machine, verdict_of(claim, tried)
    entry = claim_entry(claim, hunt.stand.build, verdict, tried)
    unit = unit_of(claim, machine)
    if tried.worst is not None and tried.worst_judgement is not None and tried.worst_script is not None and (
            isinstance(getattr(claim, "limit", None), Fraction) or unit == "samples"):
        entry["worst"] = {
            "value": tried.worst if math.isfinite(tried.worst) else None, "unit": unit, "at": [],
            "text": f"{figure(tried.worst, 6)} {unit}".strip(), "times_limit": None,
            "script": format_script(tried.worst_script, machine), "sample": tried.worst_judgement.at,
        }
    if isinstance(claim, NoUndefinedBehaviour) and claim.allow:
        entry["facts"] += claim.said_of(tried.allowed)
    if hunt.stopped and not tried.ran:
        entry["facts"].append(hunt.stopped)
    if hunt.given_up and verdict.word == UNDECIDED:
        entry["todo"] = UNTRIED
    if tried.costs:
        entry["costs"] = tried.costs
    if isinstance(claim, GainAt):
        entry["response"] = response(claim, machine, tried)
    if tried.inside_bands and isinstance(claim, Accurate):
        entry["facts"].append(f"{grouped(tried.inside_bands)} of {grouped(tried.judged)} samples lie where a branch may go "
                              "either way")
    if tried.ran:
        return long_entry(entry, hunt, tried, sheet_name)
    if verdict.word == FAILS and tried.witness is not None and tried.witness_judgement is not None:
        entry["witness"] = witness(machine, tried, tried.witness_judgement, sheet_name)
        entry["witness"].update(by_reference(claim, machine, entry["witness"]["wanted"]))
        entry["extent"] = f"{grouped(tried.failing_scripts)} of {grouped(tried.scripts)} scripts fail"
        for seen in hunt.again([tried.witness], claim) if tried.witness.samples <= LONGEST_KEPT else []:
            entry["trace"] = trace(seen, getattr(claim, "of", ""), tried.witness_judgement.at)
    return entry


def long_entry(entry: dict[str, Any], hunt: MachineHunt, tried: Tried, sheet_name: str) -> dict[str, Any]:
    """A long run is told by how much of it was run; its witness is one period and how often it comes."""
    machine = hunt.stand.machine
    entry["ran"], entry["strength"]["count"] = tried.ran, tried.long_done
    if entry["verdict"] == UNDECIDED:
        entry["todo"] = NOT_REPEATING
    if entry["verdict"] == HOLDS and tried.worst_script is not None:
        entry["verdict_text"] = f"holds ({tried.ran}, {grouped(tried.long_done * tried.worst_script.samples)} samples)"
    if tried.witness is not None and tried.witness_judgement is not None:
        entry["witness"] = witness(machine, tried, tried.witness_judgement, sheet_name)
        entry["extent"] = "the script above is one period"
        entry["trace"] = tried.long_trace
        samples = tried.witness.samples * tried.witness.times
        entry["facts"].append(f"the witness runs {grouped(samples)} samples again from the start"
                              + (f", about {tried.long_seconds:.0f} s here" if tried.long_seconds >= 2 else ""))
    return entry


def response(claim: GainAt, machine: Machine, tried: Tried) -> dict[str, Any]:
    """Gains over frequency, one curve per setting and rate, the worst first; few, and how many more were measured."""
    floor = float(claim.floor_db)
    curves: list[dict[str, Any]] = []
    for (rate, events), gains in tried.gains.items():
        points = [[gain.hz, gain.got_db, max(gain.wanted_db, floor), gain.error_db, gain.doubt_db, gain.verdict]
                  for _, gain in sorted(gains.items())]
        curves.append({"rate_hz": float(machine.sample_rates_hz[rate]), "points": points,
                       "setting": [event_text(event, machine) for event in events] or ["as init leaves it"]})
    curves.sort(key=lambda curve: -max(abs(point[3]) for point in curve["points"]))
    return {"limit_db": float(claim.limit), "floor_db": floor, "curves": curves[:MOST_CURVES],
            "more": max(0, len(curves) - MOST_CURVES),
            "columns": ["hz", "got_db", "wanted_db", "error_db", "sure_to_db", "verdict"]}


def unit_of(claim: Claim, machine: Machine) -> str:
    """Unit of a claim's worst."""
    if isinstance(claim, Accurate):
        return claim.unit or machine.signal_named(claim.of).unit
    return getattr(claim, "unit", "") or machine.signal_named(getattr(claim, "of", "")).unit


def witness(machine: Machine, tried: Tried, found: Judgement, sheet_name: str) -> dict[str, Any]:
    """The smallest failing script, in words and bits."""
    assert tried.witness is not None
    line = format_script(tried.witness, machine)
    rate = float(machine.sample_rates_hz[tried.witness.rate])
    return {
        "inputs": [], "got": None, "script": line, "table": table(tried.witness, machine), "sample": found.at,
        "seconds": found.at / rate,
        "got_text": f"{found.got} (sample {found.at}, {1000 * found.at / rate:.3f} ms)",
        "wanted": found.wanted, "error": found.error,
        "replay": f'preflash replay {Path(sheet_name).name} {machine.name} "{line}"',
    }


def by_reference(claim: Claim, machine: Machine, wanted: str) -> dict[str, str]:
    """What was wanted with the name of the reference that says so, and its constants; {} for claims that ask for none."""
    if not isinstance(claim, Accurate | GainAt) or (isinstance(claim, GainAt) and claim.wanted):
        return {}
    output = machine.signal_named(claim.of).name
    for part, function, constants in parts_of(machine):
        if part in ("", output):
            return {"wanted": f"{wanted}  (reference {name_of(function)})", "with": constants_text(constants)}
    return {}


def trace(seen: Observation, of: str, at: int) -> dict[str, Any]:
    """Wanted and got around a sample."""
    start, end = max(0, at - TRACE_BEFORE), min(seen.done, at + TRACE_AFTER + 1)
    wanted, output = seen.wanted(of), seen.machine.signal_named(of)
    values: list[float | None] = []
    here = seen.variants.get(ON_HOST, {}).get(output.name)
    if here is not None:
        values = [float(v) for v in as_doubles(here, output)[start:end]]
    elif wanted is not None:
        screen, _ = wanted.screen()
        values = [float(v) for v in screen[start:end]]
    events = [{"sample": e.sample, "name": seen.machine.events[e.kind].name} for e in seen.script.events
              if start <= e.sample < end]
    return {"signal": output.name, "unit": output.unit, "samples_from": start, "rate_hz": float(seen.rate_hz), "at": at,
            "wanted_is": "this computer" if here is not None else "wanted",
            "got": [float(v) for v in seen.doubles(of)[start:end]], "wanted": values, "events": events}
