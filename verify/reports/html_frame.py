"""What every plot of the HTML report is made of: shapes that stretch with the page, labels that keep their size.

Shapes are SVG in a square of SIDE units a side, stretched to the figure; labels stand over it as text, placed in percent,
so that a phone shows them as large as a wide screen does.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from html import escape
from typing import Any

from verify.judging.verdict import grouped
from verify.reports.written_numbers import written

SIDE = 1000
NEAR_PERCENT = 16
PREFIXES = ((1e6, "M"), (1e3, "k"))
SMALL_PREFIXES = ((1e-3, "m"), (1e-6, "µ"))


def number(value: float) -> str:
    """A short number as people write it: 0.25, 10 000, 4.29e9."""
    size = abs(value)
    if 1e4 <= size < 1e6:
        return grouped(round(value))
    if size and not 1e-4 <= size < 1e6:
        digits, _, power = f"{value:.2e}".partition("e")
        return f"{digits.rstrip('0').rstrip('.')}e{int(power)}"
    return f"{value:.4g}"


def prefixed(unit: str, largest: float) -> tuple[float, str]:
    """(size of the unit for an axis, its name): kHz, mV, µs for what is large or small in Hz, V or s."""
    if unit not in ("Hz", "V", "s") or not 0 < largest < math.inf:
        return 1.0, unit
    for size, letter in (*PREFIXES, (1.0, ""), *(() if unit == "Hz" else SMALL_PREFIXES)):
        if largest >= size:
            return size, letter + unit
    return 1.0, unit


def rounds(low: float, high: float) -> list[float]:
    """Three to six round numbers within a range: multiples of 1, 2 or 5 times a power of ten."""
    if not high > low:
        return [low]
    size = 10.0 ** math.floor(math.log10((high - low) / 3))
    step = next(size * k for k in (10, 5, 2, 1) if (high - low) / (size * k) >= 2.5 or k == 1)
    return [float(f"{k * step:.12g}") for k in range(math.ceil(low / step), math.floor(high / step) + 1)]


def hertz(value: float) -> str:
    """A frequency for an axis: 200, 2k, 20k."""
    for size, letter in PREFIXES:
        if value >= size:
            return f"{value / size:g}{letter}"
    return f"{value:g}"


def finite(value: Any) -> bool:
    """Whether a value of the record is a finite number (infinities are texts there)."""
    return (type(value) is float or isinstance(value, int | float)) and math.isfinite(value)


def embedded(data: dict[str, Any]) -> str:
    """JSON that is safe inside a script element."""
    return written(data, separators=(",", ":")).replace("<", "\\u003c")


@dataclass
class Panel:
    """One plot area. left to right and bottom to top are its ends, in its own units; x runs in octaves where log is set."""

    left: float
    right: float
    bottom: float
    top: float
    log: bool = False
    low: bool = False
    shapes: list[str] = field(default_factory=list)
    labels: list[str] = field(default_factory=list)

    def share(self, value: float) -> float:
        """Where a value lies from left (0) to right (1)."""
        if self.log:
            return math.log(value / self.left) / (math.log(self.right / self.left) or 1.0)
        return (value - self.left) / ((self.right - self.left) or 1.0)

    def x(self, value: float) -> str:
        """Place of a value in the square."""
        return f"{SIDE * self.share(value):.1f}".removesuffix(".0")

    def y(self, value: float) -> str:
        """Height of a value in the square, from its top."""
        return f"{SIDE * (self.top - value) / (self.top - self.bottom):.1f}".removesuffix(".0")

    def places(self, corners: Sequence[tuple[float, float]]) -> str:
        """Places and heights of many points, as x() and y() give them one by one, for an axis that is not log."""
        across, up = SIDE / ((self.right - self.left) or 1.0), SIDE / (self.top - self.bottom)
        numbers = [number for a, e in corners for number in (across * (a - self.left), up * (self.top - e))]
        return (" ".join(["%.1f,%.1f"] * len(corners)) % tuple(numbers)).replace(".0,", ",").replace(".0 ", " ")

    def level(self, value: float, kind: str, text: str = "") -> None:
        """A line across at one height, with a word at its right end."""
        self.shapes.append(f'<path class="{kind}" d="M0 {self.y(value)}H{SIDE}"/>')
        if text:
            self.labels.append(f'<span class="in" style="bottom:{self.percent_up(value):.1f}%">{escape(text)}</span>')

    def upright(self, value: float, kind: str) -> None:
        """A line from bottom to top at one place."""
        self.shapes.append(f'<path class="{kind}" d="M{self.x(value)} 0V{SIDE}"/>')

    def percent_up(self, value: float) -> float:
        """Height of a value in percent from the bottom."""
        return 100 * (value - self.bottom) / (self.top - self.bottom)

    def dot(self, at: float, value: float, kind: str = "worst") -> None:
        """A round mark, round at any width."""
        self.shapes.append(f'<path class="dot {kind}" d="M{self.x(at)} {self.y(value)}h.01"/>')

    def path(self, points: Sequence[tuple[float, float | None]], kind: str) -> None:
        """A line through points; None leaves a gap."""
        parts, pen = [], "M"
        for at, value in points:
            if value is None:
                pen = "M"
                continue
            parts.append(f"{pen}{self.x(at)} {self.y(value)}")
            pen = "L"
        self.shapes.append(f'<path class="{kind}" d="{"".join(parts)}"/>')

    def heights(self, unit: str, more: str = "") -> float:
        """Round numbers at the left, a line at each, and the unit with a word above; returns the size of the unit shown."""
        size, shown = prefixed(unit, max(abs(self.bottom), abs(self.top)))
        for value in rounds(self.bottom / size, self.top / size):
            self.level(value * size, "axis")
            self.labels.append(f'<span class="up" style="bottom:{self.percent_up(value * size):.1f}%">{number(value)}</span>')
        self.labels.append(f'<span class="unit">{escape(shown + more)}</span>')
        return size

    def below(self, share: float, text: str, row: int = 1, more: str = "") -> None:
        """A label under the plot, anchored so that it stays within the figure; more: further CSS classes."""
        side = "first" if share < 0.06 else "last" if share > 0.88 else ""
        classes = " ".join(word for word in ("at", f"row{row}", side, more) if word)
        self.labels.append(f'<span class="{classes}" style="left:{100 * share:.2f}%">{escape(text)}</span>')

    def html(self) -> str:
        """The panel with its cursor."""
        low = " low" if self.low else ""
        return (f'<div class="plot{low}"><svg viewBox="0 0 {SIDE} {SIDE}" preserveAspectRatio="none" aria-hidden="true">'
                f'<rect class="axis" width="{SIDE}" height="{SIDE}"/>{"".join(self.shapes)}'
                f'<path class="cursor" d="" style="display:none"/></svg>{"".join(self.labels)}</div>')


def together(marks: Sequence[tuple[float, str]]) -> Iterator[tuple[float, str]]:
    """Labels that would cover each other become one: [(place in percent, text)], in order of place."""
    names: list[str] = []
    began = 0.0
    for place, text in sorted(marks):
        if names and place - began > NEAR_PERCENT:
            yield began, counted(names)
            names = []
        began = began if names else place
        names.append(text)
    if names:
        yield began, counted(names)


def counted(names: Sequence[str]) -> str:
    """strike, attack (3): each name once, with how often."""
    return ", ".join(name + (f" ({names.count(name)})" if names.count(name) > 1 else "") for name in dict.fromkeys(names))


def bar_row(name: str, bars: Sequence[tuple[float, float, str]], marks: Sequence[tuple[str, float]], text: str,
            label: str) -> str:
    """A named bar on a track, with its figures as text under it.

    bars: (from, to, CSS class) as shares of the track; marks: (CSS class, share) of upright lines; label: for those who
    do not see the bar.
    """
    drawn = "".join(f'<span class="{kind}" style="left:{100 * start:.2f}%;width:{100 * (end - start):.2f}%"></span>'
                    for start, end, kind in bars)
    drawn += "".join(f'<span class="{kind}" style="left:{100 * at:.2f}%"></span>' for kind, at in marks)
    return (f'<div class="cost" tabindex="0"><code>{escape(name)}</code><div class="track" role="img" '
            f'aria-label="{escape(label)}">{drawn}</div><p class="small">{escape(text)}</p></div>')


def figure(kind: str, panels: Sequence[Panel], data: dict[str, Any], caption: str, label: str, more: str = "") -> str:
    """A plot with its cursor, its numbers and the live text under it. caption is HTML; more: further CSS classes."""
    return (f'<figure data-plot="{kind}" class="{more}" tabindex="0" role="group" aria-label="{escape(label)}">'
            f'{"".join(panel.html() for panel in panels)}'
            f'<figcaption>{caption} <span class="said" aria-live="polite"></span></figcaption>'
            f'<script type="application/json">{embedded(data)}</script></figure>')
