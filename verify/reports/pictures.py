"""The report's plots as PNG and SVG files, for pasting. Drawn from the record alone."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from verify.errors import UsageError
from verify.reports.html_page import limit_of
from verify.reports.html_plots import drawable, finite, largest

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
                         todo="pip install 'preflash[pictures]'") from problem
    matplotlib.use("Agg")
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
                         why="no claim of this record has an error profile or a failing trajectory",
                         todo="pictures are made of accurate claims and of machines that fail")
    return saved


def figures(record: dict[str, Any]) -> Iterator[tuple[str, Any]]:
    """Each plot with the name of its files."""
    for routine in record["routines"]:
        for claim in routine["claims"]:
            for what, draw in (("profile", draw_envelope), ("trace", draw_trajectory)):
                if claim.get(what):
                    figure, axes = new_figure()
                    if draw(axes, routine, claim):
                        yield re.sub(r"\W+", "_", f"{routine['name']}_{claim['claim']}_{claim['build']}"), figure


def new_figure() -> tuple[Any, Any]:
    """An empty figure that belongs to no window."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDE_INCHES, HIGH_INCHES), layout="constrained")
    return figure, figure.add_subplot()


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
        for edge in (-limit, limit):
            axes.axhline(edge, color=LIMIT, linestyle="--", linewidth=1.2)
        axes.annotate(f"limit ±{limit:.4g}", (1, limit), xycoords=("axes fraction", "data"), xytext=(-3, 2), ha="right",
                      va="bottom", textcoords="offset points", color=LIMIT, fontsize=8)
    axes.plot([at], [value], "o", color=BAD, markersize=5)
    axes.annotate("worst", (at, value), xytext=(-7, -3), ha="right", textcoords="offset points", color=BAD, fontsize=8)
    for place, note in profile.get("notes", []):
        axes.axvline(place, color=SOFT, linewidth=0.5)
        axes.annotate(note, (place, 0), xycoords=("data", "axes fraction"), xytext=(2, 3), textcoords="offset points",
                      color=SOFT, fontsize=7)
    axes.set_xlabel(f"{profile['input']} [{profile['unit'] or '-'}]")
    axes.set_ylabel(f"error [{profile['error_unit']}]")
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
    axes.set_ylabel(f"{trace['signal']} [{trace['unit'] or '-'}]")
    title(axes, routine, claim)
    return True
