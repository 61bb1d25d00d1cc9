"""What a long run says: verdict, how much was run, and the first wrong sample in words."""

from __future__ import annotations

from typing import Any

import numpy as np

from firmware_shim.engine import FLAG_KINDS
from firmware_shim.script_job import LongOutcome
from verify.claims.in_time import Judgement
from verify.heap_words import heap_words
from verify.judging.verdict import grouped
from verify.machines.long_places import counters
from verify.machines.long_reference import surely_wrong
from verify.machines.long_run import LongSeen
from verify.machines.machine import as_doubles
from verify.machines.running import Stand
from verify.number_formats import figure

NOT_REPEATING = ("give a period after which the machine repeats, or within=, or a reference and accurate(...) that judge "
                 "each period; of an oscillator, keeps_frequency(hours=24) judges the drift")
TRACE_BEFORE, TRACE_AFTER = 24, 8


def time_text(seconds: float) -> str:
    """A duration in the unit a person would use."""
    for size, unit in ((3600, "h"), (60, "min")):
        if seconds >= size:
            return f"{seconds / size:.4g} {unit}"
    return f"{seconds:.4g} s"


def rate_text(rate_hz: float) -> str:
    """48 kHz, 44.1 kHz, 500 Hz."""
    return f"{rate_hz / 1000:g} kHz" if rate_hz >= 1000 else f"{rate_hz:g} Hz"


def judged(stand: Stand, seen: LongSeen) -> tuple[Judgement, str, int]:
    """What the run says, how much of it was run in words, and the period (from 1) with which a failure comes, 0 for none."""
    run, script, claim = seen.result.runs[0], seen.script, seen.claim
    rate = float(stand.machine.sample_rates_hz[script.rate])
    found = Judgement()
    outcome = run.longer
    if outcome is None or (run.stop is not None and outcome.done == 0):
        if run.stop is not None and outcome is not None and run.stop.kind not in ("load", "not run"):
            found.note(1.0, max(0, run.stop.ordinal), True, run.stop.why, "that it goes on", f"{run.stop.kind} in period 1")
            return found, "nothing of it ended", 1
        why = run.stop.why if run.stop is not None else seen.result.load_problem
        return Judgement(facts=[f"the long run did not start: {why}"]), "nothing run", 0
    done = outcome.done * script.samples
    ran = f"{time_text(done / rate)} of {time_text(float(claim.hours * 3600))} at {rate_text(rate)} run"
    found.facts += [text for text in (seen.in_doubt, *dict.fromkeys(seen.why_no_ends)) if text]
    last = outcome.done
    if run.stop is not None:
        last += 1
        found.note(1.0, max(0, run.stop.ordinal), True, run.stop.why, "that it goes on",
                   f"{run.stop.kind} in period {grouped(last)}, after {time_text(done / rate)}")
        return found, ran, last
    if run.heap[0] and outcome.period < 0:
        found.note(1.0, run.heap[1], True, *heap_words(run.heap[0], run.heap[2]))
        return found, ran, last
    last = max(difference(found, stand, seen, outcome), events(found, stand, seen, outcome),
               memory_taken(found, seen, outcome, rate))
    if not found.valid:
        found.valid = max(0, outcome.done - 1 - max(0, outcome.base)) if outcome.base >= 0 else 0
        found.worst, found.at = outcome.worst, 0
        not_settled(found, stand, seen, outcome)
    found.facts.append(f"{grouped(outcome.done)} periods, {grouped(done)} samples at {rate_text(rate)}, each computed"
                       + (f" ({grouped(outcome.taken_up_at)} periods by earlier checks)" if outcome.taken_up_at else ""))
    how_it_ended(found, seen, outcome)
    return found, ran, last


def not_settled(found: Judgement, stand: Stand, seen: LongSeen, outcome: LongOutcome) -> None:
    """What stays open although nothing is wrong, and how outputs that do not repeat were judged."""
    count, period, sample = outcome.open_samples
    if count:
        found.open += 1
        found.facts.append(f"{grouped(count)} samples lie too near to the limit for the reference to tell, the first in "
                           f"period {grouped(period + 1)}, sample {sample}")
    machine = stand.machine
    if outcome.base < 0:
        found.open += 1
        found.facts.append(f"no two periods alike among the {grouped(outcome.done)} that ran")
    for output, repeats, ends in zip(machine.outputs, outcome.repeats, seen.ends, strict=True):
        if outcome.base < 0 or repeats or seen.claim.limit is not None:
            continue
        words = f"{output.name}: no two periods alike among the first {outcome.base + 1}"
        if ends is not None:
            found.facts.append(f"{words}; each was judged by the reference")
            continue
        found.open += 1
        unit = f" {output.unit}" if output.unit else ""
        found.facts.append(f"{words}, up to {outcome.worst:.3g}{unit} apart later on")
    free = any(ends is not None and not repeats for ends, repeats in zip(seen.ends, outcome.repeats, strict=True))
    if outcome.others and not free and not found.open:
        how = "within the limit" if seen.claim.limit is not None else "as right by the reference"
        found.facts.append(f"from period {grouped(outcome.first_other + 1)} on, {grouped(outcome.others)} periods have other "
                           f"bits, {how}")


def how_it_ended(found: Judgement, seen: LongSeen, outcome: LongOutcome) -> None:
    """Why the run ended before the stated hours, and what the next check can go on from."""
    if found.failing or outcome.done >= seen.all:
        return
    if seen.interrupted:
        why = "interrupted"
    elif outcome.done < seen.periods:
        why = "stopped by the clock; --thorough runs it to its end"
    else:
        why = "the budget of instrument time; --thorough runs it to its end"
    found.facts.append(why)
    if outcome.why_not_kept and outcome.done < seen.periods:
        found.facts.append(f"a later check starts again: {outcome.why_not_kept}")


def difference(found: Judgement, stand: Stand, seen: LongSeen, outcome: LongOutcome) -> int:
    """The first wrong sample; its period from 1, 0 for none."""
    if outcome.period < 0:
        return 0
    machine, script = stand.machine, seen.script
    rate = float(machine.sample_rates_hz[script.rate])
    output = machine.outputs[outcome.output]
    made = outcome.period * script.samples + outcome.sample
    ends = seen.ends[outcome.output]
    if outcome.by_reference and ends is not None:
        if not surely_wrong(ends, output, outcome.sample, outcome.got):
            found.open += 1
            found.facts.append(f"period {grouped(outcome.period + 1)}, sample {outcome.sample}: the exact reference does not "
                               "confirm that this is wrong, and the run ended there")
            return 0
        wanted = f"{figure(outcome.wanted)} {output.unit} by the reference, {ends.claim.label()}"
    elif outcome.period == outcome.base:
        wanted = f"{figure(outcome.wanted)} {output.unit}, as in the period before: no two were alike"
    else:
        wanted = f"{figure(outcome.wanted)} {output.unit}, as in {which(outcome.base + 1)}"
    found.note(abs(outcome.got - outcome.wanted), outcome.sample, True, f"{output.name} = {figure(outcome.got)}",
               wanted.replace("  ", " ").replace(" ,", ","),
               f"differs in period {grouped(outcome.period + 1)}, {time_text(made / rate)} after the start, when "
               f"{grouped(made)} samples had been made{near(seen, outcome)}")
    found.facts += counters(stand, outcome)
    return outcome.period + 1


def which(period: int) -> str:
    """the second period, the third, period 12."""
    words = {2: "the second period", 3: "the third period", 4: "the fourth period"}
    return words.get(period, f"period {period}")


def near(seen: LongSeen, outcome: LongOutcome) -> str:
    """Round numbers of samples or events that lie within the period of the difference, or just before it."""
    script = seen.script
    made = outcome.period * script.samples + outcome.sample
    counts = {len(script.events), *(sum(e.kind == kind for e in script.events) for kind in {e.kind for e in script.events})}
    words = []
    for bits, what in ((15, "int16"), (16, "uint16"), (24, "whole numbers in float"), (31, "int32"), (32, "uint32")):
        if outcome.period <= outcome.base + 2:
            continue
        if -2 <= made - 2**bits <= 2 * script.samples:
            words.append(f"2^{bits} samples ({what})")
        for events in counts - {0}:
            if 0 <= outcome.period * events - 2**bits + events <= 2 * events:
                words.append(f"2^{bits} events ({what})")
    return f"; near {', '.join(dict.fromkeys(words))}" if words else ""


def events(found: Judgement, stand: Stand, seen: LongSeen, outcome: LongOutcome) -> int:
    """Events inside that the periods up to the one compared with did not raise, as far as no_hidden_events watches them."""
    rate, last = float(stand.machine.sample_rates_hz[seen.script.rate]), 0
    watching = [claim for claim in stand.machine.claims if claim.name == "no_hidden_events"]
    watched = {kind for claim in watching for kind in getattr(claim, "kinds", ())}
    for kind, (period, sample) in sorted(outcome.flags.items()):
        if period <= max(1, outcome.base):
            continue
        since = time_text((period * seen.script.samples + sample) / rate)
        words = f"{FLAG_KINDS[kind]} in period {grouped(period + 1)}, {since} after the start"
        if kind not in watched:
            found.facts.append(words)
            continue
        found.note(1.0, sample, True, f"{FLAG_KINDS[kind]} inside", "no event that the first periods do not have", words)
        last = max(last, period + 1)
    return last


def trace_of(stand: Stand, seen: LongSeen, found: Judgement) -> dict[str, Any] | None:
    """Samples of the failing period around the failure, beside those of the period that it should be like."""
    run, machine = seen.result.runs[0], stand.machine
    outcome = run.longer
    if outcome is None or outcome.period < 0 or run.again is None:
        return None
    of = machine.outputs[outcome.output]
    rows = [as_doubles(np.asarray(row[outcome.output]), of) for row in (run.outputs, run.again)]
    got = rows[outcome.period & 1 if outcome.period <= outcome.base or outcome.base < 0 else (outcome.base & 1) ^ 1]
    wanted = rows[(outcome.base & 1) ^ (outcome.period == outcome.base)]
    ends = seen.ends[outcome.output]
    if outcome.by_reference and ends is not None:
        wanted = (ends.out_low + ends.out_high) / 2
    start, end = max(0, found.at - TRACE_BEFORE), min(len(got), found.at + TRACE_AFTER + 1)
    near_by = [{"sample": e.sample, "name": machine.events[e.kind].name} for e in seen.script.events
               if start <= e.sample < end]
    return {"signal": of.name, "unit": of.unit, "samples_from": start, "at": found.at,
            "rate_hz": float(machine.sample_rates_hz[seen.script.rate]), "got": [float(v) for v in got[start:end]],
            "wanted": [float(v) for v in wanted[start:end]], "events": near_by}


def memory_taken(found: Judgement, seen: LongSeen, outcome: LongOutcome, rate: float) -> int:
    """Memory taken after init, once hours have gone by; in the first periods other claims see it."""
    period, sample = outcome.late
    if period <= max(1, outcome.base):
        return 0
    since = time_text((period * seen.script.samples + sample) / rate)
    found.note(1.0, sample, True, "memory was allocated", "no allocation after init",
               f"allocation in period {grouped(period + 1)}, {since} after the start")
    return period + 1
