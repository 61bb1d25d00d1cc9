"""The accepted record: what a firmware's author has looked at and wants kept. One small file beside the sheet.

Sorted JSON without times, profiles or witnesses, so that a line of a version control diff is a change of
the firmware. Format 1: first version.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
from pathlib import Path
from typing import Any

from verify.errors import UsageError
from verify.reports.record import load_record
from verify.whole_files import save_text

FORMAT = 1
# Claims whose worst value is an error, or a cost: the larger, the worse.
GRADED = ("accurate", "octave_doubles", "inverse_of", "cost_within")
BYTES = ("stack_bytes", "code_bytes", "table_bytes")
COMPARED_PLAN = ("every_value_up_to", "sampled_cases", "seed")


def accepted_path(sheet: Path) -> Path:
    """Where the accepted record of a sheet lies: voice_accepted.json beside voice_sheet.py."""
    return sheet.with_name(sheet.stem.removesuffix("_sheet") + "_accepted.json")


def sheet_of_record(record: dict[str, Any], path: Path) -> Path:
    """The sheet that a record file in reports/ (or beside the sheet) is about.

    Errors: UsageError when it is not there.
    """
    folder = path.resolve().parent
    places = [folder.parent / record["sheet"], folder / record["sheet"]]
    found = next((place for place in places if place.is_file()), None)
    if found is None:
        raise UsageError(f"the sheet of this record is not there: {record['sheet']}", where=str(path),
                         why=f"looked in {folder.parent} and {folder}", todo="name the sheet instead of the record")
    return found


def measures_of(entry: dict[str, Any]) -> dict[str, float]:
    """What one routine costs, from its entry in a cost record; nothing where no call was counted."""
    if not entry.get("counted"):
        return {}
    if "parts" in entry:  # a machine
        each = {f"cost.{part['name']}, most instructions": part["instructions"]["most"] for part in entry["parts"]}
        return {**each, **{f"cost.{name}": entry[name] for name in BYTES if name in entry}}
    found: dict[str, float] = {"cost.most instructions": entry["instructions"]["most"],
                               "cost.cycles, pessimistic": entry["cycles"]["pessimistic"]}
    return {**found, **{f"cost.{name}": entry[name] for name in BYTES if name in entry}}


def counted_costs(sheet: Path, workers: int | None) -> dict[str, Any]:
    """The cost record of a sheet that names a core, counted now.

    Errors: UsageError where the sheet names no core.
    """
    from verify.commands import cost

    with contextlib.redirect_stdout(io.StringIO()):
        cost.run(argparse.Namespace(sheet=sheet, routines=[], core=None, thorough=False, workers=workers))
    path = sheet.resolve().parent / "reports" / f"{sheet.stem.removesuffix('_sheet')}_cost.json"
    return dict(json.loads(path.read_text(encoding="utf-8")))


def condensed(record: dict[str, Any], costs: dict[str, Any] | None = None) -> dict[str, Any]:
    """The part of a record (and of a cost record) that is kept and compared."""
    builds = {
        name: {key: build.get(key, "") for key in ("compiler", "target", "c_library", "flags")}
        for name, build in record["environment"]["builds"].items()
    }
    measured: dict[str, dict[str, float]] = {}
    if costs is not None:
        builds["cost"] = {"compiler": costs["compiler"], "target": costs["core"], "c_library": costs["c_library"],
                          "flags": costs["flags"]}
        measured = {entry["name"]: measures_of(entry) for entry in costs["routines"]}
    routines: dict[str, Any] = {}
    for entry in record["routines"]:
        claims: dict[str, Any] = {}
        for claim in entry["claims"]:
            kept = {"claim": claim["claim"], "limit": claim["limit"], "verdict": claim["verdict"],
                    "strength": claim["strength"]["kind"], "count": claim["strength"]["count"]}
            worst = claim["worst"]
            if worst and isinstance(worst["value"], int | float):
                graded = worst.get("times_limit") is not None or claim["claim"] in GRADED
                kept["worst"] = {"value": worst["value"], "unit": worst["unit"], "is_error": graded}
            claims.setdefault(claim["build"], {})[claim["label"]] = kept
        routines[entry["name"]] = {"prototype": entry.get("prototype", ""), "points": entry.get("domain_points"),
                                   "claims": claims, "measures": measured.get(entry["name"], {})}
    plan = record["environment"]["plan"]
    return {"format": FORMAT, "sheet": record["sheet"], "tool": record["environment"]["tool"], "builds": builds,
            "plan": {key: plan[key] for key in COMPARED_PLAN if key in plan}, "routines": routines}


def save_accepted(record: dict[str, Any], path: Path, costs: dict[str, Any] | None = None) -> dict[str, Any]:
    """Store the condensed record, whole or not at all; returns it.

    Errors: UsageError for a record of a part only, or a folder that cannot be written.
    """
    if record["interrupted"] or record.get("only"):
        why = "the run was interrupted" if record["interrupted"] else f"only {', '.join(record['only'])} was checked"
        raise UsageError("a record of a part cannot be accepted", where=path.name, why=why,
                         todo="check the whole sheet, then accept")
    kept = condensed(record, costs)
    text = json.dumps(kept, indent=1, sort_keys=True, allow_nan=False) + "\n"
    save_text(path, text, "the accepted record", "make the sheet's folder writable")
    return kept


def load_accepted(sheet: Path) -> dict[str, Any]:
    """The accepted record of a sheet.

    Errors: UsageError when there is none, or when it cannot be read.
    """
    path = accepted_path(sheet)
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError as problem:
        raise UsageError("nothing was accepted yet", where=str(path), why="there is no such file",
                         todo=f"preflash accept {sheet.name} stores what holds now") from problem
    except (OSError, ValueError) as problem:
        raise UsageError("the accepted record cannot be read", where=str(path), why=str(problem),
                         todo="restore it from version control, or accept again") from problem
    shape = isinstance(found, dict) and isinstance(found.get("routines"), dict) and isinstance(found.get("builds"), dict)
    if not shape or found.get("format") != FORMAT:
        raise UsageError("the accepted record has an unknown format", where=str(path), why=f"known is format {FORMAT}",
                         todo="accept again with this version of preflash")
    return dict(found)


def sheet_or_record(given: Path | None) -> tuple[Path, dict[str, Any] | None]:
    """(sheet, record or None) from a command's argument; without one the only sheet of the current folder.

    Errors: UsageError when there is none or more than one.
    """
    if given is None:
        sheets = sorted(Path.cwd().glob("*_sheet.py"))
        if len(sheets) != 1:
            names = ", ".join(sheet.name for sheet in sheets[:6])
            raise UsageError("which sheet is meant?", where=str(Path.cwd()),
                             why=f"there are {len(sheets)}: {names}" if sheets else "there is no *_sheet.py here",
                             todo="name the sheet")
        return sheets[0], None
    if given.suffix == ".json":
        record = load_record(given)
        return sheet_of_record(record, given), record
    return given, None
