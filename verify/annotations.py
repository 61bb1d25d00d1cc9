"""Failures as workflow commands that a code host shows beside the line: ::error file=...,line=...::text."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Any

from verify.sheet import Sheet


def escaped(text: str, *, property_value: bool = False) -> str:
    """Text as a workflow command carries it."""
    text = text.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")
    return text.replace(":", "%3A").replace(",", "%2C") if property_value else text


def command(level: str, file: str, line: str, title: str, text: str) -> str:
    """One workflow command."""
    parts = [f"file={escaped(file, property_value=True)}", f"line={line}", f"title={escaped(title, property_value=True)}"]
    return f"::{level} {','.join(parts)}::{escaped(text)}"


def shown_path(path: Path) -> str:
    """The path from the current folder, which is the repository's root in a job; absolute outside of it."""
    relative = os.path.relpath(path)
    return str(path) if relative.startswith("..") else relative


def place_of(sheet: Sheet, entry: dict[str, Any]) -> tuple[str, str]:
    """(file, line) of a routine's definition; its place in the sheet where the file is not one of the sources."""
    name, _, line = entry.get("definition", "").rpartition(":")
    base = sheet.file.parent
    folders = [base / folder for folder in sheet.include]
    known = [base / source for source in sheet.sources] + [p.parent / name for p in (base / s for s in sheet.sources)]
    for path in [*(p for p in known if p.name == name), *(folder / name for folder in folders)]:
        if name and path.is_file():
            return shown_path(path.resolve()), line
    found = re.search(r":(\d+)", entry["place"])
    return shown_path(sheet.file), found[1] if found else "1"


def summary_of(claim: dict[str, Any]) -> str:
    """Input, got, wanted and error of a failure in one text; why, for what is neither right nor wrong."""
    witness = claim["witness"]
    if not witness:
        return f"build {claim['build']}: {claim['verdict_text']}"
    inputs = ", ".join(f"{i['name']} = {i['value']} {i['unit']}".strip() for i in witness.get("inputs", ()))
    found = witness.get("got")
    got = f"got {found['value']} {found['unit']}".strip() if isinstance(found, dict) else ""
    wanted = f"wanted {witness['wanted']}" if witness.get("wanted") else ""
    parts = [f"build {claim['build']}", inputs, got, wanted, witness.get("error") or ""]
    return "; ".join(filter(None, parts)) + f"\n{witness.get('replay', '')}"


def annotation_lines(record: dict[str, Any], sheet: Sheet) -> list[str]:
    """One command for each claim that does not hold, and for each build that could not be made."""
    lines = []
    for problem in record["blocked_builds"]:
        place = re.search(r"(/[^:\n]+|[^\s:/][^:\n]*\.\w+):(\d+)", problem["where"])
        file, line = (shown_path(Path(place[1])), place[2]) if place else (shown_path(sheet.file), "1")
        lines.append(command("error", file, line, f"build {problem['build']}", f"{problem['what']}: {problem['why']}"))
    blocked = {problem["build"] for problem in record["blocked_builds"]}
    for entry in record["routines"]:
        for claim in entry["claims"]:
            if claim["verdict"] == "holds" or claim["build"] in blocked:
                continue
            level = "error" if claim["verdict"] == "fails" else "warning"
            lines.append(command(level, *place_of(sheet, entry), f"{entry['name']} {claim['label']}", summary_of(claim)))
    return lines
