"""The outcome of a challenge in words: the score, each edit that nobody noticed, and which claim would have."""

from __future__ import annotations

import math
import textwrap
from typing import Any

from verify.challenge import CAUGHT, EQUIVALENT, MISSED, NO_CODE, Answer, Challenge
from verify.challenge_machines import Outcome
from verify.claims.accurate import Accurate
from verify.judging.verdict import grouped
from verify.mutants import Parsed
from verify.old_and_new import Difference
from verify.reports.terminal import wrapped

COSTLY = ("f suffix dropped", "cast dropped")


def suggestion(answer: Answer) -> str:
    """Which claim would have noticed, as far as the outputs tell."""
    if not answer.routines:
        return f"describe {answer.mutant.function or 'what uses it'} in the sheet, or a routine that calls it"
    different = [d for d in answer.differences if d.differing or d.one_sided]
    moved = [found for found in answer.machines if found.differing]
    if not different and moved:
        return "; ".join(in_time(found) for found in moved[:2])
    if not different and answer.machines:
        return "no script brings it out: claims ask for scripts of their own (time_to, settles, ends_at_zero, hostile=True)"
    if not different:
        if answer.mutant.kind in COSTLY:
            return "no output differs where it was tried, its cost may; -Werror=double-promotion in flags refuses it"
        bounds = [d.bound for d in answer.differences if d.bound is not None]
        if any(all(claim.name != "clamps" for claim in bound.routine.claims) for bound in bounds):
            return "no output differs where it was tried: outside of the range it may; clamps(...) would look there"
        return "no output differs where it was tried"
    return "; ".join(sharper(d) for d in different[:2])


def sharper(found: Difference) -> str:
    """The claim of a routine that would notice a difference of this size."""
    assert found.bound is not None
    if math.isinf(found.worst):
        return f"{found.routine}: a result becomes of another kind (NaN, infinite, none, or no pitch); clamps or finite"
    size = f"{abs(found.worst):.3g} {found.unit}".strip()
    share = f"{grouped(found.differing)} of {grouped(found.compared)} outputs differ, by at most {size}"
    for claim in found.bound.routine.claims:
        if isinstance(claim, Accurate):
            return f"{found.routine}: {share}; {claim.label()} allows that, a limit nearer to its worst error would not"
    return f"{found.routine}: {share}; accurate(...) with a reference would notice"


def in_time(found: Outcome) -> str:
    """The claim of a machine that would notice outputs of this difference."""
    size = max((size for size, _ in found.measured.values()), default=0.0)
    if math.isinf(size):
        return f"{found.machine}: a sample is no number any more; finite or stays_within"
    if not size:
        return f"{found.machine}: other scripts or runs differ in what no claim here is about (a stop, a flag, another build)"
    claims = [claim for claim in found.claims if isinstance(claim, Accurate)]
    if claims and claims[0].metric == "absolute" and size > claims[0].limit:
        return f"{found.machine}: {claims[0].label()} allows that where a decision may fall either way (the reference's band)"
    if claims:
        return f"{found.machine}: {claims[0].label()} allows that, a limit nearer to its worst error would not"
    return f"{found.machine}: accurate(...) with a reference would notice"


def score_text(found: Challenge) -> str:
    """The score in one line."""
    counted = found.count(CAUGHT) + found.count(MISSED)
    if found.score is None:
        return "score: none, no edit could matter"
    return f"score: {found.count(CAUGHT)} of {counted} noticed, {math.floor(1000 * found.score) / 10:g} %"


def render(found: Challenge, parsed: dict[Any, Parsed], width: int) -> list[str]:
    """The whole outcome."""
    lines = []
    for answer in found.answers:
        if answer.fate == MISSED:
            lines += [*missed_lines(answer, parsed[answer.mutant.source].text, width), ""]
    part = f" of {found.possible} possible" if len(found.answers) < found.possible else ""
    tried = f"{len(found.answers)} edits{part}"
    equivalent = [a for a in found.answers if a.fate == EQUIVALENT]
    same = sum(a.why == "the same code" for a in equivalent)
    text = (f"{tried}: {found.count(CAUGHT)} noticed, {found.count(MISSED)} not, {len(equivalent)} equivalent ({same} the "
            f"same code, {len(equivalent) - same} bit-identical over every value), {found.count(NO_CODE)} do not compile")
    lines += wrapped("tried", text, width)
    if found.unable:
        text = f"these do not hold on the C as it is, and notice nothing: {'; '.join(found.unable)}"
        lines += wrapped("unable", text, width)
    if found.interrupted:
        lines += wrapped("", "interrupted: the rest was not tried", width)
    return [*lines, score_text(found)]


def missed_lines(answer: Answer, text: bytes, width: int) -> list[str]:
    """One edit that no claim noticed, with its place and diff."""
    mutant = answer.mutant
    before, after = mutant.diff(text)
    inside = f" in {mutant.function}" if mutant.function else ""
    lines = [f"NOT NOTICED  {mutant.source.name}:{mutant.line}{inside}: {mutant.kind}"]
    for sign, part in (("-", before), ("+", after)):
        for line in part:
            lines += textwrap.wrap(line.strip(), width, initial_indent=f"  {sign} ", subsequent_indent=" " * 8)
    whole = bool(answer.differences) and all(d.every_value for d in answer.differences)
    in_scripts = "; ".join(found.text() for found in answer.machines)
    compared = "every value was compared" if whole else "not every value was compared with the original"
    seen = answer.why or in_scripts or compared
    return [*lines, *wrapped("seen", seen, width), *wrapped("try", suggestion(answer), width)]


def as_data(found: Challenge, parsed: dict[Any, Parsed]) -> dict[str, Any]:
    """The outcome for a file: sorted as tried, with texts only."""
    answers = []
    for answer in found.answers:
        mutant = answer.mutant
        before, after = mutant.diff(parsed[mutant.source].text)
        entry = {"file": mutant.source.name, "line": mutant.line, "function": mutant.function, "kind": mutant.kind,
                 "before": [line.strip() for line in before], "after": [line.strip() for line in after],
                 "fate": answer.fate, "noticed_by": answer.claim, "why": answer.why}
        if answer.fate == MISSED:
            entry["suggestion"] = suggestion(answer)
        answers.append(entry)
    counts = {fate: found.count(fate) for fate in (CAUGHT, MISSED, EQUIVALENT, NO_CODE)}
    return {"format": 1, "score": found.score, "counts": counts, "possible": found.possible, "unable": found.unable,
            "interrupted": found.interrupted, "edits": answers}
