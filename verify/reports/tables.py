"""A record as Markdown, CSV or JUnit XML. They compute nothing."""

from __future__ import annotations

import csv
import io
from typing import Any
from xml.etree import ElementTree

from verify.reports.budgets import CSV_HEAD, csv_rows, markdown_lines
from verify.reports.terminal import failure_lines, open_lines, summary

WIDTH = 100


def markdown(record: dict[str, Any]) -> str:
    """For pasting: one table, then each failure as a block."""
    head = ("verdict", "routine", "claim", "build", "strength", "worst", "limit")
    lines = [f"# {cell(record['title'] or record['sheet'])}", "", f"| {' | '.join(head)} |", "|---" * len(head) + "|"]
    blocks: list[str] = []
    for routine in record["routines"]:
        for claim in routine["claims"]:
            worst = claim["worst"]["text"] if claim["worst"] else ""
            words = (claim["verdict"], routine["name"], claim["label"], claim["build"], claim["verdict_text"], worst,
                     claim["limit"])
            lines.append("| " + " | ".join(cell(word) for word in words) + " |")
            blocks += told(routine, claim)
        blocks += markdown_lines(routine, cell)
    return "\n".join([*lines, *blocks, "", *summary(record, WIDTH, False)]) + "\n"


def cell(text: str) -> str:
    """Text that stays inside its table cell and makes no markup of its own."""
    for mark in "\\`*_{}[]<>#|":
        text = text.replace(mark, "\\" + mark)
    return " ".join(text.split())


def told(routine: dict[str, Any], claim: dict[str, Any]) -> list[str]:
    """The four-part message of a claim that does not hold, as a code block."""
    if claim["verdict"] == "holds":
        return []
    lines_of = failure_lines if claim["verdict"] == "fails" else open_lines
    text = lines_of(routine, claim, WIDTH, False)
    return ["", "````text", *(line for line in text if line.strip()), "````"]


def csv_text(record: dict[str, Any]) -> str:
    """One line per claim."""
    stream = io.StringIO()
    writer = csv.writer(stream)
    writer.writerow(["routine", "kind", "claim", "build", "verdict", "strength", "count", "limit", "worst", "worst_unit",
                     "because"])
    for routine in record["routines"]:
        for claim in routine["claims"]:
            worst = claim["worst"] or {"value": "", "unit": ""}
            writer.writerow([routine["name"], routine["kind"], claim["label"], claim["build"], claim["verdict"],
                             claim["strength"]["kind"], claim["strength"]["count"], claim["limit"], worst["value"],
                             worst["unit"], claim["because"]])
    budgets = csv_rows(record)
    if budgets:
        stream.write("\r\n")
        writer.writerows([CSV_HEAD, *budgets])
    return stream.getvalue()


def junit(record: dict[str, Any]) -> str:
    """One test case per claim: failures, and errors for what could not be judged."""
    words = [claim["verdict"] for routine in record["routines"] for claim in routine["claims"]]
    suite = ElementTree.Element("testsuite", name=clean(record["title"] or record["sheet"]), tests=str(len(words)),
                                failures=str(words.count("fails")), errors=str(len(words) - words.count("fails")
                                                                               - words.count("holds")),
                                time=str(record["seconds"]), timestamp=record["started"])
    for routine in record["routines"]:
        for claim in routine["claims"]:
            case = ElementTree.SubElement(suite, "testcase", classname=clean(routine["name"]),
                                          name=clean(f"{claim['label']} [{claim['build']}]"))
            if claim["verdict"] == "holds":
                continue
            kind = "failure" if claim["verdict"] == "fails" else "error"
            found = ElementTree.SubElement(case, kind, message=clean(claim["verdict_text"]))
            found.text = clean("\n".join(told(routine, claim)[2:-1]))
    return '<?xml version="1.0" encoding="utf-8"?>\n' + ElementTree.tostring(suite, encoding="unicode") + "\n"


def clean(text: str) -> str:
    """Text without the control characters that XML cannot hold."""
    return "".join(letter for letter in text if letter in "\n\t" or ord(letter) >= 32)

