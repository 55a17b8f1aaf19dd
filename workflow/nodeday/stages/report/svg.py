"""Figures by hand: a drawing of a few marks that take their colours from the page's style sheet.

Every mark has a class instead of a colour, so one figure serves light, dark and print.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from markupsafe import Markup, escape
from numpy.typing import NDArray

from nodeday.core.arrays import runs
from nodeday.schemas.codes import GAP_CAUSE
from nodeday.stages.report.facts import ABSENT, CAUSES, PageFacts

SECOND = 1_000_000_000
WIDTH, LEFT, RIGHT = 860, 118, 18
"""Every figure over time shares these, so that an instant stands at one place all down the page."""


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
        """A hatched rectangle. Its strokes are drawn one by one: a pattern that lets the page shine
        through is turned into an image of half a megabyte wherever it is printed.
        """
        self.rect(x, y, w, h, style, hint)
        self.path(hatching(x, y, w, h), "h-line")

    def line(self, x1: float, y1: float, x2: float, y2: float, style: str) -> None:
        self.marks.append(f'<path class="{style}" d="M{_n(x1)} {_n(y1)}L{_n(x2)} {_n(y2)}"/>')

    def path(self, d: str, style: str) -> None:
        if d:
            self.marks.append(f'<path class="{style}" d="{d}"/>')

    def text(self, x: float, y: float, words: str, style: str = "", anchor: str = "start") -> None:
        place_at = "" if anchor == "start" else f' text-anchor="{anchor}"'
        kind = f' class="{style}"' if style else ""
        self.marks.append(f'<text x="{_n(x)}" y="{_n(y)}"{kind}{place_at}>{escape(words)}</text>')

    def link(self, x: float, y: float, words: str, target: str, style: str = "") -> None:
        """Words that lead to ``target``; reached by keyboard as any other link."""
        self.marks.append(f'<a href="{escape(target)}">')
        self.text(x, y, words, f"link {style}".strip())
        self.marks.append("</a>")

    def markup(self) -> Markup:
        """The figure as inline SVG with a title and a description for those who cannot see it."""
        name = escape(self.name)
        return Markup(
            f'<svg viewBox="0 0 {_n(self.width)} {_n(self.height)}" role="img" '
            f'aria-labelledby="{name}-t {name}-d"><title id="{name}-t">{escape(self.title)}</title>'
            f'<desc id="{name}-d">{escape(self.about)}</desc>{"".join(self.marks)}</svg>'
        )


def _n(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")


def polyline(x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[str, str]:
    """Path data of a line that breaks at every NaN, and of the dots that stand alone in it."""
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


def hatching(x: float, y: float, w: float, h: float, step: float = 7.0) -> str:
    """Path data of strokes at 45 degrees inside a rectangle; those of neighbours meet.

    >>> hatching(0, 0, 7, 7)
    'M0 7L7 0'
    """
    found = []
    for c in np.arange(np.floor((x + y) / step + 1) * step, x + w + y + h - 1e-9, step):
        left, right = max(x, c - y - h), min(x + w, c - y)
        if right - left > 0.1:
            found.append(f"M{_n(left)} {_n(c - left)}L{_n(right)} {_n(c - right)}")
    return "".join(found)


@dataclass(frozen=True)
class TimeAxis:
    """The session's span [start, end) laid out from ``left`` to ``right``, told in local time."""

    start_ns: int
    end_ns: int
    zone: ZoneInfo
    left: float = LEFT
    right: float = WIDTH - RIGHT

    def x(self, at_ns: NDArray[np.int64] | int) -> NDArray[np.float64]:
        """Abscissa of instants; differences are taken before any float appears."""
        since = np.asarray(at_ns, dtype=np.int64) - self.start_ns
        scale = (self.right - self.left) / (self.end_ns - self.start_ns)
        placed: NDArray[np.float64] = self.left + since.astype(np.float64) * scale
        return placed

    def local(self, at_ns: int) -> datetime:
        return datetime.fromtimestamp(at_ns // SECOND, UTC).astimezone(self.zone)

    def ticks(self, most: int = 9) -> list[tuple[float, str, str]]:
        """(abscissa, time, date or nothing); whole steps of the local clock at the session's start."""
        span = (self.end_ns - self.start_ns) / SECOND
        step = next((s for s in _STEPS if span / s <= most), _STEPS[-1])
        shift = int((self.local(self.start_ns).utcoffset() or timedelta()).total_seconds())
        first = -(-(self.start_ns + shift * SECOND) // (step * SECOND)) * step - shift
        found, day = [], None
        for second in range(first, -(-self.end_ns // SECOND), step):
            at = self.local(second * SECOND)
            clock = at.strftime("%H:%M:%S" if step < 60 else "%H:%M")
            date = "" if at.date() == day else f"{at.day} {at:%b %Y}"
            day = at.date()
            found.append((float(self.x(second * SECOND)), clock, date))
        return found

    def draw(self, drawing: Drawing, top: float, bottom: float) -> None:
        """Tick lines from ``top`` to ``bottom`` and their labels below; needs 34 units."""
        for x, clock, date in self.ticks():
            drawing.line(x, top, x, bottom + 4, "grid")
            drawing.text(x, bottom + 16, clock, "tick", "middle")
            if date:
                drawing.text(x, bottom + 29, date, "tick faint", "middle")


_STEPS = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400)


@dataclass(frozen=True)
class ValueAxis:
    """Values laid out upwards from ``bottom`` to ``top`` over whole steps."""

    low: float
    high: float
    top: float
    bottom: float
    step: float

    @classmethod
    def over(
        cls, values: NDArray[np.float64], top: float, bottom: float, zero: bool = False, most: int = 4
    ) -> ValueAxis:
        """An axis that holds every finite value, and zero if asked."""
        finite = values[np.isfinite(values)]
        low, high = (float(finite.min()), float(finite.max())) if finite.size else (0.0, 1.0)
        low = min(low, 0.0) if zero else low
        if high - low < 1e-9:
            low, high = (low, low + 1.0) if zero else (low - 0.5, high + 0.5)
        raw = (high - low) / most
        scale = 10.0 ** np.floor(np.log10(raw))
        step = float(next(m * scale for m in (1, 2, 2.5, 5, 10) if m * scale >= raw * 0.999))
        low, high = float(np.floor(low / step + 1e-9)) * step, float(np.ceil(high / step - 1e-9)) * step
        return cls(low, high, top, bottom, step)

    def y(self, values: NDArray[np.float64] | float) -> NDArray[np.float64]:
        share = (np.asarray(values, dtype=np.float64) - self.low) / (self.high - self.low)
        placed: NDArray[np.float64] = self.bottom - share * (self.bottom - self.top)
        return placed

    def draw(self, drawing: Drawing, left: float, right: float) -> None:
        for index in range(round((self.high - self.low) / self.step) + 1):
            value = self.low + index * self.step
            y = float(self.y(value))
            drawing.line(left, y, right, y, "grid")
            drawing.text(left - 6, y + 3.5, f"{round(value, 9):g}".replace("-", "−"), "tick", "end")


LABEL = {
    "radio": "radio",
    "node_restart": "restart",
    "hub_outage": "hub outage",
    "end_of_battery": "end of battery",
    "unknown": "unknown",
    ABSENT: "nothing sent",
}
MEANING = {**GAP_CAUSE, ABSENT: "before the stream's first frame, or after its last"}
DRAWN = (*[cause for cause in CAUSES if cause != "radio"], "radio", ABSENT)
"""From the band of received samples upwards: long causes first, the many short ones on top."""

LEAST = {ABSENT: 0.005}
"""Share of the session below which a cause gets no place in a legend or bar: streams never start
and end in the very same moment."""


@dataclass(frozen=True)
class Figure:
    """``rows`` are written as CSV under ``name``; ``legend`` names the causes that are drawn."""

    name: str
    title: str
    caption: str
    drawing: Markup
    rows: pd.DataFrame
    notes: list[str] = field(default_factory=list)
    legend: list[str] = field(default_factory=list)


def axis(facts: PageFacts) -> TimeAxis:
    return TimeAxis(facts.start_ns, facts.end_ns, facts.zone)


def phase_marks(facts: PageFacts, drawing: Drawing, time: TimeAxis, top: float, bottom: float) -> None:
    """Name and first instant of each phase; nothing where the session is its only phase."""
    noted = facts.phases[facts.phases["source"] == "events"].sort_values("start_ns")
    edge = -np.inf
    for start, name in zip(noted["start_ns"].to_numpy(np.int64), noted["phase"].astype(str), strict=True):
        x = float(time.x(int(start)))
        if x > time.left + 1:
            drawing.line(x, top, x, bottom, "phase")
        if x >= edge and x + 6 * len(name) < time.right:
            drawing.text(x + 3, top + 8, name, "phase-name")
            edge = x + 6.2 * len(name) + 10


def instants(at_ns: NDArray[np.int64]) -> list[str]:
    """ISO 8601 in UTC to the millisecond, as the CSV files state time."""
    return [f"{text}Z" for text in np.datetime_as_string(at_ns.astype("datetime64[ns]"), unit="ms")]
