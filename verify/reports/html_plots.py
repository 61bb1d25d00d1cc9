"""Plots of functions and machines: the error of every input as an envelope per bin, and the samples around a failure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape
from typing import Any

from verify.reports.html_frame import Panel, figure, finite, number, prefixed, rounds, together

MOST_NOTES = 12


def drawable(profile: dict[str, Any]) -> Sequence[list[float]]:
    """The bins of a profile whose numbers are finite: start, least error and its input, most error and its input."""
    bins: Sequence[list[float]] = profile.get("bins", [])
    try:
        if math.isfinite(sum(map(sum, bins))):  # so is each of them
            return bins
    except TypeError:  # infinities are texts
        pass
    return [b for b in bins if all(map(finite, b))]


def largest(bins: Sequence[list[float]]) -> tuple[float, float]:
    """The error of the largest size, and the input where it stands."""
    marked = max(bins, key=lambda b: max(abs(b[1]), abs(b[3])))
    return (marked[3], marked[4]) if abs(marked[3]) >= abs(marked[1]) else (marked[1], marked[2])


def limits_of(profile: dict[str, Any], limit: float | None) -> tuple[float, ...]:
    """Where limit lines stand: both sides of an error, the upper one of a distance."""
    if limit is None:
        return ()
    return (limit,) if profile.get("distance") else (-limit, limit) if limit else ()


def envelope(profile: dict[str, Any], limit: float | None, worst: dict[str, Any] | None) -> str:
    """Least and most error per bin over the first input; limit lines; the worst marked."""
    bins, beyond = drawable(profile), profile.get("beyond", [])
    if len(bins) < 2:
        return "".join(f"<p>{escape(text)}</p>" for text in beyond_texts(profile))
    apart = bool(profile.get("distance"))
    start = min([bins[0][0], *(low for low, _, _ in beyond)])
    end = max([*(b[k] for b in bins for k in (0, 2, 4)), *(high for _, high, _ in beyond)])
    low, high = min(b[1] for b in bins), max(b[3] for b in bins)
    lines = limits_of(profile, limit)
    near = [line for line in lines if abs(line) < 20 * max(abs(low), abs(high), 1e-300) or not max(abs(low), abs(high))]
    bottom, top = min(low, high, 0.0, *near), max(low, high, 0.0, *near)
    margin = (top - bottom) * 0.08 or 1.0
    panel = Panel(start, end, bottom if apart else bottom - margin, top + margin)
    size = panel.heights(profile["error_unit"], " apart" if apart else "")
    for low_end, high_end, why in beyond:
        left, right = float(panel.x(low_end)), float(panel.x(high_end))
        panel.shapes.append(f'<rect class="beyond" x="{left:.1f}" y="0" width="{max(3.0, right - left):.1f}" height="1000">'
                            f"<title>{escape(why)}</title></rect>")
    back = reversed([(b[0], b[1]) for b in bins])
    corners = [*((b[0], b[3]) for b in bins), (end, bins[-1][3]), (end, bins[-1][1]), *back]
    panel.shapes.append(f'<polygon class="band" points="{panel.places(corners)}"/>')
    for line in near:
        sign = "" if apart else "±"
        panel.level(line, "limit", f"limit {sign}{number(line / size)}" if line >= 0 else "")
    value, at = largest(bins)
    panel.dot(at, value)
    rows = bottom_axis(profile, panel)
    data = {"kind": "envelope", "input": profile["input"], "unit": profile["unit"], "error": profile["error_unit"],
            "apart": apart, "start": start, "span": (end - start) or 1.0, "bins": bins}
    drawn = f"largest in the picture {value:+.4g} {profile['error_unit']}"
    shown = f"worst {worst['text']}" if worst and not beyond else drawn
    far = f" The limit, {number(limit)}, lies far outside this picture." if limit and not near else ""
    what = "Largest distance" if apart else "Least and most error"
    caption = f"{what} in each of {len(bins)} parts of the range; {escape(shown)} (dot).{far}"
    caption += "".join(f" {escape(text)}" for text in beyond_texts(profile))
    what = "distance of board and computer" if apart else "error"
    return figure("envelope", [panel], data, caption, f"{what} over {profile['input']}; arrow keys move the cursor", rows)


def beyond_texts(profile: dict[str, Any]) -> list[str]:
    """What no scale can show, in words."""
    unit = f" {profile['unit']}" if profile.get("unit") else ""
    return [f"Off scale (dashed box) from {number(low)} to {number(high)}{unit}: {why}." for low, high, why in
            profile.get("beyond", [])]


def bottom_axis(profile: dict[str, Any], panel: Panel) -> str:
    """Labels of the input, and of notes where the profile has them; returns the figure's class, by rows of labels."""
    size, unit = prefixed(profile["unit"], max(abs(panel.left), abs(panel.right)))
    for k, value in enumerate(rounds(panel.left / size, panel.right / size)):
        panel.below(panel.share(value * size), number(value), more="wide" if k % 2 else "")
    notes = profile.get("notes", [])
    for k, (value, name) in enumerate(notes):
        panel.upright(value, "axis")
        panel.below(panel.share(value), name, 2, "wide" if len(notes) > MOST_NOTES and k % 2 else "")
    named = f"{profile['input']} [{unit}]" if unit not in ("", profile["input"]) else profile["input"]
    panel.below(1.0, named, 3 if notes else 2)
    return "rows3" if notes else "rows2"


def trajectory(trace: dict[str, Any]) -> str:
    """Wanted (dashed) and got (line) around a sample, with event marks."""
    got = [v if finite(v) else None for v in trace["got"]]
    wanted = [v if finite(v) else None for v in trace["wanted"]] or [None] * len(got)
    values = [v for v in [*got, *wanted] if v is not None]
    if len(got) < 2 or not values:
        return ""
    first, name = trace["samples_from"], trace.get("wanted_is", "wanted")
    margin = (max(values) - min(values)) * 0.08 or abs(max(values)) * 0.1 or 1.0
    panel = Panel(first, first + len(got) - 1, min(values) - margin, max(values) + margin)
    panel.heights(trace["unit"])
    for event in trace["events"]:
        panel.upright(event["sample"], "event")
    for place, text in together([(100 * panel.share(event["sample"]), event["name"]) for event in trace["events"]]):
        panel.below(place / 100, text, 2)
    panel.path([(first + k, v) for k, v in enumerate(wanted)], "wanted")
    panel.path([(first + k, v) for k, v in enumerate(got)], "got")
    at = trace["at"] - first
    marked = got[at] if 0 <= at < len(got) else None
    if marked is not None:
        panel.dot(trace["at"], marked)
    for k in (0, len(got) - 1):
        panel.below(k / (len(got) - 1), f"sample {first + k}")
    data = {"kind": "trace", "unit": trace["unit"], "wanted": name, "start": first, "span": len(got) - 1,
            "bins": [[first + k, g, w] for k, (g, w) in enumerate(zip(got, wanted, strict=False))]}
    other = f", {escape(name)} (dashed)" if trace["wanted"] else ""
    caption = f'{escape(trace["signal"])}: got (line){other}, failing sample (dot).'
    return figure("trace", [panel], data, caption, f"{trace['signal']} around the failing sample; arrow keys move the cursor",
                  "rows2" if trace["events"] else "")
