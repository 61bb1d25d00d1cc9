"""The page to begin with where several sheets were checked: the worst first, each routine that is not right linked."""

from __future__ import annotations

import os
from collections.abc import Sequence
from html import escape
from pathlib import Path
from typing import Any
from urllib.parse import quote

from verify.reports.html_page import CAUTION, beginning, moment, ranked, summary, unchecked, verdict_html
from verify.reports.record import ORDER, overall
from verify.whole_files import save_text

NAME = "all_sheets"
Found = tuple[Path, dict[str, Any]]


def start_page(pages: Sequence[Found], folder: Path) -> str:
    """pages: (report, its record) of each sheet; links are relative to the folder in which the page will stand."""
    every = [routine for _, record in pages for routine in ranked(record)]
    rows = "".join(row(page, record, folder) for page, record in sorted(pages, key=lambda found: badness(found[1])))
    head = "<tr><th>verdict</th><th>sheet</th><th>routines</th><th>not right</th></tr>"
    began = moment(min((record for _, record in pages), key=lambda record: str(record["started"])))
    left = list(dict.fromkeys(text for _, record in pages for text in record["not_checked"]))
    return "\n".join([
        beginning(f"{len(pages)} sheets"), f"<header><h1>{len(pages)} sheets</h1>",
        f'<p class="small soft">{escape(began)}. Each name leads to the report.</p>'
        "</header><main>", summary(every),
        f'<div class="scroll"><table class="claims"><thead>{head}</thead><tbody>{rows}</tbody></table></div>',
        unchecked({"not_checked": left}),
        f'<p class="note small"><b>Caution.</b> {escape(CAUTION)}</p></main></body></html>\n'])


def badness(record: dict[str, Any]) -> tuple[int, int, str]:
    """Sort key: the worst verdict, then how many claims have it, then the name."""
    verdicts = [claim["verdict"] for routine in record["routines"] for claim in routine["claims"]]
    worst = overall(verdicts)
    return ORDER.index(worst), -verdicts.count(worst), str(record["sheet"])


def row(page: Path, record: dict[str, Any], folder: Path) -> str:
    """One sheet with its routines that are not right, as its own page numbers them."""
    link = quote(os.path.relpath(page, folder))
    found = ranked(record)
    verdict = overall([verdict for _, verdict in found])
    bad = [f'<a href="{link}#r{number}"><code>{escape(routine["name"])}</code></a>'
           for number, (routine, verdict) in enumerate(found) if verdict != "holds"]
    held = sum(verdict == "holds" for _, verdict in found)
    name = str(record["sheet"]) + (" (interrupted)" if record["interrupted"] else "")
    return (f'<tr><td class="verdict">{verdict_html(verdict)}</td><td><a href="{link}">'
            f'{escape(record["title"] or record["sheet"])}</a><br><span class="small soft">{escape(name)}</span>'
            f"</td><td>{held} of {len(found)} hold</td><td>{', '.join(bad)}</td></tr>")


def save_start_page(pages: Sequence[Found], path: Path) -> None:
    """Write it whole or not at all. Errors: UsageError when it cannot be written."""
    save_text(path, start_page(pages, path.parent), "the page of all sheets",
              "free space there or make the folder writable, or give --reports FOLDER", new_folder=True)
