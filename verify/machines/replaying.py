"""Replaying scripts: the time table, every claim's judgement, and the trajectory around what fails."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from firmware_shim.crew import Crew
from firmware_shim.engine import FLAG_KINDS
from verify.binding import Bench
from verify.claims.in_time import Judgement
from verify.claims.interrupted import SafeWhenInterruptedBy
from verify.claims.long_run import KeepsGoing
from verify.machines.check import claims_in, stand_of
from verify.machines.explaining import trace
from verify.machines.interruptions import interrupted
from verify.machines.judging import judge
from verify.machines.long_judging import judged, trace_of
from verify.machines.long_run import LongBudget, long_run
from verify.machines.machine import Machine
from verify.machines.observation import Observation
from verify.machines.periods import period_script
from verify.machines.pinning import pinned
from verify.machines.running import Stand, observe
from verify.machines.script import Script, format_script, table
from verify.progress import ProgressLine
from verify.reports.pictures_of_traces import picture
from verify.reports.terminal import wrapped


@dataclass(frozen=True)
class Asked:
    """One script to replay."""

    machine: Machine
    script: Script


MODE = "a change of the floating-point mode"


def replayed_script(asked: Asked, benches: Sequence[Bench], crew: Crew, width: int) -> tuple[list[str], bool]:
    """Lines for one script in every build, and whether a claim fails again."""
    machine, failed = asked.machine, False
    lines = ["", f"{machine.name}  {format_script(asked.script, machine)}"[:200]]
    for number, text in enumerate(table(asked.script, machine)):
        lines.append(f"  {'script' if number == 0 else '':<8}{text}"[:width])
    for bench in benches:
        assert bench.built is not None
        stand = stand_of(machine, bench.built)
        claims = claims_in(machine, bench.build)
        if asked.script.times > 1:
            told, wrong = replayed_long(asked, stand, [c for c in claims if isinstance(c, KeepsGoing)], crew, width)
            lines, failed = lines + told, failed or wrong
            continue
        middle = [c for c in claims if isinstance(c, SafeWhenInterruptedBy)]
        told, wrong = replayed_interruption(asked, stand, middle, crew, width)
        claims = [claim for claim in claims if claim not in middle]
        words = [word for claim in claims for word in getattr(claim, "variants", ())]
        words += ["again"] if any(claim.name == "deterministic" for claim in claims) else []
        variants = () if bench.build.endswith("strict") else tuple(dict.fromkeys(words))
        for seen in observe(stand, [asked.script], crew, variants):
            lines += ["", f"  {bench.build}"]
            lines += facts(seen, width)
            for claim in claims:
                found = pinned(claim, stand, asked.script, judge(claim, seen), crew)
                failed |= found.failing > 0
                if seen.rows is not None and not found.valid and not found.failing:
                    continue
                lines += claim_lines(claim.label(), found, seen, getattr(claim, "of", ""), width)
        lines, failed = lines + told, failed or wrong
    return lines, failed


def replayed_interruption(asked: Asked, stand: Stand, claims: Sequence[SafeWhenInterruptedBy], crew: Crew,
                          width: int) -> tuple[list[str], bool]:
    """The stretch at a script's last event, with that event before each of its instructions; and whether a claim fails."""
    lines, failed = [], False
    for claim in claims:
        events = asked.script.events
        if not events or stand.machine.events[events[-1].kind].name != claim.setter:
            lines += wrapped("-", f"{claim.label()}: says nothing, the script does not end with {claim.setter!r}", width)
            continue
        short = replace(asked.script, samples=events[-1].sample + 1)
        whole = interrupted(stand, claim, crew, [short])
        for _, found in whole.found:
            failed |= found.failing > 0
            word = "FAILS" if found.failing else "holds" if found.valid else "-"
            lines += wrapped(word, claim.label() + (f": {found.error}" if found.failing else ""), width)
            if found.failing:
                lines += wrapped("", f"got {found.got}, wanted {found.wanted}", width)
        for text in whole.facts:
            lines += wrapped("", text, width)
    return lines, failed


def replayed_long(asked: Asked, stand: Stand, claims: Sequence[KeepsGoing], crew: Crew, width: int) -> tuple[list[str], bool]:
    """As many periods as the script says, from the start, by each claim whose period it is; and whether one fails."""
    lines, failed = [], False
    for claim in claims:
        if replace(period_script(stand.machine, claim), times=asked.script.times) != asked.script:
            continue
        progress = ProgressLine()
        budget = LongBudget(asked.script.times * float(claim.every_seconds), witnesses={claim.label(): asked.script.times})
        seen = long_run(stand, claim, crew, progress, budget)
        progress.clear()
        found, ran, _ = judged(stand, seen)
        failed |= found.failing > 0
        lines += ["", f"  {stand.build}", *wrapped("ran", ran, width)]
        for text in found.facts:
            lines += wrapped("", text, width)
        word = "FAILS" if found.failing else "OPEN" if found.open else "holds"
        lines += wrapped(word, claim.label() + (f": {found.error}" if found.failing else ""), width)
        if found.failing:
            lines += wrapped("", f"got {found.got}, wanted {found.wanted}, at sample {found.at} of the period", width)
            shown = trace_of(stand, seen, found)
            lines += [f"          {text}"[:width] for text in (picture(shown) if shown is not None else [])]
    if not lines and stand.build == "host":
        lines = wrapped("-", "no keeps_going of the present sheet has this period", width)
    return lines, failed


def facts(seen: Observation, width: int) -> list[str]:
    """Last samples, flags, stop."""
    lines = []
    for output in seen.machine.outputs:
        y = seen.doubles(output.name)
        shown = ", ".join(f"{value:.9g}" for value in y[-3:])
        lines += wrapped("last", f"{output.name}: {shown} {output.unit} after {seen.done} samples", width)
    for kind, sample in sorted(seen.flags.items()):
        lines += wrapped("event", f"{(*FLAG_KINDS, MODE)[kind]} at sample {sample}", width)
    if seen.stop is not None:
        lines += wrapped("stop", f"{seen.stop.kind} at sample {seen.stop.ordinal}: {seen.stop.why}", width)
    return lines


def claim_lines(label: str, found: Judgement, seen: Observation, of: str, width: int) -> list[str]:
    """One claim: holds, fails with got and wanted, or nothing to judge."""
    if found.failing:
        lines = wrapped("FAILS", f"{label}: {found.error}", width)
        lines += wrapped("", f"got {found.got}, wanted {found.wanted}, at sample {found.at}", width)
        if seen.rows is not None:
            return lines
        return lines + [f"          {text}"[:width] for text in picture(trace(seen, of, found.at))]
    word = "OPEN" if found.open else "holds" if found.valid else "-"
    return wrapped(word, label + ("" if found.valid else ": says nothing"), width)
