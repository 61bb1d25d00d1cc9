"""The record of one run: JSON with a format number, written whole or not at all.

Format 1: first version.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

from verify.errors import UsageError
from verify.reports.written_numbers import written
from verify.whole_files import save_text

FORMAT = 1
ORDER = ("fails", "blocked", "undecided", "vacuous", "holds")


def plain(value: Any) -> Any:
    """JSON without NaN and infinities: they become texts."""
    if isinstance(value, float) and not math.isfinite(value):
        return "NaN" if math.isnan(value) else "inf" if value > 0 else "-inf"
    if isinstance(value, dict):
        return {key: plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    return value


def lines_of(record: dict[str, Any]) -> str:
    """JSON with one line per top-level entry and per routine."""
    parts = []
    for key, value in record.items():
        if key == "routines":
            text = "[\n" + ",\n".join(map(written, value)) + "\n]"
        else:
            text = json.dumps(value, allow_nan=False)
        parts.append(f"{json.dumps(key)}: {text}")
    return "{\n" + ",\n".join(parts) + "\n}\n"


def save_record(record: dict[str, Any], path: Path) -> None:
    """Write a plain record; a half-written file never stays.

    Errors: UsageError when the folder cannot be written.
    """
    # One line per routine: readable enough for a look, and written ten times faster than indented text.
    todo = "free space there or make the folder writable, or give --reports FOLDER"
    save_text(path, lines_of(record), "the record", todo, new_folder=True)


def load_record(path: Path) -> dict[str, Any]:
    """Read a record of a known format."""
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as problem:
        raise UsageError("the record cannot be read", where=str(path), why=str(problem),
                         todo="run preflash check to make a new one") from problem
    if isinstance(record, dict) and not isinstance(record.get("routines"), list):
        raise UsageError("this is no record of a check", where=str(path), why="it has no routines",
                         todo="name the record of preflash check or preflash cost in that folder")
    if not isinstance(record, dict) or record.get("format") != FORMAT:
        found = record.get("format") if isinstance(record, dict) else type(record).__name__
        raise UsageError("the record has an unknown format", where=str(path), why=f"format {found}, known is {FORMAT}",
                         todo="read it with the version of preflash that wrote it")
    return record


def is_cost(record: dict[str, Any]) -> bool:
    """Whether a record is one of preflash cost, which has figures and no claims."""
    return "cycle_table" in record


def says_where(text: str) -> bool:
    """Whether a line of what was not checked says where it was checked instead."""
    return text.startswith(("checked on", "nothing was checked"))


def overall(words: list[str]) -> str:
    """The verdict that stands for several: fails > blocked > undecided > vacuous > holds."""
    return next((word for word in ORDER if word in words), "vacuous")


def exit_code(record: dict[str, Any]) -> int:
    """130 interrupted, 1 something fails, 3 undecided, vacuous or blocked, 0 all hold."""
    words = [claim["verdict"] for routine in record["routines"] for claim in routine["claims"]]
    if record["interrupted"]:
        return 130
    if "fails" in words:
        return 1
    return 0 if words and all(word == "holds" for word in words) else 3
