"""A record as text for a terminal of a given width. Meaning never rests on colour."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable
from typing import Any

from verify.judging.verdict import grouped
from verify.reports.budgets import text_lines
from verify.reports.pictures_of_traces import picture
from verify.reports.record import overall, says_where

MOST_HUNTED = 6
# Why a flag was left out, as the record says it of warnings.
MESSAGES_ONLY = "changes messages only"
MARKS = {"holds": "ok", "fails": "FAILS", "undecided": "OPEN", "vacuous": "VACUOUS", "blocked": "BLOCKED"}
COLOURS = {"holds": "32", "fails": "31;1", "undecided": "33", "vacuous": "33", "blocked": "33"}
LABEL = 8


def paint(text: str, verdict: str, colour: bool) -> str:
    """Text in the verdict's colour, if colour is wanted."""
    return f"\x1b[{COLOURS[verdict]}m{text}\x1b[0m" if colour else text


def wrapped(label: str, text: str, width: int) -> list[str]:
    """A labelled line, continued under itself."""
    indent = " " * (LABEL + 2)
    body = textwrap.wrap(text, max(20, width - LABEL - 2), break_long_words=False, break_on_hyphens=False) or [""]
    if len(label) >= LABEL:
        return [f"  {label}", *(indent + line for line in body)]
    return [f"  {label:<{LABEL}}{body[0]}", *(indent + line for line in body[1:])]


def strength_text(claim: dict[str, Any]) -> str:
    """every value, or how many inputs (scripts of a machine) were tried."""
    strength = claim["strength"]
    if claim.get("ran"):
        return str(claim["ran"])
    what = " scripts" if "scripts" in claim else ""
    return "every value" if strength["kind"] == "every value" else f"{grouped(strength['count'])}{what} tried"


def least_tried(claims: Iterable[dict[str, Any]]) -> dict[str, Any] | None:
    """The claim with the weakest strength: every value is stronger than any number of inputs tried."""
    return min(claims, default=None,
               key=lambda claim: (claim["strength"]["kind"] == "every value", claim["strength"]["count"]))


def weakest_holding(routine: dict[str, Any]) -> dict[str, Any] | None:
    """The claim that holds by the least."""
    return least_tried(claim for claim in routine["claims"] if claim["verdict"] == "holds")


def tail_of(routine: dict[str, Any]) -> str:
    """Worst error of the claim that shows most, with its limit, and how far it reaches; else the weakest strength."""
    claim = shown_claim(routine)
    if claim is not None:
        return f"worst {worst_text(routine)}; {strength_text(claim)}"
    weakest = weakest_holding(routine)
    unsaid = ", no reference" if routine.get("reference") == "" else ""
    return f"{len(routine['claims'])} claims{unsaid}; {strength_text(weakest)}" if weakest else "nothing judged"


def shown_claim(routine: dict[str, Any]) -> dict[str, Any] | None:
    """The accuracy claim that was tried least; without one, the first that has a worst and a limit, a failing one before."""
    listed = [claim for claim in routine["claims"] if claim["worst"] and claim["limit"]]
    other = sorted(listed, key=lambda claim: claim["verdict"] != "fails")
    return least_tried(c for c in listed if c["claim"] == "accurate") or next(iter(other), None)


def worst_text(routine: dict[str, Any]) -> str:
    """-0.0003 of 0.1 cents; of another claim with its name: 0.42 dB, gain_at(0.2 dB at 10 frequencies)."""
    claim = shown_claim(routine)
    if claim is None:
        return ""
    if claim["claim"] != "accurate":
        return f"{claim['worst']['text']}, {claim['label']}"
    limit = claim["limit"].partition("=")[2]
    value, _, unit = claim["worst"]["text"].partition(" ")
    return f"{value} of {limit} {unit}".rstrip()


def routine_line(routine: dict[str, Any], width: int, colour: bool) -> list[str]:
    """One line per routine; a second one only where the first would be too long."""
    verdict = overall([claim["verdict"] for claim in routine["claims"]])
    count = len(routine["claims"])
    mark = paint(f"{MARKS[verdict]:<8}", verdict, colour)
    if verdict == "holds":
        tail = tail_of(routine)
    else:
        bad = list(dict.fromkeys(claim["label"].split("(")[0] for claim in routine["claims"] if claim["verdict"] == verdict))
        tail = f"{len(bad)} of {count} claims: {', '.join(bad)}"
    room = width - 36
    if len(tail) > room and verdict == "holds":
        tail = tail.removeprefix("worst ")
        # Never "tried": what was sampled shall not look like a proof.
        for less in (" full scale", r"\(.*\)", r"(?<= scripts) tried", r", \w+(?=;)"):
            tail = re.sub(less, "", tail) if len(tail) > room else tail
    elif len(tail) > room:
        tail = tail[: room - 3] + "..."
    name = routine["name"]
    if len(name) > 25:
        return [f"  {mark}{name}", " " * 36 + tail]
    return [f"  {mark}{name:<25} {tail}"]


def value_line(entry: dict[str, Any]) -> str:
    """name = 0.015625 V   0x1p-6   bits 0x3c800000."""
    raw = f"   raw {entry['raw']}" if "raw" in entry else ""
    unit = f" {entry['unit']}" if entry["unit"] else ""
    return f"{entry['name']} = {entry['value']}{unit}{raw}   {entry['hex']}   bits {entry['bits']}"


def worst_place(claim: dict[str, Any]) -> str:
    """-0.7366 cents at volts = 3.2083 V: the largest error of a claim of accuracy, "" of another one."""
    worst = claim["worst"]
    if not worst or claim["claim"] != "accurate" or not worst["at"]:
        return ""
    return f"{worst['text']} at " + ", ".join(f"{i['name']} = {i['value']} {i['unit']}".strip() for i in worst["at"])


def failure_lines(routine: dict[str, Any], claim: dict[str, Any], width: int, colour: bool) -> list[str]:
    """The four-part message of one failing claim."""
    head = f"{MARKS['fails']}  {routine['name']}  {claim['label']}"
    lines = ["", paint(head, "fails", colour)]
    lines += wrapped("where", f"{routine['place']}; {routine['definition']} {routine['prototype']}", width)
    what = "periods" if claim.get("ran") else "scripts" if "scripts" in claim else "inputs"
    lines += wrapped("", f"build {claim['build']}, {claim['strength']['kind']}, "
                         f"{grouped(claim['strength']['count'])} {what}", width)
    witness = claim["witness"]
    if witness and "table" in witness:
        lines += script_lines(claim, witness, width)
    elif witness:
        for number, entry in enumerate(witness["inputs"]):
            lines += wrapped("input" if number == 0 else "", value_line(entry), width)
        if witness["got"]:
            lines += wrapped("got", value_line(witness["got"]).replace("result = ", "", 1), width)
        if witness["wanted"]:
            lines += wrapped("wanted", witness["wanted"], width) + given_lines(witness, width)
        if witness["error"]:
            lines += wrapped("error", witness["error"], width)
    if worst_place(claim):
        lines += wrapped("worst", worst_place(claim), width)
    if claim.get("extent"):
        lines += wrapped("extent", claim["extent"], width)
    if claim.get("nearby"):
        lines += wrapped("ends", claim["nearby"], width)
    for text in [*claim.get("systematic", []), *claim["facts"]]:
        lines += wrapped("", text, width)
    lines += wrapped("limit", f"{claim['limit'] or claim['label']}: {claim['because']}", width)
    if witness:
        lines += wrapped("do", witness["replay"], width)
    return lines


def given_lines(witness: dict[str, Any], width: int) -> list[str]:
    """The constants of the reference that says what was wanted, in its own words."""
    return wrapped("", f"with {witness['with']}", width) if witness.get("with") else []


def script_lines(claim: dict[str, Any], witness: dict[str, Any], width: int) -> list[str]:
    """A machine's witness: the script as a time table, what came, and the trajectory around it."""
    lines = []
    for number, text in enumerate(witness["table"]):
        head = f"  {'script' if number == 0 else '':<{LABEL}}"
        # Never cut: a number without its last digits is another number.
        parts = textwrap.wrap(text, width - len(head), subsequent_indent=" " * 24, drop_whitespace=False) or [""]
        lines += [(head if k == 0 else " " * len(head)) + part.rstrip() for k, part in enumerate(parts)]
    for label, key in (("got", "got_text"), ("wanted", "wanted"), ("error", "error")):
        if witness[key]:
            lines += wrapped(label, witness[key], width)
        if key == "wanted":
            lines += given_lines(witness, width)
    if claim.get("trace"):
        lines += [f"  {'' :<{LABEL}}{text}"[:width] for text in picture(claim["trace"])]
    return lines


def open_lines(routine: dict[str, Any], claim: dict[str, Any], width: int, colour: bool) -> list[str]:
    """A claim that is neither right nor wrong, and what to do."""
    verdict = claim["verdict"]
    lines = ["", paint(f"{MARKS[verdict]}  {routine['name']}  {claim['label']}", verdict, colour)]
    lines += wrapped("where", f"{routine['place']}, build {claim['build']}", width)
    lines += wrapped("why", claim["verdict_text"], width)
    for text in claim["facts"]:
        lines += wrapped("", text, width)
    unanswered = any(text.startswith("the reference has no answer") for text in claim["facts"])
    todo = "give the reference what it asks for: see constants=... in the sheet" if unanswered else {
        "undecided": "move the limit off the values it ties with, or raise the budget with --thorough",
        "vacuous": "give it inputs that can be judged (a wider range, results that are numbers), or drop the claim",
        "blocked": "mend what keeps it from running, then check again",
    }[verdict]
    return lines + wrapped("do", claim.get("todo") or todo, width)


def together(entries: list[dict[str, Any]], same: tuple[str, ...]) -> list[dict[str, Any]]:
    """Entries that differ in their build only become one, with the builds joined."""
    found: list[dict[str, Any]] = []
    for entry in entries:
        twin = next((known for known in found if all(known[key] == entry[key] for key in same)), None)
        if twin is None:
            found.append(dict(entry))
        else:
            twin["build"] += f" and {entry['build']}"
    return found


def heading(record: dict[str, Any], width: int) -> list[str]:
    """Title, note, builds with their flags."""
    title = record["title"] or record["sheet"]
    lines = [f"preflash {record['environment']['tool']}   {title}"]
    if record["note"]:
        lines += textwrap.wrap(record["note"], width)
    for name, build in record["environment"]["builds"].items():
        library = f", {build['c_library']}" if build.get("other_library") else ""
        lines += wrapped(name, f"{build['compiler']}{library}, {' '.join(build['flags'])}", width)
    dropped = [pair for build in record["environment"]["builds"].values() for pair in build["flags_dropped"]]
    messages = [flag for flag, why in dropped if why == MESSAGES_ONLY]
    parts = [([flag for flag, why in dropped if why != MESSAGES_ONLY], "target options, not for this host"),
             (messages, "messages only")]
    if dropped:
        texts = [f"{' '.join(dict.fromkeys(flags))} ({why})" for flags, why in parts if flags]
        lines += wrapped("dropped", ", ".join(texts), width)
    return [*lines, ""]


def blocked_lines(record: dict[str, Any], width: int) -> list[str]:
    """What kept builds from running, each with where, why and what to do."""
    lines = []
    for problem in together(record["blocked_builds"], ("code", "what", "where", "why")):
        lines.append(f"{MARKS['blocked']}  build {problem['build']}: {problem['what']}  [{problem['code']}]")
        for label in ("where", "why", "do"):
            lines += wrapped(label, problem[label], width)
    return lines


def unwell_lines(record: dict[str, Any], width: int, colour: bool) -> list[str]:
    """The line of each routine of which something fails, is open or met nothing; blocked ones have their builds' lines."""
    unwell = [routine for routine in record["routines"]
              if {claim["verdict"] for claim in routine["claims"]} & {"fails", "undecided", "vacuous"}]
    return [line for routine in unwell for line in routine_line(routine, width, colour)]


def nothing_ran(record: dict[str, Any]) -> bool:
    """Whether every claim is blocked: such a record says nothing of the firmware."""
    return {claim["verdict"] for routine in record["routines"] for claim in routine["claims"]} == {"blocked"}


def render(record: dict[str, Any], width: int = 80, colour: bool = False, *, brief: bool = False,
           closing: bool = True) -> str:
    """The whole record as text. brief: after another record, without builds and flags; closing: with what was not checked."""
    lines = [record["title"] or record["sheet"]] if brief else heading(record, width)
    if record["blocked_builds"]:
        lines += ["", *blocked_lines(record, width), ""]
    blocked = {problem["build"] for problem in record["blocked_builds"]}
    for routine in record["routines"]:
        lines += routine_line(routine, width, colour)
    for routine in record["routines"]:
        lines += text_lines(routine, width)
        for number, text in enumerate(routine["notes"]):
            lines += [] if number or lines[-1] == "" else [""]
            lines += wrapped("note", f"{routine['name']}: {text}", width)
        if routine["printed"]:
            lines += wrapped("printed", f"{routine['name']}: {routine['printed']!r}", width)
        for claim in together(routine["claims"], ("label", "verdict", "witness")):
            if claim["verdict"] == "fails":
                lines += failure_lines(routine, claim, width, colour)
            elif claim["verdict"] == "blocked" and set(claim["build"].split(" and ")) <= blocked:
                continue
            elif claim["verdict"] != "holds":
                lines += open_lines(routine, claim, width, colour)
    return "\n".join([*lines, "", *summary(record, width, colour, closing=closing)]) + "\n"


def counts_text(routines: list[dict[str, Any]]) -> str:
    """3 routines (2 ok, 1 FAILS), 24 claims."""
    verdicts = [overall([claim["verdict"] for claim in routine["claims"]]) for routine in routines]
    counts = [f"{verdicts.count(word)} {MARKS[word]}" for word in MARKS if verdicts.count(word)]
    claims = sum(len(routine["claims"]) for routine in routines)
    many = "s" * (len(verdicts) != 1)
    return f"{len(verdicts)} routine{many} ({', '.join(counts) or 'none finished'}), {claims} claims"


def evidence_text(evidence: dict[str, Any]) -> str:
    """What was taken from earlier runs and what was hunted again, "" where nothing was at hand."""
    kept, hunted = evidence.get("kept", []), evidence.get("hunted", [])
    if not kept:
        return ""
    names = dict.fromkeys(name for name, _ in hunted)
    told = [f"{name} ({', '.join(build for one, build in hunted if one == name)})" for name in names]
    again = f"hunted now: {', '.join(told[:MOST_HUNTED])}" if told else "nothing had to be hunted"
    more = f" and {len(told) - MOST_HUNTED} more" * (len(told) > MOST_HUNTED)
    return f"evidence: {len(kept)} of {len(kept) + len(hunted)} from earlier runs (a part of it repeated), {again}{more}"


def summary(record: dict[str, Any], width: int, colour: bool, *, closing: bool = True) -> list[str]:
    """The closing lines: how many hold, and what was not checked."""
    verdicts = [overall([claim["verdict"] for claim in routine["claims"]]) for routine in record["routines"]]
    text = f"{counts_text(record['routines'])}, {record['seconds']:.1f} s"
    lines = [paint(text, overall(verdicts), colour)]
    if record["interrupted"]:
        lines.append("interrupted: routines that are not listed were not finished; what was learned is kept")
    lines += textwrap.wrap(evidence_text(record.get("evidence", {})), width)
    if not closing:
        return lines
    first, *others = record["not_checked"] or [""]
    if says_where(first):
        lines += textwrap.wrap(first, width)
    else:
        others = [first, *others]
    return lines + textwrap.wrap("not checked: " + "; ".join(others), width)
