"""The error budget of a path as text, Markdown, CSV rows and a picture. It computes nothing: all figures are the record's."""

from __future__ import annotations

from html import escape
from typing import Any

from verify.judging.verdict import grouped
from verify.reports.html_frame import bar_row

KINDS = {"meant": "what the stages are meant to do", "stage": "firmware", "quantisation": "input, not firmware",
         "outside": "outside the firmware",
         "end": "all together"}
SHAPES = {"end": "sure", "quantisation": "hollow", "outside": "hollow"}  # others are hatched
LEGEND = {"maybe": "hatched: a stage", "hollow": "hollow: the input's own steps, or what acts before the firmware",
          "sure": "solid: end to end"}
BESIDES = ("quantisation", "outside")


def heading(budget: dict[str, Any]) -> str:
    """What the table is about."""
    how = f"all {grouped(budget['inputs'])} inputs" if budget["every_value"] else f"{grouped(budget['inputs'])} inputs tried"
    end = "" if budget["build"] != "board" else ", up to what goes into the machine" if budget.get("cut") else ""
    return f"error budget in {budget['unit'] or 'plain numbers'}, {budget['build']}, {how}{end}"


def place_text(row: dict[str, Any]) -> str:
    """Where a line's worst lies."""
    return ", ".join(f"{i['name']} {i['value']} {i['unit'] if i['unit'] != i['name'] else ''}".strip() for i in row["at"])


def rows_of(budget: dict[str, Any]) -> list[tuple[str, str, str, str]]:
    """(line, worst alone, its share where the whole is worst, where its own worst lies)."""
    unit = f" {budget['unit']}" if budget["unit"] else ""

    def bare(text: str) -> str:
        return text.removesuffix(unit)

    rows = [(row["name"], bare(row["text"]), "" if row["at_worst"] is None else f"{row['at_worst']:+.4g}", place_text(row))
            for row in budget["lines"] if row["kind"] not in BESIDES]
    if budget["sum"] is not None:
        rows.append(("sum of the worsts", bare(budget["sum_text"]), "", ""))
    end = budget["end"]
    limit = f"limit {budget['limit']:.6g}" if budget["limit"] is not None else ""
    rows.append(("end to end, true worst", bare(end["text"]), limit, place_text(end)))
    # No firmware behind a converter can know more than its code.
    steps = [row for row in budget["lines"] if row["kind"] in BESIDES]
    rows += [(f"besides: {row['name']}", "none" if row["worst"] is None else f"±{row['worst']:.4g}", "", "") for row in steps]
    return rows


def notes_of(budget: dict[str, Any]) -> list[str]:
    """What stands below the table."""
    found = []
    if budget["measured"]:
        measured = budget["measured"]
        text = f"measured on the rendered signal by {measured['method']}, own error up to {measured['own_error']:.6g} cents"
        if measured["not_measured"]:
            text += f"; {grouped(measured['not_measured'])} signals have no pitch that can be measured so"
        found.append(text)
    if budget["lost"]:
        found.append(f"{grouped(budget['lost'])} inputs did not come through")
    return found + budget.get("outside", [])


HEAD = ("stage", "worst alone", "share at the worst", "where")


def text_lines(routine: dict[str, Any], width: int) -> list[str]:
    """The tables of one path for a terminal."""
    lines: list[str] = []
    for budget in routine.get("budgets", []):
        lines += ["", f"  {routine['name']}: {heading(budget)}"]
        if budget["problem"]:
            lines.append(f"    none: {budget['problem']}")
            continue
        rows = [HEAD, *rows_of(budget)]
        sizes = [max(len(row[k]) for row in rows) for k in range(3)]
        for name, worst, share, where in rows:
            line = f"    {name:<{sizes[0]}}  {worst:>{sizes[1]}}  {share:>{sizes[2]}}  {where}".rstrip()
            if len(line) > width and where:
                lines += [line[: len(line) - len(where)].rstrip(), f"      at {where}"]
            else:
                lines.append(line)
        lines += [f"    {text}" for text in notes_of(budget)]
    return lines


def markdown_lines(routine: dict[str, Any], cell: Any) -> list[str]:
    """The tables of one path as Markdown."""
    lines: list[str] = []
    for budget in routine.get("budgets", []):
        lines += ["", f"**{cell(routine['name'])}**: {cell(heading(budget))}", ""]
        if budget["problem"]:
            lines.append(cell(budget["problem"]))
            continue
        lines += [f"| {' | '.join(HEAD)} |", "|---|---:|---:|---|"]
        lines += ["| " + " | ".join(cell(part) for part in row) + " |" for row in rows_of(budget)]
        lines += ["", *(cell(text) for text in notes_of(budget))]
    return lines


def csv_rows(record: dict[str, Any]) -> list[list[Any]]:
    """One row per line of each budget; none where the record has no path."""
    rows: list[list[Any]] = []
    for routine in record["routines"]:
        for budget in routine.get("budgets", []):
            listed = [*budget["lines"], *([budget["end"]] if budget["end"] else [])]
            for row in listed:
                rows.append([routine["name"], budget["build"], row["kind"], row["name"], row["worst"], budget["unit"],
                             row.get("at_worst"), place_text(row), budget["limit"] if row["kind"] == "end" else None])
            if budget["sum"] is not None:
                rows.append([routine["name"], budget["build"], "sum", "sum of the worsts", budget["sum"], budget["unit"],
                             None, "", None])
    return rows


CSV_HEAD = ["path", "build", "kind", "line", "worst", "unit", "share_at_worst", "where", "limit"]


def html(routine: dict[str, Any]) -> str:
    """Pictures and tables of one path."""
    parts = []
    for budget in routine.get("budgets", []):
        parts.append(f'<p class="small soft">{escape(heading(budget))}</p>')
        if budget["problem"]:
            parts.append(f"<p>{escape(budget['problem'])}</p>")
            continue
        parts.append(picture(budget))
        kinds = ("", ' class="number"', ' class="number"', "")
        cells = "".join("<tr>" + "".join(f"<td{kind}>{escape(part)}</td>" for kind, part in zip(kinds, row, strict=True))
                        + "</tr>" for row in rows_of(budget))
        head = "".join(f"<th>{word}</th>" for word in HEAD)
        parts.append(f'<div class="scroll"><table><thead><tr>{head}</tr></thead><tbody>{cells}</tbody></table></div>')
        parts += [f'<p class="small">{escape(text)}</p>' for text in notes_of(budget)]
    return "\n".join(parts)


def picture(budget: dict[str, Any]) -> str:
    """A bar for each stage, the end to end below, the limit upright. Every bar has its name and number beside it."""
    rows = [row for row in [*budget["lines"], budget["end"]] if row["worst"] is not None]
    if not rows:
        return ""
    limit = budget["limit"]
    largest = max(abs(row["worst"]) for row in rows) or 1.0
    drawn_limit = limit is not None and 0 < limit < 20 * largest
    track = max(largest, limit if drawn_limit else 0.0) * 1.04
    marks = [("most", limit / track)] if drawn_limit else []
    bars = []
    for row in rows:
        bar = (0.0, abs(row["worst"]) / track, SHAPES.get(row["kind"], "maybe"))
        bars.append(bar_row(row["name"], [bar], marks, f"{row['text']} ({KINDS[row['kind']]})", row["text"]))
    said = ""
    if limit is not None:
        said = f" Upright line: the limit, {limit:.4g}." if drawn_limit else (
            f" The limit, {limit:.4g}, lies far outside this picture.")
    unit = escape(budget["unit"] or "plain numbers")
    shapes = {SHAPES.get(row["kind"], "maybe") for row in rows}
    label = f"error budget: {len(rows)} bars, the largest {largest:.4g} {budget['unit']}"
    return (f'<div role="group" aria-label="{escape(label)}">{"".join(bars)}</div>'
            f"<p class=\"small soft\">Size of each stage's own worst, in {unit}, carried to the end of the path; "
            f"{'; '.join(LEGEND[shape] for shape in LEGEND if shape in shapes)}.{said}</p>")
