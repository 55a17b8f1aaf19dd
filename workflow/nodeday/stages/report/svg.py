"""Figures drawn by hand: a drawing of a few marks, the path data of common shapes, and a finished figure.

Every mark has a class instead of a colour, so one figure serves light, dark and print: the colours come from
the style sheet of the page. Lengths are in units of the drawing, and ordinates grow downwards.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from markupsafe import Markup, escape

from nodeday.core.arrays import Floats, runs

WIDTH, LEFT, RIGHT = 860, 118, 18
"""Every figure over time shares these, so that an instant has one abscissa all down the page."""


@dataclass(frozen=True)
class Figure:
    """A figure of a page: ``rows`` are written as CSV under ``name``, ``legend`` names the causes drawn.

    A restart has the mark of its moment in a legend, or with ``restarts_as_bars`` that of a stretch.
    """

    name: str
    title: str
    caption: str
    drawing: Markup
    rows: pd.DataFrame
    notes: list[str] = field(default_factory=list)
    legend: list[str] = field(default_factory=list)
    restarts_as_bars: bool = False


@dataclass
class Drawing:
    """Marks in the order drawn; ``name`` makes ids unique on the page."""

    name: str
    title: str
    about: str
    height: float
    width: float = WIDTH
    marks: list[str] = field(default_factory=list)

    def rect(self, x: float, y: float, w: float, h: float, style: str, hint: str = "") -> None:
        inner = f"<title>{escape(hint)}</title>" if hint else ""
        self.marks.append(
            f'<rect class="{style}" x="{_n(x)}" y="{_n(y)}" width="{_n(max(w, 0))}" height="{_n(h)}">'
            f"{inner}</rect>"
        )

    def hole(self, x: float, y: float, w: float, h: float, hint: str = "", style: str = "hole") -> None:
        """Draw a hatched rectangle.

        Its strokes are drawn one by one: a pattern that lets the page shine through is turned into an
        image of half a megabyte wherever it is printed.
        """
        self.rect(x, y, w, h, style, hint)
        self.path(hatching(x, y, w, h), "h-line")

    def line(self, x1: float, y1: float, x2: float, y2: float, style: str) -> None:
        self.marks.append(f'<path class="{style}" d="M{_n(x1)} {_n(y1)}L{_n(x2)} {_n(y2)}"/>')

    def path(self, d: str, style: str) -> None:
        if d:
            self.marks.append(f'<path class="{style}" d="{d}"/>')

    def polyline(self, x: Floats, y: Floats, style: str, dots: str = "") -> None:
        """Draw a line that breaks at every NaN; values without a neighbour are dots of style ``dots``."""
        line, lone = polyline(x, y)
        self.path(line, style)
        self.path(lone, dots or style)

    def text(self, x: float, y: float, words: str, style: str = "", anchor: str = "start") -> None:
        anchored = "" if anchor == "start" else f' text-anchor="{anchor}"'
        kind = f' class="{style}"' if style else ""
        self.marks.append(f'<text x="{_n(x)}" y="{_n(y)}"{kind}{anchored}>{escape(words)}</text>')

    def link(self, x: float, y: float, words: str, target: str, style: str = "") -> None:
        """Draw words that lead to ``target``; they are reached by keyboard as any other link."""
        self.marks.append(f'<a href="{escape(target)}">')
        self.text(x, y, words, f"link {style}".strip())
        self.marks.append("</a>")

    def markup(self) -> Markup:
        """Return inline SVG with a title and a description for those who cannot see it."""
        name = escape(self.name)
        return Markup(
            f'<svg viewBox="0 0 {_n(self.width)} {_n(self.height)}" role="img" '
            f'aria-labelledby="{name}-t {name}-d"><title id="{name}-t">{escape(self.title)}</title>'
            f'<desc id="{name}-d">{escape(self.about)}</desc>{"".join(self.marks)}</svg>'
        )


def _n(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")


def polyline(x: Floats, y: Floats) -> tuple[str, str]:
    """Path data of a line through (n,) points that breaks at every NaN, and of the dots between breaks."""
    lines, dots = [], []
    for first, last in zip(*runs(np.isfinite(x) & np.isfinite(y)), strict=True):
        if last - first == 1:
            dots.append(f"M{_n(x[first] - 1.2)} {_n(y[first])}h2.4")
            continue
        points = [f"{a:.1f} {b:.1f}" for a, b in zip(x[first:last], y[first:last], strict=True)]
        lines.append("M" + "L".join(points))
    return "".join(lines), "".join(dots)


def boxes(spans: Iterable[tuple[float, float, float, float]]) -> str:
    """Path data of rectangles (x, y, width, height)."""
    return "".join(f"M{_n(x)} {_n(y)}h{_n(w)}v{_n(h)}h{_n(-w)}z" for x, y, w, h in spans)


def circles(x: Floats, y: Floats, radius: float) -> str:
    """Path data of circles around (n,) points; a point with a NaN ordinate has none.

    >>> circles(np.array([10.0]), np.array([5.0]), 2)
    'M8.0 5.0a2 2 0 1 0 4 0a2 2 0 1 0 -4 0z'
    """
    r, both = f"{radius:g}", f"{2 * radius:g}"
    return "".join(
        f"M{a - radius:.1f} {b:.1f}a{r} {r} 0 1 0 {both} 0a{r} {r} 0 1 0 -{both} 0z"
        for a, b in zip(x, y, strict=True)
        if b == b
    )


def diamond(x: float, y: float) -> str:
    """Path data of a diamond four units to each side of a point."""
    return f"M{_n(x - 4)} {_n(y)}l4 -4l4 4l-4 4z"


def strokes(x: Floats, y: Floats, width: float) -> str:
    """Path data of level strokes of ``width`` that begin at (n,) points; a NaN ordinate has none."""
    return "".join(f"M{a:.1f} {b:.1f}h{_n(width)}" for a, b in zip(x, y, strict=True) if b == b)


def hatching(x: float, y: float, w: float, h: float, step: float = 7.0) -> str:
    """Path data of strokes at 45 degrees inside a rectangle; strokes of neighbours meet.

    >>> hatching(0, 0, 7, 7)
    'M0 7L7 0'
    """
    found = []
    for c in np.arange(np.floor((x + y) / step + 1) * step, x + w + y + h - 1e-9, step):
        left, right = max(x, c - y - h), min(x + w, c - y)
        if right - left > 0.1:
            found.append(f"M{_n(left)} {_n(c - left)}L{_n(right)} {_n(c - right)}")
    return "".join(found)
