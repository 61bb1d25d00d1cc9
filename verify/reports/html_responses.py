"""Magnitude responses: gain wanted and got at each frequency that was measured, and their difference beside the limit."""

from __future__ import annotations

from html import escape
from typing import Any

from verify.reports.html_frame import Panel, figure, finite, hertz

HZ, GOT, WANTED, ERROR, SURE, VERDICT = range(6)


def responses(found: dict[str, Any]) -> str:
    """The setting that comes worst, and the others folded away below it."""
    curves = found["curves"]
    if not curves:
        return ""
    parts = [response(found, curves[0])]
    if len(curves) > 1:
        rest = "".join(response(found, curve) for curve in curves[1:])
        more = f", and {found['more']} that are not drawn" if found["more"] else ""
        parts.append(f"<details><summary>{len(curves) - 1} other settings{more}</summary>{rest}</details>")
    return "".join(parts)


def clipped(value: Any, floor: float) -> float | None:
    """A gain for the picture: what lies below the floor is drawn at it; None for what is no number."""
    if value == "-inf":
        return floor
    return max(float(value), floor) if finite(value) else None


def ticks(low: float, high: float) -> list[tuple[float, str]]:
    """Round frequencies within a range, with a CSS class for those that a narrow page leaves out."""
    found = [(step * 10.0**power, "" if step == 1 else "wide") for power in range(-3, 7) for step in (1, 2, 5)]
    found = [(value, more) for value, more in found if low <= value <= high]
    return found if sum(not more for _, more in found) > 1 else [(value, "") for value, _ in found]


def response(found: dict[str, Any], curve: dict[str, Any]) -> str:
    """One setting: gain above, error with the limit and the method's own error below."""
    points, floor, limit = curve["points"], found["floor_db"], found["limit_db"]
    low, high = points[0][HZ], points[-1][HZ]
    low, high = (low / 1.5, high * 1.5) if len(points) < 3 or high / low < 4 else (low / 1.1, high * 1.1)
    wanted = [(p[HZ], clipped(p[WANTED], floor)) for p in points]
    got = [(p[HZ], clipped(p[GOT], floor)) for p in points]
    gains = [value for _, value in (*wanted, *got) if value is not None] or [0.0]
    margin = max(1.0, (max(gains) - min(gains)) * 0.08)
    above = Panel(low, high, min(gains) - margin, max(gains) + margin, log=True)
    above.heights("gain, dB")
    above.path(wanted, "wanted")
    above.path(got, "got")
    for at, value in got:
        if value is not None:
            above.dot(at, value, "measured")
    errors = [p[ERROR] for p in points if finite(p[ERROR])]
    reach = 1.15 * max([limit, *(abs(p[ERROR]) + p[SURE] for p in points if finite(p[ERROR]))])
    below = Panel(low, high, -reach, reach, log=True, low=True)
    below.heights("got less wanted, dB")
    for line in (-limit, limit):
        below.level(line, "limit", f"limit ±{limit:g}" if line > 0 else "")
    for p in points:
        wrong = p[VERDICT] == "fails"
        value = p[ERROR] if finite(p[ERROR]) else reach
        below.shapes.append(f'<path class="sure" d="M{below.x(p[HZ])} {below.y(max(-reach, value - p[SURE]))}'
                            f'V{below.y(min(reach, value + p[SURE]))}"/>')
        if wrong:
            below.upright(p[HZ], "bad")
        below.dot(p[HZ], value, "worst" if wrong else "measured")
    for hz, more in ticks(low, high):
        for panel in (above, below):
            panel.upright(hz, "axis")
        below.below(below.share(hz), hertz(hz), more=more)
    below.below(1.0, "Hz", 2)
    setting = escape("; ".join(curve["setting"]))
    failing = sum(p[VERDICT] == "fails" for p in points)
    bad = f" {failing} of {len(points)} frequencies fail (upright dashed lines)." if failing else ""
    endless = " A gain that is no number is drawn at the edge." if len(errors) < len(points) else ""
    caption = (f"<b>{setting}</b>, {curve['rate_hz']:g} Hz: got (line, dots), wanted (dashed); below, the error at each, "
               f"with what the method is sure to (bar) and the limit.{bad}{endless}")
    data = {"kind": "response", "at": [round(above.share(p[HZ]), 5) for p in points], "bins": points}
    return figure("response", [above, below], data, caption,
                  "gain over frequency; arrow keys move the cursor", "rows2 pair")
