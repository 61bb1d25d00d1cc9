"""Plots as SVG: the error of every input as an envelope per bin, and the samples around a machine's failure."""

from __future__ import annotations

import json
import math
from html import escape
from typing import Any

WIDE, HIGH = 760, 230
LEFT, RIGHT, TOP, BOTTOM = 70, 748, 14, 186


def number(value: float) -> str:
    """A short number for an axis."""
    return f"{value:.4g}"


def finite(value: Any) -> bool:
    """Whether a value of the record is a finite number (infinities are texts there)."""
    return isinstance(value, int | float) and math.isfinite(value)


def embedded(data: dict[str, Any]) -> str:
    """JSON that is safe inside a script element."""
    return json.dumps(data, allow_nan=False).replace("<", "\\u003c")


def frame(low: float, high: float, unit: str) -> list[str]:
    """Axes with three labels at the left."""
    parts = [f'<rect class="axis" x="{LEFT}" y="{TOP}" width="{RIGHT - LEFT}" height="{BOTTOM - TOP}"/>']
    for share in (0.0, 0.5, 1.0):
        y = BOTTOM - share * (BOTTOM - TOP)
        parts.append(f'<line class="axis" x1="{LEFT}" x2="{RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>')
        parts.append(f'<text x="{LEFT - 6}" y="{y + 4:.1f}" text-anchor="end">{number(low + share * (high - low))}</text>')
    parts.append(f'<text x="{LEFT}" y="{TOP - 3}">{escape(unit)}</text>')
    return parts


def figure(kind: str, body: list[str], data: dict[str, Any], caption: str, label: str) -> str:
    """A plot with its cursor, its numbers and the live text under it."""
    svg = "".join(body)
    return (f'<figure data-plot="{kind}" tabindex="0" role="group" aria-label="{escape(label)}">'
            f'<svg viewBox="0 0 {WIDE} {HIGH}" data-left="{LEFT}" data-right="{RIGHT}" role="img" '
            f'aria-label="{escape(label)}">{svg}'
            f'<line class="cursor" y1="{TOP}" y2="{BOTTOM}" style="display:none"/></svg>'
            f'<figcaption>{caption} <span aria-live="polite"></span></figcaption>'
            f'<script type="application/json">{embedded(data)}</script></figure>')


def drawable(profile: dict[str, Any]) -> list[list[float]]:
    """The bins of a profile whose numbers are finite: start, least error and its input, most error and its input."""
    return [b for b in profile.get("bins", []) if all(finite(v) for v in b)]


def largest(bins: list[list[float]]) -> tuple[float, float]:
    """The error of the largest size, and the input where it stands."""
    marked = max(bins, key=lambda b: max(abs(b[1]), abs(b[3])))
    return (marked[3], marked[4]) if abs(marked[3]) >= abs(marked[1]) else (marked[1], marked[2])


def envelope(profile: dict[str, Any], limit: float | None, worst: dict[str, Any] | None) -> str:
    """Least and most error per bin over the first input; limit lines; the worst marked."""
    bins, beyond = drawable(profile), profile.get("beyond", [])
    if len(bins) < 2:
        return "".join(f"<p>{escape(text)}</p>" for text in beyond_texts(profile))
    start = min([bins[0][0], *(low for low, _, _ in beyond)])
    end = max([*(b[k] for b in bins for k in (0, 2, 4)), *(high for _, high, _ in beyond)])
    span = (end - start) or 1.0
    low, high = min(b[1] for b in bins), max(b[3] for b in bins)
    edges = [low, high, 0.0] + ([-limit, limit] if limit and limit < 20 * max(abs(low), abs(high), 1e-300) else [])
    bottom, top = min(edges), max(edges)
    margin = (top - bottom) * 0.06 or 1.0
    bottom, top = bottom - margin, top + margin

    def x(value: float) -> float:
        return LEFT + (value - start) / span * (RIGHT - LEFT)

    def y(value: float) -> float:
        return BOTTOM - (value - bottom) / (top - bottom) * (BOTTOM - TOP)

    body = frame(bottom, top, profile["error_unit"])
    for low_end, high_end, why in beyond:
        at, wide = x(low_end), max(2.0, x(high_end) - x(low_end))
        body.append(f'<rect class="beyond" x="{at:.1f}" y="{TOP}" width="{wide:.1f}" height="{BOTTOM - TOP}"/>'
                    f'<text x="{min(at, RIGHT - 60):.1f}" y="{TOP - 3}">off scale<title>{escape(why)}</title></text>')
    points = [f"{x(b[0]):.1f},{y(b[3]):.1f}" for b in bins] + [f"{x(end):.1f},{y(bins[-1][3]):.1f}",
              f"{x(end):.1f},{y(bins[-1][1]):.1f}"] + [f"{x(b[0]):.1f},{y(b[1]):.1f}" for b in reversed(bins)]
    body.append(f'<polygon class="band" points="{" ".join(points)}"/>')
    for value in (-limit, limit) if limit else ():
        if bottom <= value <= top:
            body.append(f'<line class="limit" x1="{LEFT}" x2="{RIGHT}" y1="{y(value):.1f}" y2="{y(value):.1f}"/>')
    if limit and bottom <= limit <= top:
        body.append(f'<text x="{RIGHT}" y="{y(limit) - 4:.1f}" text-anchor="end">limit ±{limit:.4g}</text>')
    value, at = largest(bins)
    body.append(f'<circle class="worst" cx="{x(at):.1f}" cy="{y(value):.1f}" r="4"><title>worst</title></circle>')
    body += bottom_axis(profile, start, end, x)
    data = {"kind": "envelope", "input": profile["input"], "unit": profile["unit"], "error": profile["error_unit"],
            "bins": bins, "x": [round((b[0] - start) / span, 5) for b in bins]}
    drawn = f"largest in the picture {value:+.4g} {profile['error_unit']}"
    shown = f"worst {worst['text']}" if worst and not beyond else drawn
    far = "" if limit is None or bottom <= limit <= top else f" The limit, {limit:.4g}, lies far outside this picture."
    caption = f'Least and most error in each of {len(bins)} parts of the range; {escape(shown)} (dot).{far}'
    caption += "".join(f" {escape(text)}" for text in beyond_texts(profile))
    return figure("envelope", body, data, caption, f"error over {profile['input']}; arrow keys move the cursor")


def beyond_texts(profile: dict[str, Any]) -> list[str]:
    """What no scale can show, in words."""
    unit = f" {profile['unit']}" if profile.get("unit") else ""
    return [f"Off scale (dashed box) from {number(low)} to {number(high)}{unit}: {why}." for low, high, why in
            profile.get("beyond", [])]


def bottom_axis(profile: dict[str, Any], start: float, end: float, x: Any) -> list[str]:
    """Labels of the input, and of notes where the profile has them."""
    parts = []
    for share in (0.0, 0.25, 0.5, 0.75, 1.0):
        value = start + share * (end - start)
        anchor = "start" if share == 0 else "end" if share == 1 else "middle"
        parts.append(f'<text x="{x(value):.1f}" y="{BOTTOM + 15}" text-anchor="{anchor}">{number(value)}</text>')
    parts.append(f'<text x="{RIGHT}" y="{BOTTOM + 40}" text-anchor="end">{escape(profile["input"])} '
                 f'[{escape(profile["unit"] or "-")}]</text>')
    for value, name in profile.get("notes", []):
        parts.append(f'<line class="axis" x1="{x(value):.1f}" x2="{x(value):.1f}" y1="{TOP}" y2="{BOTTOM + 20}"/>'
                     f'<text x="{x(value) + 3:.1f}" y="{BOTTOM + 29}">{escape(name)}</text>')
    return parts


def trajectory(trace: dict[str, Any]) -> str:
    """Wanted (dashed) and got (line) around a sample, with event marks."""
    got = [v if finite(v) else None for v in trace["got"]]
    wanted = [v if finite(v) else None for v in trace["wanted"]] or [None] * len(got)
    values = [v for v in [*got, *wanted] if v is not None]
    if len(got) < 2 or not values:
        return ""
    bottom, top = min(values), max(values)
    margin = (top - bottom) * 0.08 or abs(top) * 0.1 or 1.0
    bottom, top, first = bottom - margin, top + margin, trace["samples_from"]

    def x(k: float) -> float:
        return LEFT + k / (len(got) - 1) * (RIGHT - LEFT)

    def path(series: list[float | None]) -> str:
        parts, pen = [], "M"
        for k, value in enumerate(series):
            if value is None:
                pen = "M"
                continue
            parts.append(f"{pen}{x(k):.1f} {BOTTOM - (value - bottom) / (top - bottom) * (BOTTOM - TOP):.1f}")
            pen = "L"
        return "".join(parts)

    body = frame(bottom, top, trace["unit"])
    for event in trace["events"]:
        k = event["sample"] - first
        body.append(f'<line class="event" x1="{x(k):.1f}" x2="{x(k):.1f}" y1="{TOP}" y2="{BOTTOM + 6}"/>'
                    f'<text x="{x(k) + 3:.1f}" y="{BOTTOM + 29}">{escape(event["name"])}</text>')
    body += [f'<path class="wanted" d="{path(wanted)}"/>', f'<path class="got" d="{path(got)}"/>']
    at = trace["at"] - first
    if 0 <= at < len(got) and got[at] is not None:
        body.append(f'<circle class="worst" cx="{x(at):.1f}" '
                    f'cy="{BOTTOM - (got[at] - bottom) / (top - bottom) * (BOTTOM - TOP):.1f}" r="4"/>')
    for k in (0, len(got) - 1):
        anchor = "start" if k == 0 else "end"
        body.append(f'<text x="{x(k):.1f}" y="{BOTTOM + 15}" text-anchor="{anchor}">sample {first + k}</text>')
    data = {"kind": "trace", "unit": trace["unit"], "bins": [[first + k, g, w] for k, (g, w) in
            enumerate(zip(got, wanted, strict=False))], "x": [round(k / (len(got) - 1), 5) for k in range(len(got))]}
    wanted_too = ", wanted (dashed)" if trace["wanted"] else ""
    caption = f'{escape(trace["signal"])}: got (line){wanted_too}, failing sample (dot).'
    return figure("trace", body, data, caption, f"{trace['signal']} around the failing sample; arrow keys move the cursor")
