"""The costs of a sheet's routines as plain data and as text for a terminal."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from firmware_shim.board_build import model_text
from firmware_shim.board_code import Call
from firmware_shim.board_cycles import TABLES
from firmware_shim.cores import core_named
from verify.cost import CONVERSIONS, SOFT_DOUBLE, Cost, Ran
from verify.explaining import number_entry
from verify.host_cost import UNEXACT, in_words
from verify.judging.verdict import grouped
from verify.machines.cost_judging import samples_of, shown_name
from verify.machines.costs import MachineCost
from verify.machines.running import Stand
from verify.machines.script import format_script
from verify.reports.terminal import value_line, wrapped
from verify.routine import Bound
from verify.sheet import Sheet

FORMAT = 1
MOST_CALLS = 6


def entry_of(bound: Bound, cost: Cost) -> dict[str, Any]:
    """One routine."""
    parts = (bound.domain.raw_bits(max(0, cost.most.at)), bound.domain.type_numbers, bound.domain.grids)
    at = [number_entry(raw, kind, grid.scale, grid.name, grid.unit) for raw, kind, grid in zip(*parts, strict=True)]
    return {
        "name": bound.routine.name,
        "problem": cost.problem,
        "counted": cost.counted,
        "every_value": cost.every_value,
        "instructions": {"least": cost.least, "median": cost.median, "most": cost.most.value, "at": at},
        "cycles": {"optimistic": cost.optimistic.value, "pessimistic": cost.pessimistic.value},
        **ran_of(cost),
        "call": bound.routine.call is not None,
    }


def machine_entry_of(stand: Stand, cost: MachineCost) -> dict[str, Any]:
    """One machine: its step (or block), its events, its init."""
    parts = []
    for part in cost.parts.values():
        counted, least, median = part.figures()
        top = part.dearest("instructions")
        parts.append({
            "name": shown_name(part, stand), "counted": counted, "samples": samples_of(part, stand),
            "instructions": {"least": least, "median": median, "most": top.value},
            "script": format_script(top.script, stand.machine) if top.script else "", "sample": top.sample,
            "cycles": {word: part.dearest(word).value for word in ("optimistic", "pessimistic")},
            "handing_over": cost.handing.get(part.name, {}).get("instructions", 0.0),
        })
    return {
        "name": stand.machine.name, "kind": "machine", "problem": cost.problem, "counted": cost.scripts, "parts": parts,
        "sample_rate_hz": float(max(stand.machine.sample_rates_hz)),
        **ran_of(cost), "call": False,
    }


def ran_of(ran: Ran) -> dict[str, Any]:
    """Sizes of what ran, and what it called."""
    return {
        "stack_bytes": ran.stack_bytes,
        "code_bytes": ran.code_bytes,
        "inlined_bytes": ran.inlined_bytes,
        "library_bytes": ran.library_bytes,
        "library": list(ran.library),
        "table_bytes": ran.table_bytes,
        "tables": list(ran.tables),
        **calls_of(ran.soft),
        "lost": ran.lost,
    }


def calls_of(soft: Sequence[Call]) -> dict[str, Any]:
    """Arithmetic by library calls."""
    double: dict[str, list[str]] = {}
    single: dict[str, int] = {}
    for call in soft:
        if call.target.startswith((SOFT_DOUBLE, *CONVERSIONS)):
            double.setdefault(call.place or f"0x{call.address:08x}", []).append(call.target)
        else:
            single[call.target] = single.get(call.target, 0) + 1
    return {"double_arithmetic": [{"place": place, "calls": sorted(set(names))} for place, names in double.items()],
            "float_by_calls": single}


def record_of(sheet: Sheet, entries: list[dict[str, Any]], compiler: str, c_library: str, flags: list[str]) -> dict[str, Any]:
    """All routines, with what the figures stand on."""
    core = core_named(sheet.core or "")
    table = TABLES[core.timing]
    return {
        "format": FORMAT,
        "sheet": sheet.file.name,
        "core": core.name,
        "emulated_as": model_text(core),
        "clock_hz": float(sheet.clock_hz) if sheet.clock_hz else None,
        "sample_rate_hz": float(sheet.sample_rate_hz),
        "compiler": compiler,
        "c_library": c_library,
        "flags": flags,
        "cycle_table": {"source": table.source, "uncertainty": table.uncertainty},
        "routines": [with_shares(sheet, entry) for entry in entries],
    }


def with_shares(sheet: Sheet, entry: dict[str, Any]) -> dict[str, Any]:
    """An entry whose figures (of each part of a machine) have both ends of the cycles as percent of a sample period; None
    where the clock is not known. A block counts per sample."""

    def share(part: dict[str, Any], rate_hz: float) -> dict[str, Any]:
        scale = 100 * rate_hz / float(sheet.clock_hz) / part.get("samples", 1) if sheet.clock_hz else 0.0
        ends = [part["cycles"][end] * scale for end in ("optimistic", "pessimistic")]
        return {**part, "percent": ends if sheet.clock_hz else None}

    if "parts" in entry:
        return {**entry, "parts": [share(part, entry["sample_rate_hz"]) for part in entry["parts"]]}
    return share(entry, float(sheet.sample_rate_hz))


def share_text(record: dict[str, Any], low: float, high: float, rate_hz: float = 0.0) -> str:
    """Cycles as a share of a sample period, where the clock is known."""
    if not record["clock_hz"]:
        return ""
    scale = 100 * (rate_hz or record["sample_rate_hz"]) / record["clock_hz"]
    return f" = {low * scale:.3g} to {high * scale:.3g} % of a sample period"


def render(record: dict[str, Any], width: int) -> str:
    """The whole record as text."""
    head = f"cost on {record['core']}"
    if record["clock_hz"]:
        head += (f" at {record['clock_hz'] / 1e6:g} MHz, {grouped(int(record['sample_rate_hz']))} samples/s: "
                 f"{record['clock_hz'] / record['sample_rate_hz']:.6g} cycles per sample")
    lines = [head]
    lines += wrapped("board", f"{record['compiler']}, {record['c_library']}, {' '.join(record['flags'])}", width)
    lines += wrapped("cycles", f"estimated, from: {record['cycle_table']['source']}", width)
    lines += wrapped("", f"{record['cycle_table']['uncertainty']}; wait states, caches and interrupts come on top", width)
    if any("host" in entry for entry in record["routines"]):
        lines += wrapped("host", UNEXACT, width)
    for entry in record["routines"]:
        lines += ["", *routine_lines(record, entry, width)]
    for path in record.get("paths", []):
        lines += ["", *path_lines(record, path, width)]
    good = summed(record)
    if len(good) > 1:
        low, high = (math.ceil(sum(cycles[end] for cycles in good.values())) for end in ("optimistic", "pessimistic"))
        text = f"{', '.join(good)}, once per sample each: {low:g} to {high:g} cycles" + share_text(record, low, high)
        lines += ["", *wrapped("sum", text, width)]
    return "\n".join(lines) + "\n"


def summed(record: dict[str, Any]) -> dict[str, dict[str, float]]:
    """Cycles per sample of each function's call and each machine's step, by name; machines at another rate are left out."""
    found = {}
    for entry in record["routines"]:
        if not entry["counted"]:
            continue
        if "cycles" in entry:
            found[entry["name"]] = entry["cycles"]
        elif entry["sample_rate_hz"] == record["sample_rate_hz"]:
            step = entry["parts"][0]
            found[entry["name"]] = {end: cycles / step["samples"] for end, cycles in step["cycles"].items()}
    return found


def path_lines(record: dict[str, Any], path: dict[str, Any], width: int) -> list[str]:
    """The sum over the stages of a path, once per sample period."""
    lines = [f"{path['name']}: {' -> '.join(path['stages'])}"]
    if path["cycles"] is None:
        return lines + wrapped("none", f"not counted: {', '.join(path['missing'])}", width)
    low, high = path["cycles"]["optimistic"], path["cycles"]["pessimistic"]
    how = "every value counted in each stage" if path["every_value"] else f"largest found, weakest stage: {path['weakest']}"
    lines += wrapped("count", f"instructions, each stage's most, summed: {int(path['instructions'])} ({how})", width)
    lines += wrapped("cycles", f"{low:g} to {high:g} once per sample" + share_text(record, low, high), width)
    if path["missing"]:
        lines += wrapped("without", f"{', '.join(path['missing'])}: not counted here, so the whole costs more", width)
    return lines


def routine_lines(record: dict[str, Any], entry: dict[str, Any], width: int) -> list[str]:
    """One routine as text."""
    lines = [entry["name"]]
    if not entry["counted"]:
        return lines + wrapped("BLOCKED", entry["problem"] or "no call came back", width)
    if "parts" in entry:
        return lines + machine_lines(record, entry, width) + shared_lines(entry, width)
    counts, cycles = entry["instructions"], entry["cycles"]
    word = "most" if entry["every_value"] else "largest found"
    how = "every value counted" if entry["every_value"] else f"{grouped(entry['counted'])} calls counted"
    lines += wrapped("count", f"instructions per call: least {counts['least']}, median {counts['median']:g}, "
                                 f"{word} {int(counts['most'])} ({how})", width)
    for number, at in enumerate(counts["at"]):
        lines += wrapped("at" if number == 0 else "", value_line(at), width)
    lines += wrapped("cycles", f"{cycles['optimistic']:g} to {cycles['pessimistic']:g}, the largest of each end"
                     + share_text(record, cycles["optimistic"], cycles["pessimistic"]), width)
    return lines + shared_lines(entry, width)


def machine_lines(record: dict[str, Any], entry: dict[str, Any], width: int) -> list[str]:
    """The parts of a machine."""
    lines: list[str] = []
    for part in entry["parts"]:
        counts, cycles = part["instructions"], part["cycles"]
        ours = f"; at most {part['handing_over']:g} of them hand values over" if part["handing_over"] else ""
        lines += wrapped("count", f"{part['name']}: instructions least {counts['least']}, median {counts['median']:g}, "
                                  f"largest found {int(counts['most'])} ({grouped(part['counted'])} counted){ours}", width)
        share = share_text(record, cycles["optimistic"], cycles["pessimistic"], entry["sample_rate_hz"])
        if part["samples"] > 1:
            share = share_text(record, cycles["optimistic"] / part["samples"], cycles["pessimistic"] / part["samples"],
                               entry["sample_rate_hz"]).replace("a sample period", f"{part['samples']} sample periods")
        lines += wrapped("cycles", f"{cycles['optimistic']:g} to {cycles['pessimistic']:g}{share}", width)
        lines += wrapped("at", f"sample {part['sample']} of: {part['script']}", width)
    return lines + wrapped("hunt", f"{grouped(entry['counted'])} scripts, the dearest hunted for: the largest found is no "
                                   "worst case", width)


def shared_lines(entry: dict[str, Any], width: int) -> list[str]:
    """Memory, library calls and notes of a routine or machine."""
    lines: list[str] = []
    library = f" and {entry['library_bytes']} of library" if entry["library_bytes"] else ""
    tables = f", tables {entry['table_bytes']} bytes ({', '.join(entry['tables'][:4])})" if entry["tables"] else ""
    inlined = f" ({entry['inlined_bytes']} of them inlined)" if entry["inlined_bytes"] else ""
    memory = f"stack {entry['stack_bytes']} bytes, code {entry['code_bytes']} bytes{inlined}{library}{tables}"
    lines += wrapped("memory", memory, width)
    for found in entry["double_arithmetic"][:MOST_CALLS]:
        lines += wrapped("double", f"{found['place']}: {', '.join(found['calls'])}: double arithmetic by library calls; a "
                                   "constant without f, or a double function, promotes it", width)
    more = len(entry["double_arithmetic"]) - MOST_CALLS
    if more > 0:
        lines += wrapped("", f"and {more} more lines", width)
    if entry["float_by_calls"]:
        names = ", ".join(sorted(entry["float_by_calls"]))
        lines += wrapped("float", f"single-precision arithmetic by library calls: {names}", width)
    if "host" in entry:
        lines += wrapped("host", in_words(entry["host"]), width)
    if entry["lost"]:
        lines += wrapped("lost", f"{entry['lost']} calls did not come back and are not counted", width)
    if entry["call"]:
        lines += wrapped("note", "the sheet's own call may be inlined into the loop: what of it is, is not counted", width)
    return lines
