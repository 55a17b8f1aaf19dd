"""What every figure of the page is: a drawing, a caption, and the rows behind it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from markupsafe import Markup
from numpy.typing import NDArray

from nodeday.report.facts import ABSENT, CAUSES, Facts
from nodeday.report.svg import Drawing, TimeAxis
from nodeday.schemas.codes import GAP_CAUSE

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


def axis(facts: Facts) -> TimeAxis:
    return TimeAxis(facts.start_ns, facts.end_ns, facts.zone)


def phase_marks(facts: Facts, drawing: Drawing, time: TimeAxis, top: float, bottom: float) -> None:
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
