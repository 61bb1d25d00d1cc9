"""The report's plots as PNG and SVG files, for pasting. Drawn from the record alone."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

from firmware_shim.installing import how_to_install
from verify.errors import UsageError
from verify.reports.html_costs import costs_of
from verify.reports.html_frame import finite, number
from verify.reports.html_page import limit_of
from verify.reports.html_plots import drawable, largest, limits_of
from verify.reports.html_responses import ERROR, GOT, HZ, SURE, VERDICT, WANTED, clipped
from verify.reports.record import is_cost

INK, SOFT, BAND, LIMIT, BAD = "#1c2430", "#5b6675", "#3b6ea5", "#a04a00", "#a3262e"
WIDE_INCHES, HIGH_INCHES, DOTS_PER_INCH = 8.0, 3.2, 160
# Fixed, so that one record gives the same bytes each time.
FIXED: dict[Any, Any] = {"svg.hashsalt": "preflash", "font.size": 9, "axes.edgecolor": SOFT, "text.color": INK,
                         "axes.labelcolor": INK, "xtick.color": SOFT, "ytick.color": SOFT}


def save_pictures(record: dict[str, Any], folder: Path) -> list[Path]:
    """Write one PNG and one SVG for each plot of the record; returns the files.

    Errors: UsageError when the plotting library is missing, there is nothing to draw, or the folder cannot be written.
    """
    try:
        import matplotlib
    except ImportError as problem:
        raise UsageError("pictures need a plotting library", where="Python package matplotlib", why="it is not installed",
                         todo=how_to_install("pictures")) from problem
    matplotlib.use("Agg")
    if is_cost(record):
        raise UsageError("a record of costs has no pictures of its own", where=str(record["sheet"]),
                         why="preflash cost wrote it", todo="claim cost_within in the sheet; its record has them")
    saved: list[Path] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with matplotlib.rc_context(FIXED):
            for name, figure in figures(record):
                for kind in ("png", "svg"):
                    path = folder / f"{name}.{kind}"
                    figure.savefig(path, dpi=DOTS_PER_INCH, metadata={"Date": None} if kind == "svg" else {"Software": None})
                    saved.append(path)
    except OSError as problem:
        raise UsageError("the pictures cannot be written", where=str(folder), why=str(problem),
                         todo="name a folder that can be written") from problem
    if not saved:
        raise UsageError("there is nothing to draw", where=str(record["sheet"]),
                         why="no claim of this record has an error profile, a response, a cost or a failing trajectory",
                         todo="pictures are made of accurate claims and of machines that fail")
    return saved


def figures(record: dict[str, Any]) -> Iterator[tuple[str, Any]]:
    """Each plot with the name of its files."""
    for routine in record["routines"]:
        for claim in routine["claims"]:
            name = re.sub(r"\W+", "_", f"{routine['name']}_{claim['claim']}_{claim['build']}")
            for what, draw in (("profile", draw_envelope), ("trace", draw_trajectory)):
                if claim.get(what):
                    figure, axes = new_figure()
                    if draw(axes, routine, claim):
                        yield name, figure
            if (claim.get("response") or {}).get("curves"):
                yield f"{name}_response", response_figure(routine, claim)
    costs = costs_of(record)
    if costs:
        yield "cost", cost_figure(costs)


def new_figure() -> tuple[Any, Any]:
    """An empty figure that belongs to no window."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDE_INCHES, HIGH_INCHES), layout="constrained")
    return figure, figure.add_subplot()


def response_figure(routine: dict[str, Any], claim: dict[str, Any]) -> Any:
    """Gain wanted and got of the worst setting, and their difference beside the limit."""
    from matplotlib.figure import Figure

    found = claim["response"]
    points, limit, floor = found["curves"][0]["points"], found["limit_db"], found["floor_db"]
    figure = Figure(figsize=(WIDE_INCHES, HIGH_INCHES), layout="constrained")
    above, below = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
    hz = [p[HZ] for p in points]
    above.semilogx(hz, [clipped(p[WANTED], floor) for p in points], "--", color=BAND, linewidth=1.4, label="wanted")
    above.semilogx(hz, [clipped(p[GOT], floor) for p in points], "o-", color=LIMIT, linewidth=1.4, markersize=3, label="got")
    above.legend(fontsize=8, frameon=False)
    above.set_ylabel("gain [dB]")
    drawn = [p for p in points if finite(p[ERROR])]
    for p in drawn:
        mark, colour = ("X", BAD) if p[VERDICT] == "fails" else ("o", LIMIT)
        below.errorbar([p[HZ]], [p[ERROR]], yerr=[p[SURE]], fmt=mark, color=colour, markersize=4)
    for edge in (-limit, limit):
        below.axhline(edge, color=LIMIT, linestyle="--", linewidth=1)
    below.set_ylabel("error [dB]")
    below.set_xlabel(f"Hz; {'; '.join(found['curves'][0]['setting'])}")
    title(above, routine, claim)
    return figure


def cost_figure(costs: list[tuple[str, dict[str, Any], list[str]]]) -> Any:
    """Cycles of each routine as bars, against the sample period where the clock is known."""
    figure, axes = new_figure()
    shares = all(cost["percent"] for _, cost, _ in costs)
    key = "percent" if shares else "cycles"
    for place, (_, cost, _) in enumerate(costs):
        low, high = cost[key]
        axes.barh(place, low, color=BAND)
        axes.barh(place, high - low, left=low, facecolor="none", edgecolor=BAND, hatch="////")
        if cost.get("unit") == key:
            axes.plot([cost["limit"]] * 2, [place - 0.45, place + 0.45], color=LIMIT, linewidth=3)
        axes.annotate(f"{low:.3g} to {high:.3g}", (high, place), xytext=(4, 0), va="center", textcoords="offset points",
                      fontsize=8)
    axes.set_yticks(range(len(costs)), [name for name, _, _ in costs])
    axes.invert_yaxis()
    axes.margins(x=0.15)
    axes.set_xlabel("% of a sample period" if shares else "cycles")
    axes.set_title("cost on the board: optimistic (solid) to pessimistic (hatched) end of the estimate; upright line: limit",
                   loc="left", fontsize=9)
    return figure


def people_s_numbers(axes: Any) -> None:
    """10 000 and 4.29e9 at both axes, each number whole where it stands."""
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_formatter(partial(tick_text, axis))


def tick_text(axis: Any, value: float, _: int) -> str:
    """A tick's number; what is zero but for rounding is 0."""
    return number(0.0 if abs(value) < 1e-9 * max(map(abs, axis.get_view_interval())) else value)


def title(axes: Any, routine: dict[str, Any], claim: dict[str, Any]) -> None:
    """Routine, claim, build and verdict in words."""
    axes.set_title(f"{routine['name']}   {claim['label']}, {claim['build']}: {claim['verdict_text']}", loc="left", fontsize=9)


def draw_envelope(axes: Any, routine: dict[str, Any], claim: dict[str, Any]) -> bool:
    """Least and most error per bin, limits, the worst; False when there are too few bins."""
    profile, limit = claim["profile"], limit_of(claim)
    bins = drawable(profile)
    if len(bins) < 2:
        return False
    least, most = [b[1] for b in bins], [b[3] for b in bins]
    axes.fill_between([b[0] for b in bins], least, most, step="post", color=BAND, alpha=0.3, linewidth=0)
    for ends in (least, most):
        axes.step([b[0] for b in bins], ends, where="post", color=BAND, linewidth=1)
    for low, high, why in profile.get("beyond", []):
        axes.axvspan(low, high, facecolor="none", edgecolor=BAD, hatch="///", linewidth=1)
        axes.annotate(f"off scale: {why}", (high, 1), xycoords=("data", "axes fraction"), xytext=(-3, -9), ha="right",
                      textcoords="offset points", color=BAD, fontsize=7)
    value, at = largest(bins)
    if limit and limit < 20 * abs(value):
        for edge in limits_of(profile, limit):
            axes.axhline(edge, color=LIMIT, linestyle="--", linewidth=1.2)
        sign = "" if profile.get("distance") else "±"
        axes.annotate(f"limit {sign}{limit:.4g}", (1, limit), xycoords=("axes fraction", "data"), xytext=(-3, 2), ha="right",
                      va="bottom", textcoords="offset points", color=LIMIT, fontsize=8)
    axes.plot([at], [value], "o", color=BAD, markersize=5)
    first, last = bins[0][0], bins[-1][0]
    aside, side = (7, "left") if at < first + (last - first) / 10 else (-7, "right")
    axes.annotate("worst", (at, value), xytext=(aside, -3), ha=side, textcoords="offset points", color=BAD, fontsize=8)
    for place, note in profile.get("notes", []):
        axes.axvline(place, color=SOFT, linewidth=0.5)
        axes.annotate(note, (place, 0), xycoords=("data", "axes fraction"), xytext=(2, 3), textcoords="offset points",
                      color=SOFT, fontsize=7)
    axes.set_xlabel(f"{profile['input']} [{profile['unit']}]" if profile["unit"] else profile["input"])
    people_s_numbers(axes)
    axes.set_ylabel(f"{'apart' if profile.get('distance') else 'error'} [{profile['error_unit']}]")
    title(axes, routine, claim)
    return True


def draw_trajectory(axes: Any, routine: dict[str, Any], claim: dict[str, Any]) -> bool:
    """Got and wanted around the failing sample, with the events; False when nothing finite came."""
    trace = claim["trace"]
    nan = float("nan")
    got = [v if finite(v) else nan for v in trace["got"]]
    wanted = [v if finite(v) else nan for v in trace["wanted"]]
    if len(got) < 2 or all(v != v for v in [*got, *wanted]):
        return False
    first = trace["samples_from"]
    if wanted:
        axes.plot(range(first, first + len(wanted)), wanted, "--", color=BAND, linewidth=1.4, label="wanted")
    axes.plot(range(first, first + len(got)), got, "-", color=LIMIT, linewidth=1.4, label="got")
    for event in trace["events"]:
        axes.axvline(event["sample"], color=SOFT, linewidth=0.7)
        axes.annotate(event["name"], (event["sample"], 1), xycoords=("data", "axes fraction"), xytext=(2, -9),
                      textcoords="offset points", color=SOFT, fontsize=7)
    at = trace["at"]
    if first <= at < first + len(got) and got[at - first] == got[at - first]:
        axes.plot([at], [got[at - first]], "o", color=BAD, markersize=5, label="failing sample")
    axes.legend(fontsize=8, frameon=False)
    axes.set_xlabel("sample")
    axes.set_ylabel(f"{trace['signal']} [{trace['unit']}]" if trace["unit"] else trace["signal"])
    people_s_numbers(axes)
    title(axes, routine, claim)
    return True
