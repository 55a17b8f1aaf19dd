"""Parts that several figures share: axes, names of phases, panels over time, panels side by side, causes.

A figure over time stacks one panel a node or stream, all on one time axis::

    HEAD     |rest      |harvest            |break       names of phases
    heart    |~~~~~~~~~~|~~~~~~~   ~~~~~~~~~|~~~~~~~     a panel a node, ``step`` apart
    wrist    |----------|-------------------|-------
             10:00             10:30        11:00        ticks in local time

Other figures set small panels in a grid, row by row.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from nodeday.core.arrays import Floats, Ints
from nodeday.schemas.codes import GAP_CAUSE
from nodeday.stages.report.facts import PageFacts
from nodeday.stages.report.spans import SECOND
from nodeday.stages.report.streams import ABSENT, CAUSES
from nodeday.stages.report.svg import LEFT, RIGHT, WIDTH, Drawing

HEAD = 18
"""Height above the panels of a figure over time, for the names of phases."""
LABEL = {
    "radio": "radio",
    "node_restart": "restart",
    "hub_outage": "hub outage",
    "joint_silence": "joint silence",
    "end_of_battery": "end of battery",
    "unknown": "unknown",
    "listed": "listed",
    ABSENT: "nothing sent",
}
MEANING = {**GAP_CAUSE, ABSENT: "before the stream's first frame, or after its last"}
DRAWN = (*[cause for cause in CAUSES if cause != "radio"], "radio", ABSENT)
"""From the band of received samples upwards: long causes first, the many short ones on top."""
_STEPS = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400)


@dataclass(frozen=True)
class TimeAxis:
    """Axis of the session's span [start, end) from ``left`` to ``right``, with ticks in local time."""

    start_ns: int
    end_ns: int
    zone: ZoneInfo
    left: float = LEFT
    right: float = WIDTH - RIGHT

    def x(self, at_ns: Ints | int) -> Floats:
        """Abscissa of instants; differences are taken before any float appears."""
        since = np.asarray(at_ns, dtype=np.int64) - self.start_ns
        scale = (self.right - self.left) / (self.end_ns - self.start_ns)
        abscissa: Floats = self.left + since.astype(np.float64) * scale
        return abscissa

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
        """Draw tick lines from ``top`` to ``bottom`` and their labels below; needs 34 units."""
        for x, clock, date in self.ticks():
            drawing.line(x, top, x, bottom + 4, "grid")
            drawing.text(x, bottom + 16, clock, "tick", "middle")
            if date:
                drawing.text(x, bottom + 29, date, "tick faint", "middle")


@dataclass(frozen=True)
class ValueSteps:
    """Values from ``low`` to ``high`` with ticks at whole multiples of ``step``."""

    low: float
    high: float
    step: float

    @classmethod
    def over(cls, values: Floats, zero: bool = False, most: int = 4) -> ValueSteps:
        """Return about ``most`` round steps that hold every finite value, and zero if asked."""
        finite = values[np.isfinite(values)]
        low, high = (float(finite.min()), float(finite.max())) if finite.size else (0.0, 1.0)
        low = min(low, 0.0) if zero else low
        if high - low < 1e-9:
            low, high = (low, low + 1.0) if zero else (low - 0.5, high + 0.5)
        raw = (high - low) / most
        scale = 10.0 ** np.floor(np.log10(raw))
        step = float(next(m * scale for m in (1, 2, 2.5, 5, 10) if m * scale >= raw * 0.999))
        return cls(float(np.floor(low / step + 1e-9)) * step, float(np.ceil(high / step - 1e-9)) * step, step)

    def ticks(self, unit: str = "") -> list[tuple[float, str]]:
        """(value, label with ``unit``)."""
        first, last = np.ceil(self.low / self.step - 1e-9), np.floor(self.high / self.step + 1e-9)
        values = [index * self.step for index in range(int(first), int(last) + 1)]
        return [(value, f"{round(value, 9):g}{unit}".replace("-", "−")) for value in values]


@dataclass(frozen=True)
class YAxis:
    """Axis of values upwards from ``bottom`` to ``top``."""

    steps: ValueSteps
    top: float
    bottom: float

    @classmethod
    def over(cls, values: Floats, top: float, bottom: float, zero: bool = False, most: int = 4) -> YAxis:
        """Return an axis that holds every finite value, and zero if asked."""
        return cls(ValueSteps.over(values, zero, most), top, bottom)

    def y(self, values: Floats | float) -> Floats:
        share = (np.asarray(values, np.float64) - self.steps.low) / (self.steps.high - self.steps.low)
        ordinate: Floats = self.bottom - share * (self.bottom - self.top)
        return ordinate

    def draw(self, drawing: Drawing, left: float, right: float, unit: str = "") -> None:
        """Draw tick lines from ``left`` to ``right``, their labels at the left."""
        for value, label in self.steps.ticks(unit):
            y = float(self.y(value))
            drawing.line(left, y, right, y, "grid")
            drawing.text(left - 6, y + 3.5, label, "tick", "end")


@dataclass(frozen=True)
class XAxis:
    """Axis of values from ``left`` to ``right``."""

    steps: ValueSteps
    left: float
    right: float

    @property
    def scale(self) -> float:
        """Units of the drawing for one unit of the values."""
        return (self.right - self.left) / (self.steps.high - self.steps.low)

    def x(self, values: Floats | float) -> Floats:
        abscissa: Floats = self.left + (np.asarray(values, np.float64) - self.steps.low) * self.scale
        return abscissa

    def draw(
        self, drawing: Drawing, top: float, bottom: float, under: float, unit: str = "", zero: str = "grid"
    ) -> None:
        """Draw tick lines from ``top`` to ``bottom``, at 0 of style ``zero``, their labels at ``under``."""
        for value, label in self.steps.ticks(unit):
            x = float(self.x(value))
            drawing.line(x, top, x, bottom, zero if abs(value) < 1e-9 else "grid")
            drawing.text(x, under, label, "tick", "middle")


@dataclass(frozen=True)
class TimePanels:
    """Panels ``step`` apart, one below the other, over the session's time."""

    facts: PageFacts
    drawing: Drawing
    time: TimeAxis
    step: float
    bottom: float

    @classmethod
    def begin(
        cls, facts: PageFacts, name: str, title: str, about: str, count: int, step: float
    ) -> TimePanels:
        """Return a drawing of ``count`` panels with its time axis drawn."""
        bottom = HEAD + step * count
        drawing = Drawing(name, title, about, bottom + 32)
        time = TimeAxis(facts.start_ns, facts.end_ns, facts.zone)
        time.draw(drawing, HEAD, bottom)
        return cls(facts, drawing, time, step, bottom)

    def top(self, index: int, inset: float = 8) -> float:
        """Ordinate at which a panel begins."""
        return HEAD + self.step * index + inset

    def label(self, y: float, name: str, *below: str, line: float = 14) -> None:
        """Draw the name of a panel at ``y`` and fainter lines below it, ``line`` apart."""
        self.drawing.text(0, y, name, "name")
        for index, words in enumerate(below, 1):
            self.drawing.text(0, y + line * index, words, "tick faint")

    def mark_phases(self) -> None:
        """Draw the name and first instant of each phase; nothing where the session is its only phase."""
        phases, edge = self.facts.phases, -np.inf
        noted = phases[phases["source"] == "events"].sort_values("start_ns")
        for start, name in zip(noted["start_ns"].to_numpy(np.int64), noted["phase"].astype(str), strict=True):
            x = float(self.time.x(int(start)))
            if x > self.time.left + 1:
                self.drawing.line(x, 2, x, self.bottom, "phase")
            if x >= edge and x + 6 * len(name) < self.time.right:
                self.drawing.text(x + 3, 10, name, "phase-name")
                edge = x + 6.2 * len(name) + 10


@dataclass(frozen=True)
class PanelGrid:
    """Panels in rows of ``across``, each ``width`` wide and ``between`` apart, in rows ``tall``."""

    across: int
    width: float
    between: float
    tall: float

    def corner(self, index: int) -> tuple[float, float]:
        """Left and top of a panel."""
        return (self.width + self.between) * (index % self.across), self.tall * (index // self.across)

    def height(self, count: int) -> float:
        """Height of the rows that ``count`` panels need."""
        return self.tall * -(-count // self.across)
