"""What calls cost on the board, as bars against the sample period."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from verify.reports.html_frame import bar_row

# The track is the whole sample period; where the dearest call takes less than this, a part of it.
PARTS_PERCENT = (100.0, 50.0, 20.0, 10.0, 5.0, 2.0, 1.0)


def whole(value: float) -> str:
    """A count or half a count, with digits in groups of three."""
    return f"{value:,.10g}".replace(",", " ")


def bars(costs: Sequence[tuple[str, dict[str, Any], Sequence[str]]]) -> str:
    """(name, cost, what claims say about it) of each routine as bars; "" where nothing was counted.

    A bar is solid up to the optimistic end of the cycle estimate and hatched up to the pessimistic one.
    """
    if not costs:
        return ""
    shares = all(cost["percent"] for _, cost, _ in costs)
    key, unit = ("percent", "% of a sample period") if shares else ("cycles", "cycles")
    dearest = max(cost[key][1] for _, cost, _ in costs)
    track = min([part for part in PARTS_PERCENT if part >= dearest], default=dearest) if shares else dearest or 1.0
    rows = []
    for name, cost, said in costs:
        low, high = cost[key]
        limit = cost.get("limit") if cost.get("unit") == key else None
        marks = [("most", limit / track)] if limit is not None and limit <= track else []
        marks += [("period", 100 / track)] if shares and track > 100 else []
        counts = cost["instructions"]
        how = "every value counted" if cost["every_value"] else f"the largest of {whole(cost['counted'])} counted"
        figures = [f"{low:.3g} to {high:.3g} {unit}"] if shares else []
        figures += [f"{whole(cost['cycles'][0])} to {whole(cost['cycles'][1])} cycles (estimated)",
                    f"at most {whole(counts['most'])} instructions, median {whole(counts['median'])} ({how})"]
        drawn = [(0.0, low / track, "sure"), (low / track, high / track, "maybe")]
        rows.append(bar_row(name, drawn, marks, "; ".join([*figures, *said]), figures[0]))
    if shares:
        ends = "one sample period" if track == 100 else f"{track:.3g} % of a sample period"
        ends += "; the thick line is one sample period" if track > 100 else ""
    else:
        ends = f"{whole(track)} cycles, the dearest call (give the sheet clock_hz= for shares of a sample period)"
    return (f'<section><h2>Cost on the board</h2><p class="small soft">The whole width is {ends}. Solid: the optimistic end '
            "of the cycle estimate; hatched: up to the pessimistic end; upright line: limit. Wait states, caches and "
            f'interrupts come on top.</p>{"".join(rows)}</section>')


def counted_of(record: dict[str, Any]) -> list[tuple[str, dict[str, Any], tuple[str, ...]]]:
    """The bars of a record of preflash cost: functions, and each part of a machine."""
    found: list[tuple[str, dict[str, Any], tuple[str, ...]]] = []
    for entry in record["routines"]:
        for part in entry.get("parts", [entry]):
            if part["counted"]:
                name = f"{entry['name']}: {part['name']}" if "parts" in entry else entry["name"]
                said = (f"a block of {part['samples']} samples",) if part.get("samples", 1) > 1 else ()
                ends = [part["cycles"][end] for end in ("optimistic", "pessimistic")]
                found.append((name, {"every_value": False, **part, "cycles": ends}, said))
    return found


def costs_of(record: dict[str, Any]) -> list[tuple[str, dict[str, Any], list[str]]]:
    """Each routine, or part of a machine, whose calls were counted, with what its claims about cost say."""
    found = []
    for routine in record["routines"]:
        claims = [claim for claim in routine["claims"] if claim.get("cost")]
        if claims:
            chosen = next((c for c in claims if c["cost"].get("unit") == "percent"), claims[0])
            said = [f"{claim['label']}: {claim['verdict_text']}" for claim in claims]
            found.append((routine["name"], chosen["cost"], said))
        claims = [claim for claim in routine["claims"] if claim.get("costs")]
        if claims:
            chosen = next((c for c in claims if c["costs"][0]["unit"] == "percent"), claims[0])
            said = [f"{claim['label']}: {claim['verdict_text']}" for claim in claims]
            found += [(f"{routine['name']}: {part['name']}", part, said) for part in chosen["costs"]]
    return found
