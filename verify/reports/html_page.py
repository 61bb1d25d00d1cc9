"""A record as one self-contained HTML page. It computes nothing: all numbers are the record's."""

from __future__ import annotations

from html import escape
from pathlib import Path
from typing import Any

from verify.reports import budgets
from verify.reports.html_assets import SCRIPT, STYLE
from verify.reports.html_costs import bars, costs_of, counted_of
from verify.reports.html_plots import envelope, trajectory
from verify.reports.html_responses import responses
from verify.reports.record import is_cost, overall, says_where
from verify.reports.terminal import failure_lines, open_lines, shown_claim, strength_text, weakest_holding, worst_text
from verify.whole_files import save_text

MARKS = {"holds": "✓", "fails": "✗", "undecided": "?", "vacuous": "-", "blocked": "■"}
WORDS = {"holds": "holds", "fails": "FAILS", "undecided": "open", "vacuous": "nothing judged", "blocked": "blocked"}
WIDTH = 1 << 20  # the browser breaks lines
LABELS = 10  # columns of a label in the terminal's messages
CAUTION = ("First power-up of new firmware: at low volume and not on headphones (listening limits: WHO-ITU H.870). A "
           "voltage out of range can harm other gear; disconnect before you rewire. Local electrical rules and qualified "
           "people come first.")


INTERRUPTED = ('<p class="note"><b>Interrupted.</b> Routines that are not listed were not finished; the whole record of '
               "before stands beside this one.</p>")
ORDER = ("fails", "other", "holds")


def kind(verdict: str) -> str:
    """CSS class of a verdict."""
    return verdict if verdict in ("holds", "fails") else "other"


def verdict_html(verdict: str) -> str:
    """A verdict as mark and word: never by colour alone."""
    mark = f'<span class="mark" aria-hidden="true">{MARKS[verdict]}</span>'
    return f'<span class="{kind(verdict)}">{mark}{WORDS[verdict]}</span>'


def cost_page(record: dict[str, Any]) -> str:
    """The page of a record that preflash cost wrote."""
    lost = "".join(f'<p class="note">{escape(entry["name"])}: {escape(entry["problem"] or "no call came back")}</p>'
                   for entry in record["routines"] if not entry["counted"])
    about = f"{record['core']}, {record['compiler']}, {' '.join(record['flags'])}"
    table = f"Cycles are estimated, from: {record['cycle_table']['source']}; {record['cycle_table']['uncertainty']}."
    return (f"{beginning('Cost: ' + str(record['sheet']))}<header><h1>Cost: {escape(record['sheet'])}</h1>"
            f'<p class="small soft">{escape(about)}</p></header><main>{bars(counted_of(record))}{lost}'
            f'<p class="small soft">{escape(table)}</p></main></body></html>\n')


def beginning(title: str) -> str:
    """Head of a page, up to its body."""
    return ('<!doctype html>\n<html lang="en"><head><meta charset="utf-8">\n'
            '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
            f"<title>{escape(title)}: preflash report</title><style>{STYLE}</style></head><body>")


def page(record: dict[str, Any]) -> str:
    """The whole page."""
    title = record["title"] or record["sheet"]
    verdicts = ranked(record)
    parts = [
        beginning(title),
        f"<header><h1>{escape(title)}</h1>",
        f'<p class="soft">{escape(record["note"])}</p>' if record["note"] else "",
        f'<p class="small soft">Sheet {escape(record["sheet"])}, {escape(moment(record))}, preflash '
        f'{escape(str(record["environment"]["tool"]))}, {record["seconds"]:.1f} s'
        "</p></header><main>",
        INTERRUPTED if record["interrupted"] else "",
        summary(verdicts), unchecked(record), blocked(record), index(verdicts),
        bars(costs_of(record)),
    ]
    parts += [section(number, routine, verdict) for number, (routine, verdict) in enumerate(verdicts)]
    parts += [built(record), f'<p class="note small"><b>Caution.</b> {escape(CAUTION)}</p>', "</main>",
              f"<script>{SCRIPT}</script></body></html>"]
    return "\n".join(part for part in parts if part) + "\n"


def moment(record: dict[str, Any]) -> str:
    """When it was checked, as people write it."""
    day, _, clock = str(record["started"]).partition("T")
    return f"{day} {clock[:5]} UTC" if clock.endswith("+00:00") else str(record["started"])


def ranked(record: dict[str, Any]) -> list[tuple[dict[str, Any], str]]:
    """Each routine with its verdict, in the order of the page: what fails first."""
    found = [(routine, overall([claim["verdict"] for claim in routine["claims"]])) for routine in record["routines"]]
    return sorted(found, key=lambda pair: ORDER.index(kind(pair[1])))


def summary(verdicts: list[tuple[dict[str, Any], str]]) -> str:
    """How many routines hold, fail, are open."""
    cells = []
    for word in WORDS:
        count = sum(verdict == word for _, verdict in verdicts)
        if count:
            cells.append(f"<span><b>{count}</b>{verdict_html(word)}</span>")
    claims = sum(len(routine["claims"]) for routine, _ in verdicts)
    return f'<div class="tally">{"".join(cells)}<span class="soft">{claims} claims</span></div>'


def unchecked(record: dict[str, Any]) -> str:
    """What was not checked."""
    own = [text for text in record["not_checked"] if says_where(text)]
    listed = "; ".join(escape(text) for text in record["not_checked"] if text not in own)
    said = "".join(f"<b>{escape(text[0].upper() + text[1:])}.</b> " for text in own)
    return f'<p class="note small">{said}<b>Not checked:</b> {listed}.</p>'


def blocked(record: dict[str, Any]) -> str:
    """Builds that could not be run."""
    texts = [f"build {b['build']}: {b['what']}  [{b['code']}]\n  where  {b['where']}\n  why    {b['why']}\n  do     {b['do']}"
             for b in record["blocked_builds"]]
    return "".join(f"<pre>{escape(text)}</pre>" for text in texts)


def index(verdicts: list[tuple[dict[str, Any], str]]) -> str:
    """One row per routine, linked."""
    rows = []
    for number, (routine, verdict) in enumerate(verdicts):
        judged = routine if verdict == "holds" else {
            **routine, "claims": [claim for claim in routine["claims"] if claim["verdict"] == verdict]}
        worst = escape(worst_text(judged))
        bad = [c["label"].split("(")[0] for c in routine["claims"] if c["verdict"] == verdict and verdict != "holds"]
        tried = shown_claim(judged) or weakest_holding(routine)
        rows.append(f'<tr><td class="verdict">{verdict_html(verdict)}</td><td><a href="#r{number}"><code>'
                    f'{escape(routine["name"])}</code></a></td><td class="number">{worst}</td>'
                    f'<td>{escape(strength_text(tried)) if tried else ""}</td>'
                    f'<td>{escape(", ".join(dict.fromkeys(bad)))}</td></tr>')
    head = "<tr><th>verdict</th><th>routine</th><th>worst error</th><th>inputs or scripts</th><th>not right</th></tr>"
    return f'<div class="scroll"><table class="claims"><thead>{head}</thead><tbody>{"".join(rows)}</tbody></table></div>'


def section(number: int, routine: dict[str, Any], verdict: str) -> str:
    """One routine: plot, claims, failures."""
    parts = [f'<section id="r{number}"><h2>{verdict_html(verdict)} <code>{escape(routine["name"])}</code></h2>',
             f'<p class="small soft"><code>{escape(routine["prototype"])}</code> '
             f'{escape("; ".join(text for text in [routine["definition"], *routine["inputs"]] if text))}</p>']
    parts += [f'<p class="small">{escape(text)}</p>' for text in routine["notes"]]
    parts.append(budgets.html(routine))
    for claim in routine["claims"]:
        if claim.get("profile"):
            parts.append(f'<p class="small soft">{escape(claim["label"])}, build {escape(claim["build"])}</p>')
            parts.append(envelope(claim["profile"], limit_of(claim), claim["worst"]))
        if claim.get("response"):
            parts.append(f'<p class="small soft">{escape(claim["label"])}, build {escape(claim["build"])}</p>')
            parts.append(responses(claim["response"]))
    for claim in routine["claims"]:
        if claim["verdict"] == "fails":
            # The plot below takes the place of the one made of characters.
            parts.append(told(failure_lines(routine, {**claim, "trace": None}, WIDTH, False)))
            if claim.get("trace"):
                parts.append(trajectory(claim["trace"]))
        elif claim["verdict"] != "holds":
            parts.append(told(open_lines(routine, claim, WIDTH, False)))
    rows = "".join(row(claim) for claim in routine["claims"])
    parts.append(f'<details{"" if verdict == "holds" else " open"}><summary>{len(routine["claims"])} claims</summary>'
                 '<div class="scroll"><table class="claims"><thead><tr><th>verdict</th><th>claim</th><th>build</th>'
                 "<th>strength</th>"
                 f"<th>worst</th><th>because</th></tr></thead><tbody>{rows}</tbody></table></div></details></section>")
    return "\n".join(parts)


def told(lines: list[str]) -> str:
    """A four-part message: labels beside texts, which keep their own spaces and are broken by the browser."""
    head, *rest = [line for line in lines if line.strip()]
    rows = [f"<dt>{escape(line[:LABELS].strip())}</dt><dd>{escape(line[LABELS:])}</dd>" for line in rest]
    return f'<div class="told"><p>{escape(head.strip())}</p><dl>{"".join(rows)}</dl></div>'


def row(claim: dict[str, Any]) -> str:
    """One claim of the table."""
    worst = escape(claim["worst"]["text"]) if claim["worst"] else ""
    strength = strength_text(claim) if claim["verdict"] == "holds" else claim["verdict_text"]
    return (f'<tr><td class="verdict">{verdict_html(claim["verdict"])}</td><td><code>{escape(claim["label"])}</code></td>'
            f'<td>{escape(claim["build"])}</td><td>{escape(strength)}</td><td class="number">{worst}</td>'
            f'<td>{escape(claim["because"])}</td></tr>')


def limit_of(claim: dict[str, Any]) -> float | None:
    """The limit of a claim with a profile as a number; of older records from its text (cents=0.01)."""
    if (claim.get("profile") or {}).get("limit") is not None:
        return float(claim["profile"]["limit"])
    try:
        return float(claim["limit"].partition("=")[2].partition(",")[0])
    except ValueError:
        return None


def built(record: dict[str, Any]) -> str:
    """Compilers, flags, C library."""
    lines = []
    for name, build in record["environment"]["builds"].items():
        lines.append(f"{name}: {build['compiler']}, {' '.join(build['flags'])}; C library {build.get('c_library', '')}")
        dropped = " ".join(pair[0] for pair in build["flags_dropped"])
        if dropped:
            lines.append(f"  dropped for this host: {dropped}")
    return f"<details><summary>How it was built</summary><pre>{escape(chr(10).join(lines))}</pre></details>"


def save_page(record: dict[str, Any], path: Path) -> None:
    """Write the page whole or not at all. Errors: UsageError when it cannot be written."""
    text = cost_page(record) if is_cost(record) else page(record)
    save_text(path, text, "the report", "free space there or make the folder writable, or give --out FILE")
